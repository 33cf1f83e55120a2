"""What points past the current limit tell of it: where it is, and what is left beyond.

Pure. The shapes are those the simulator has (constant current, foldback, hiccup; common
practice, no source). A limit that no point reached is not guessed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Literal

from runner.analysis.uncertainty import Source, Uncertain

Kind = Literal["constant-current", "foldback", "hiccup"]

ROOT_3 = sqrt(3.0)
TRYING = 0.2
"""An output current that scatters by more than this part of itself comes and goes."""
HOLDS = 0.97
"""Of the greatest load held: as much as this past the limit is a constant current."""
NEAR_LINE = 0.25
"""A step-down module whose line is above its output by less than this part is in dropout."""


@dataclass(frozen=True, slots=True)
class LoadedPoint:
    """A point as asked for and as read: `held` where the output stayed within its tolerance."""

    line_set_v: float
    iout_set_a: float
    vin_v: float
    vout: Uncertain
    iout: Uncertain
    iout_sd_a: float
    held: bool


@dataclass(frozen=True, slots=True)
class LimitFit:
    """The limit [A] and, for a foldback, what is left into a short [A]."""

    kind: Kind
    current: Uncertain
    short_circuit: Uncertain | None
    points: int


def greatest_held_a(points: Sequence[LoadedPoint]) -> float:
    """The greatest load that held [A]."""
    return max((point.iout.value for point in points if point.held), default=0.0)


def fit_limit(points: Sequence[LoadedPoint], vout_set_v: float) -> LimitFit | None:
    """The limit from the points that did not hold; None where there is none of them."""
    told = [one for one in (_one(point, points, vout_set_v) for point in points) if one is not None]
    if not told:
        return None
    kinds = [one.kind for one in told]
    kind = max(set(kinds), key=kinds.count)
    alike = [one for one in told if one.kind == kind]
    best = min(alike, key=lambda one: one.current.u)
    return LimitFit(kind, best.current, best.short_circuit, len(alike))


def _one(point: LoadedPoint, points: Sequence[LoadedPoint], vout_set_v: float) -> LimitFit | None:
    """What one point tells; None where it held, or where its line was too low for it."""
    if point.held or _in_dropout(point, vout_set_v):
        return None
    below_a = greatest_held_a([one for one in points if one.line_set_v == point.line_set_v])
    bracket = _between(below_a, max(point.iout_set_a, below_a))
    if point.iout_sd_a > TRYING * max(point.iout.value, 1e-3):
        return LimitFit("hiccup", bracket, None, 1)
    if point.iout.value >= 0.99 * point.iout_set_a:
        return LimitFit("constant-current", bracket, None, 1)
    if point.iout.value >= HOLDS * below_a:
        return LimitFit("constant-current", point.iout, None, 1)
    share = min(max(point.vout.value / vout_set_v, 0.0), 0.9)
    short = (point.iout - share * bracket) / (1.0 - share)
    return LimitFit("foldback", bracket, short, 1)


def _in_dropout(point: LoadedPoint, vout_set_v: float) -> bool:
    steps_down = point.vin_v > vout_set_v
    return steps_down and point.vin_v < (1.0 + NEAR_LINE) * point.vout.value


def _between(low_a: float, high_a: float) -> Uncertain:
    """Somewhere between a load that held and one that did not: rectangular."""
    source = Source("load between the last that held and the next", "module", shape="rectangular")
    return Uncertain((low_a + high_a) / 2.0, {source: (high_a - low_a) / 2.0 / ROOT_3})
