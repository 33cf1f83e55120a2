"""The faults of a bench by name: what an entry of `faults` in `[simulation]` may say.

`sim.build` checks the entries, `sim.fault_schedule` brings them about. Plain data; nothing
here touches a box.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Annotated, Literal

from annotated_types import Ge, Gt

FaultName = Literal[
    # on the wire of one box
    "reply-late",  # each reply comes `level` seconds later (0.5)
    "half-line",  # the first half of each reply, no terminator
    "garbage",  # bytes that are no text instead of each reply
    "previous-reply",  # the reply to the question before
    "mute",  # obeys, but does not answer
    "hangs",  # neither obeys nor answers; its output stays as it is
    "clips",  # a setting above `level` becomes `level`, and nobody is told
    "errors-flood",  # every message puts `level` errors into its queue (5)
    "disconnects",  # not there: for `for_s`, or for good
    # in one box
    "restarts",  # output off, settings lost; with `for_s` not there so long
    "readback-stuck",  # every value it reads stays as it is
    "thermometer-off",  # its sensor falls off into the air
    "thermometer-open",  # its sensor's wire breaks: overload
    # in the supply and the load
    "supply-trips",  # its own protection acts without a cause
    "load-drops-out",  # its input goes off by itself
    # in the module and round it
    "module-dies-open",
    "module-dies-short",  # the line stands on the output
    "heat-sink-off",  # the thermal resistance to the air is `level` times what it was (4)
    "thermal-runaway",  # loss grows `level` times as fast with heat (10)
    "fuse-opens",
    "mains-dip",  # every box without power for `for_s` (0.5): outputs off, settings lost
]


@dataclass(frozen=True, slots=True)
class Kind:
    """What a fault of one name needs and may be given.

    `level` is the usual one, 0 where one has to be given, None where there is none.
    """

    on_wire: bool = False
    in_box: bool = False
    lasts: bool = False
    level: float | None = None
    level_of: str = ""


_WIRE = Kind(on_wire=True, in_box=True, lasts=True)
_BOX = Kind(in_box=True, lasts=True)
KINDS: Mapping[FaultName, Kind] = {
    "reply-late": Kind(True, True, True, 0.5, "the delay in s"),
    "half-line": _WIRE,
    "garbage": _WIRE,
    "previous-reply": _WIRE,
    "mute": _WIRE,
    "hangs": _WIRE,
    "clips": Kind(True, True, True, 0.0, "the greatest setting it takes, in the setting's unit"),
    "errors-flood": Kind(True, True, True, 5.0, "the errors that each message queues"),
    "disconnects": _BOX,
    "restarts": _BOX,
    "readback-stuck": _BOX,
    "thermometer-off": _BOX,
    "thermometer-open": _BOX,
    "supply-trips": Kind(),
    "load-drops-out": Kind(),
    "module-dies-open": Kind(),
    "module-dies-short": Kind(),
    "heat-sink-off": Kind(level=4.0, level_of="times the thermal resistance"),
    "thermal-runaway": Kind(level=10.0, level_of="times the growth of the loss"),
    "fuse-opens": Kind(),
    "mains-dip": Kind(lasts=True),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFault:
    """One entry of `faults`: strikes at `at_s` [s] of the bench's clock, for `for_s` [s].

    Without `for_s` it stays. `instrument` is a name of the bench file. With `after_messages`
    it waits, from `at_s` on, until so many have come to the instrument, or to the supply
    where it needs none. A fault on the wire strikes messages that contain `in_message`,
    at most `messages` of them. `level` depends on the name.
    """

    name: FaultName
    instrument: str = ""
    at_s: Annotated[float, Ge(0)] = 0.0
    for_s: Annotated[float, Gt(0)] | None = None
    after_messages: Annotated[int, Ge(0)] = 0
    messages: Annotated[int, Gt(0)] | None = None
    in_message: str = ""
    level: Annotated[float, Gt(0)] | None = None

    @property
    def strength(self) -> float:
        """The level, or the usual one."""
        return self.level or KINDS[self.name].level or 0.0


def mistake(
    fault: NamedFault, boxes: Collection[str], thermometers: Collection[str]
) -> tuple[str, str, str] | None:
    """What is wrong with an entry: key, what was found, what is allowed; None if nothing.

    `boxes` are the names of the instruments, `thermometers` those with a sensor.
    """
    kind = KINDS[fault.name]
    fit = thermometers if fault.name.startswith("thermometer-") else boxes
    if kind.in_box and fault.instrument not in fit:
        found = repr(fault.instrument) if fault.instrument else "no such key"
        return "instrument", found, f"for {fault.name!r} one of {', '.join(map(repr, fit))}"
    if fault.instrument and not kind.in_box:
        return "instrument", repr(fault.instrument), f"{fault.name!r} needs none; take it out"
    for key, given, may in (
        ("for_s", fault.for_s, kind.lasts),
        ("messages", fault.messages, kind.on_wire),
        ("in_message", fault.in_message or None, kind.on_wire),
        ("level", fault.level, kind.level is not None),
    ):
        if given is not None and not may:
            return key, repr(given), f"{fault.name!r} has none; take it out"
    if kind.level == 0.0 and fault.level is None:
        return "level", "no such key", f"for {fault.name!r} {kind.level_of}; add level = ..."
    return None
