"""A bench wired otherwise than its file says: leads, sense wires and meters in the wrong place.

`sim.build` applies it to the boxes before it makes them, from the keys of `[simulation]`.
The boxes answer as boxes so wired do; nothing here knows a command.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from sim.instruments.spec import BoxSpec, Wire

WiringFault = Literal[
    "supply-reversed",  # the supply's leads the wrong way round
    "vin-reversed",  # the leads of the input voltmeter the wrong way round
    "vout-reversed",  # and of the output voltmeter
    "supply-sense-missing",  # no sense wires: it senses at its own terminals, whatever it is told
    "load-sense-missing",
    "volts-swapped",  # the two voltmeters in each other's place
    "amps-swapped",
    "hot-spot-case-swapped",  # two thermometers in each other's place
    "hot-spot-ambient-swapped",
    "case-ambient-swapped",
]

_SWAPS: dict[str, tuple[Wire, Wire]] = {
    "volts-swapped": ("vin", "vout"),
    "amps-swapped": ("iin", "iout"),
    "hot-spot-case-swapped": ("hot_spot", "case"),
    "hot-spot-ambient-swapped": ("hot_spot", "ambient"),
    "case-ambient-swapped": ("case", "ambient"),
}
_REVERSED: dict[str, Wire] = {"vin-reversed": "vin", "vout-reversed": "vout"}
_SENSELESS: dict[str, Wire] = {"supply-sense-missing": "supply", "load-sense-missing": "load"}
_READBACK: dict[str, Wire] = {"iin": "supply", "iout": "load"}


def miswired(
    boxes: Sequence[BoxSpec],
    faults: Iterable[str],
    *,
    offsets_a: Mapping[str, float],
    scales: Mapping[str, float],
    load_least_v: float | None,
) -> list[BoxSpec]:
    """The boxes as they are really wired; raises ValueError where a fault finds no box."""
    wired = list(boxes)
    for fault in faults:
        if fault in _SWAPS:
            wired = _swapped(wired, fault, *_SWAPS[fault])
        elif fault in _REVERSED:
            wired = _changed(wired, _there(wired, _REVERSED[fault], fault), reversed_leads=True)
        elif fault in _SENSELESS:
            wired = _changed(wired, _there(wired, _SENSELESS[fault], fault), sense_missing=True)
    for role, offset_a in offsets_a.items():
        if offset_a or scales[role] != 1.0:
            place = role if any(box.wired == role for box in wired) else _READBACK[role]
            wired = _changed(wired, place, offset_a=offset_a, scale_a=scales[role])
    if load_least_v is not None:
        wired = _changed(wired, "load", least_v=load_least_v)
    return wired


def _swapped(boxes: list[BoxSpec], fault: str, one: Wire, other: Wire) -> list[BoxSpec]:
    for place in (one, other):
        _there(boxes, place, fault)
    crossed: dict[str, Wire] = {one: other, other: one}
    return [replace(box, wired=crossed.get(box.wired, box.wired)) for box in boxes]


def _there(boxes: list[BoxSpec], place: Wire, fault: str) -> Wire:
    if not any(box.wired == place for box in boxes):
        raise ValueError(
            f"simulation.wiring_faults: {fault!r} needs an instrument in the role {place!r}, and "
            "the bench file names none; name one in [roles], or take the fault out"
        )
    return place


def _changed(boxes: list[BoxSpec], place: str, **changes: object) -> list[BoxSpec]:
    return [replace(box, **changes) if box.wired == place else box for box in boxes]  # type: ignore[arg-type]
