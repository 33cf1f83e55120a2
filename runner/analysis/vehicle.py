"""Conditions on a vehicle's supply line, as a bench supply can make them; values and provenance.

Pure data and arithmetic for the sequence `vehicle_line`. The values are those of ISO 16750-2 as
noted beside each; what is from memory says so. Check them against the edition you work to.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

RANGES_V = {
    "A": (6.0, 16.0),
    "B": (8.0, 16.0),
    "C": (9.0, 16.0),
    "D": (10.5, 16.0),
    "E": (10.0, 32.0),
    "F": (16.0, 32.0),
    "G": (22.0, 32.0),
    "H": (18.0, 32.0),
}
"""Supply range by code [V]: A to D of a 12 V net, E to H of a 24 V net (ISO 16750-2:2010,
table 1)."""
SLOW_V_PER_S = 0.5 / 60.0
"""Slow fall and rise of the line [V/s] (ISO 16750-2:2010, 4.5: 0.5 V/min)."""


@dataclass(frozen=True, slots=True)
class Held:
    """A line that is held for a while: volts [V], seconds [s], and what it stands for."""

    name: str
    line_v: float
    duration_s: float


OVER_VOLTAGE = {
    12: Held("long over-voltage", 18.0, 3600.0),
    24: Held("long over-voltage", 36.0, 3600.0),
}
"""A generator whose regulator has failed (ISO 16750-2, 4.3.1; from memory)."""
JUMP_START = Held("jump start", 24.0, 60.0)
"""A 12 V net started from a 24 V one (ISO 16750-2, 4.3.2; from memory)."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One part of a profile: go to `line_v` [V] in `within_s` [s], hold it `hold_s` [s]."""

    line_v: float
    within_s: float
    hold_s: float


def cranking(level: str, start_v: float = 12.0) -> tuple[Leg, ...]:
    """The starting profile of a 12 V net at a severity `level`, without its ripple.

    From `start_v` [V] down to the dip, up to the cranking line, and back (ISO 16750-2:2012,
    4.6.3; levels and times from memory).
    """
    dip_v, crank_v, crank_s = CRANKING_LEVELS[level]
    return (
        Leg(dip_v, 0.005, 0.015),
        Leg(crank_v, 0.050, crank_s),
        Leg(start_v, 0.100 if crank_s > 5.0 else 0.040, 1.0),
    )


CRANKING_LEVELS = {
    "I": (8.0, 9.5, 1.0),
    "II": (4.5, 6.5, 10.0),
    "III": (3.0, 5.0, 1.0),
    "IV": (6.0, 6.5, 10.0),
}
"""Dip [V], cranking line [V] and its time [s] by level (ISO 16750-2:2012, 4.6.3; from memory)."""


def steepest_v_per_s(legs: Sequence[Leg], start_v: float) -> tuple[float, float]:
    """The steepest fall and rise that a profile asks of a supply [V/s], both positive."""
    slopes = list(_slopes(legs, start_v))
    return max([-slope for slope in slopes if slope < 0.0] or [0.0]), max(
        [slope for slope in slopes if slope > 0.0] or [0.0]
    )


def _slopes(legs: Sequence[Leg], start_v: float) -> Iterator[float]:
    yield (legs[0].line_v - start_v) / legs[0].within_s
    for before, leg in pairwise(legs):
        yield (leg.line_v - before.line_v) / leg.within_s


def function_class(vout_v: Sequence[float], least_v: float, most_v: float) -> str:
    """How the output [V] bore a condition, as a functional status.

    A: within its band throughout; C: outside, and back by itself at the end; D: not back (what
    else it would take to bring it back is not tried). After ISO 16750-1, 6 (from memory).
    """
    inside = [least_v <= value <= most_v for value in vout_v]
    if all(inside):
        return "A"
    return "C" if inside[-1] else "D"
