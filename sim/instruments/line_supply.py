"""A serial supply with a terse line protocol: `V1 12.0`, `V1O?`, `OP1 1`; no error queue.

`sim.build` makes it; the channels are those of `supply`. A command that is not understood
gets no reply: only `ERR?` tells, and reading it clears it. What is accepted stands in
`VERBS` and `QUERIES`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from sim.instruments import grammar
from sim.instruments.commands import Limits
from sim.instruments.hookup import Hookup
from sim.instruments.scpi import four_fields
from sim.instruments.status import ScpiError
from sim.instruments.supply import SupplyChannel

NOT_UNDERSTOOD, OUT_OF_RANGE, TRIPPED = 1, 2, 3
_LINE = re.compile(r"([A-Z]+)([1-9])(O?)(\?|\s+(\S+))", re.ASCII)


class LineSupply:
    """A supply that understands one short command a line, or several between `;`."""

    terminator = "\r\n"

    def __init__(self, identity: str, hookup: Hookup, channels: Sequence[SupplyChannel]) -> None:
        self.identity = four_fields(identity)
        self.hookup = hookup
        self.channels = channels
        self.error = 0
        self.busy_s = 0.0
        self.reset()

    def handle(self, message: str) -> str | None:
        """Obey one line; return the replies, a line for each query, or None."""
        self.hookup.look()
        replies = []
        for part in filter(None, (part.strip().upper() for part in message.split(";"))):
            try:
                reply = self._one(part)
            except ScpiError as error:
                self.report(error.code)
            else:
                replies += [] if reply is None else [reply]
        return self.terminator.join(replies) if replies else None

    def _one(self, part: str) -> str | None:
        if part in _WHOLE:
            return _WHOLE[part](self)
        match = _LINE.fullmatch(part)
        if not match or int(match[2]) > len(self.channels):
            raise ScpiError(-113, part)
        channel = self.channels[int(match[2]) - 1]
        if match[4] == "?":
            query = QUERIES.get(match[1] + match[3])
            if query is None:
                raise ScpiError(-113, part)
            return query(channel, match[1] + match[2])
        verb = VERBS.get(match[1] + match[3])
        if verb is None:
            raise ScpiError(-113, part)
        verb(channel, grammar.number(match[5], ""))
        return None

    def reset(self) -> None:
        """Every output off, levels at their defaults, trips cleared."""
        for channel in self.channels:
            channel.reset()
            channel.ocp_armed = True

    def power_cycle(self) -> None:
        """Start again as after a power cut."""
        self.reset()
        self.error = 0

    def report(self, code: int, about: str = "") -> None:
        """Remember an error until it is read; this box knows only its own three numbers."""
        self.error = OUT_OF_RANGE if code == -222 else TRIPPED if code == -221 else NOT_UNDERSTOOD

    def status_byte(self, unread: bool) -> int:
        """Return nothing: a serial line has no status byte."""
        return 0

    def take_error(self) -> str:
        """Return the last error's number and forget it."""
        number, self.error = self.error, 0
        return str(number)

    def clear_trips(self) -> None:
        """Clear every channel's trip; the outputs stay off."""
        for channel in self.channels:
            channel.clear_trip()


def _within(limits: Limits, value: float) -> float:
    if not limits.least <= value <= limits.most:
        raise ScpiError(-222, str(value))
    return round(value, limits.decimals)


def _switch(channel: SupplyChannel, value: float) -> None:
    if value not in (0.0, 1.0):
        raise ScpiError(-222, str(value))
    channel.set_output(value == 1.0)


def _set(
    limits: Callable[[SupplyChannel], Limits], apply: Callable[[SupplyChannel, float], None]
) -> Callable[[SupplyChannel, float], None]:
    return lambda channel, value: apply(channel, _within(limits(channel), value))


def _get(
    limits: Callable[[SupplyChannel], Limits], value: Callable[[SupplyChannel], float]
) -> Callable[[SupplyChannel, str], str]:
    return lambda channel, name: f"{name} {value(channel):.{limits(channel).decimals}f}"


VERBS: dict[str, Callable[[SupplyChannel, float], None]] = {
    "V": _set(SupplyChannel.voltage_limits, SupplyChannel.set_voltage),
    "I": _set(SupplyChannel.current_limits, SupplyChannel.set_current),
    "OVP": _set(SupplyChannel.voltage_trip_limits, SupplyChannel.set_voltage_trip),
    "OCP": _set(SupplyChannel.current_trip_limits, SupplyChannel.set_current_trip),
    "OP": _switch,
}

QUERIES: dict[str, Callable[[SupplyChannel, str], str]] = {
    "V": _get(SupplyChannel.voltage_limits, lambda channel: channel.v_set_v),
    "I": _get(SupplyChannel.current_limits, lambda channel: channel.i_set_a),
    "OVP": _get(SupplyChannel.voltage_trip_limits, lambda channel: channel.ovp_v),
    "OCP": _get(SupplyChannel.current_trip_limits, lambda channel: channel.ocp_a),
    "VO": lambda channel, name: channel.measured_voltage() + "V",
    "IO": lambda channel, name: channel.measured_current() + "A",
    "OP": lambda channel, name: str(int(channel.on)),
    "MODE": lambda channel, name: channel.mode(),
}

_WHOLE: dict[str, Callable[[LineSupply], str | None]] = {
    "*IDN?": lambda box: box.identity,
    "*RST": lambda box: box.reset(),
    "ERR?": LineSupply.take_error,
    "TRIPRST": lambda box: box.clear_trips(),
}
