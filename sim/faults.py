"""Faults on the wire of one box, as plain data: what they do to a message and to a reply.

`sim.seam` applies them between the wire and the box: to the message on its way in, to the
reply on its way out, or to the connection. The box itself stays whole. By name and by
the clock they are switched on through `sim.fault_schedule`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from random import Random
from typing import Literal, Protocol

Kind = Literal[
    "late",  # the reply comes `delay_s` later
    "no-reply",  # obeyed, but silent
    "half-line",  # the first half of the reply, no terminator
    "garbage",  # bytes that are no text instead of the reply
    "previous",  # the reply to the question before
    "clips",  # a setting above `most` becomes `most`, and nobody is told
    "error",  # obeyed, and error `code` queued `many` times
    "hangs",  # neither obeyed nor answered; its outputs stay as they are
    "disconnects",  # the connection drops before the message is obeyed, for `delay_s`
    "restarts",  # the box loses its settings just before the message
]
_NUMBER = re.compile(r"(?<=\s)[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_NOISE_BYTES = 12


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault: it strikes messages that contain `when`, after `skip` of them, `times` times.

    `when` is compared without case, "" means every message; `times` 0 means for ever.
    `delay_s` [s] of the simulated clock; `most` in the unit of the setting.
    """

    kind: Kind
    when: str = ""
    skip: int = 0
    times: int = 1
    delay_s: float = 0.0
    most: float = 0.0
    code: int = -310
    many: int = 1


class Box(Protocol):
    """What a fault may do to a box."""

    def power_cycle(self) -> None:
        """Start again as after a power cut."""
        ...

    def report(self, code: int, about: str = "") -> None:
        """Queue an error."""
        ...


class Faults:
    """The faults switched on for one box, with their counts."""

    def __init__(self, seed: str) -> None:
        self._on: list[list[int | Fault]] = []
        self._random = Random(seed)

    def __bool__(self) -> bool:
        return bool(self._on)

    def switch_on(self, fault: Fault) -> None:
        """Add a fault; several may be on at once."""
        self._on.append([fault, 0])

    def switch_off(self, fault: Fault | None = None) -> None:
        """Remove one fault, or every one."""
        self._on = [entry for entry in self._on if fault is not None and entry[0] is not fault]

    def striking(self, message: str) -> list[Fault]:
        """Return the faults that strike this message, and count it."""
        struck = []
        for entry in self._on:
            fault, seen = entry
            assert isinstance(fault, Fault) and isinstance(seen, int)
            if fault.when.upper() not in message.upper():
                continue
            entry[1] = seen + 1
            if seen >= fault.skip and not 0 < fault.times <= seen - fault.skip:
                struck.append(fault)
        return struck

    def garble(self) -> bytes:
        """Return bytes that are no ASCII text."""
        return bytes(self._random.randrange(0x80, 0x100) for _ in range(_NOISE_BYTES))


def clipped(message: str, fault: Fault) -> str:
    """Return the message with every number of the units that match clipped to `most`."""

    def clip(match: re.Match[str]) -> str:
        return match[0] if float(match[0]) <= fault.most else repr(fault.most)

    units = message.split(";")
    hit = [_NUMBER.sub(clip, u) if fault.when.upper() in u.upper() else u for u in units]
    return ";".join(hit)
