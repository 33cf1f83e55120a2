"""Differences between runs at matched points, with what the readings of both share cancelling.

A source that both runs rest on (a gain of one and the same box) is one source in the algebra of
`uncertainty`, so it drops out of a difference by itself; who shares what is decided by the caller.
Called by the comparison report; pure. Never goes beyond the loads that were measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from scipy.optimize import brentq

from runner.analysis.uncertainty import Source, Uncertain, correlation

COVERAGE = 0.95
LEAST_P = 1e-4
"""No smaller p is told: the tails of a distribution of instrument errors are not known so far."""

SAME_LOAD = 1e-6
"""Set loads [A] nearer than this are one load."""
LEAST_POINTS = 3
"""Fewer points on a line do not show how far it bends between two of them."""
AMBIENT_GAP_K = 5.0
"""Points of one run whose air differs by more were taken at two ambients."""

Match = Literal["same load", "interpolated"]
SMOOTH = ("ploss_w", "vout_v", "hot_spot_rise_k")
"""Quantities that bend little between loads; an efficiency is made from loss and output there."""


@dataclass(frozen=True, slots=True)
class RunPoint:
    """One point as it is compared; `values` has [A], [W], [V], [K] and `efficiency` (0..1)."""

    kind: str
    line_set_v: float
    iout_set_a: float
    ambient_temp_c: float | None
    values: Mapping[str, Uncertain]


@dataclass(frozen=True, slots=True)
class Difference:
    """b less a of one quantity; `expanded_u` = k u for 95 %, `p` that chance alone does as much.

    `significance` is the difference over its expanded uncertainty: beyond 1 it is one.
    """

    quantity: str
    a: Uncertain
    b: Uncertain
    difference: Uncertain
    expanded_u: float
    k: float
    p: float
    correlation: float

    @property
    def significance(self) -> float:
        """Size of the difference over its expanded uncertainty; infinite where that is nought."""
        size = abs(self.difference.value)
        return size / self.expanded_u if self.expanded_u > 0.0 else math.inf if size else 0.0

    @property
    def is_significant(self) -> bool:
        """True where the difference is beyond its expanded uncertainty."""
        return self.significance > 1.0


@dataclass(frozen=True, slots=True)
class Matched:
    """What two runs show at one line [V] and one load [A], each in its own air [°C].

    `hot_spots_c` are the hot spots of both [°C], of an interpolated one that of its neighbour: fast
    points of one module lose more where it was warmer.
    """

    kind: str
    line_set_v: float
    iout_a: float
    ambient_a_c: float | None
    ambient_b_c: float | None
    hot_spots_c: tuple[float | None, float | None]
    match: Match
    differences: tuple[Difference, ...]


# ------------------------------------------------------------------------- differences


def differ(quantity: str, a: Uncertain, b: Uncertain) -> Difference:
    """b less a, with what both share cancelled."""
    difference = b - a
    expanded_u, k = difference.expanded(COVERAGE, shapes=True)
    p = p_value(difference)
    return Difference(quantity, a, b, difference, expanded_u, k, p, correlation(a, b))


def p_value(difference: Uncertain) -> float:
    """Probability that a true difference of nought shows this much or more, on either side.

    The coverage at which the expanded uncertainty just reaches the difference, from one: so it is
    below 0.05 exactly where the 95 % interval does not hold nought. Not below `LEAST_P`.
    """
    size, u = abs(difference.value), difference.u
    if u == 0.0:
        return LEAST_P if size else 1.0

    def beyond(p: float) -> float:
        return difference.expanded(1.0 - p, shapes=True).expanded_u - size

    if beyond(LEAST_P) <= 0.0:
        return LEAST_P
    return 1.0 if beyond(1.0 - 1e-9) >= 0.0 else float(brentq(beyond, LEAST_P, 1.0 - 1e-9))


# ----------------------------------------------------------------------------- matching


def match(a: Iterable[RunPoint], b: Iterable[RunPoint]) -> list[Matched]:
    """Every point of `a` that `b` was measured at or around, by kind, line and load.

    Where `b` has no point at a load, it is interpolated between its neighbours on the same line;
    where it was not measured around any load of `a`, `a` is interpolated at the loads of `b`.
    """
    curves_a, curves_b = _curves(a), _curves(b)
    found: list[Matched] = []
    for key in sorted(curves_a.keys() & curves_b.keys()):
        for one, other in _by_ambient(curves_a[key], curves_b[key]):
            matched = list(_along(one, other))
            if not matched:
                matched = [_turned(pair) for pair in _along(other, one)]
            found += matched
    return [pair for pair in found if pair.differences]


def _along(one: Sequence[RunPoint], other: Sequence[RunPoint]) -> Iterator[Matched]:
    for point in one:
        found = at_load(other, point)
        if found is None:
            continue
        values, how, there = found
        differences = tuple(
            differ(name, point.values[name], values[name])
            for name in ("efficiency", *SMOOTH)
            if name in point.values and name in values
        )
        yield Matched(
            point.kind,
            point.line_set_v,
            point.values["iout_a"].value,
            point.ambient_temp_c,
            there.ambient_temp_c,
            (_hot_spot_c(point), _hot_spot_c(there)),
            how,
            differences,
        )


def _turned(pair: Matched) -> Matched:
    turned = tuple(differ(one.quantity, one.b, one.a) for one in pair.differences)
    airs = pair.ambient_b_c, pair.ambient_a_c
    hot_c = (pair.hot_spots_c[1], pair.hot_spots_c[0])
    return Matched(pair.kind, pair.line_set_v, pair.iout_a, *airs, hot_c, pair.match, turned)


def _hot_spot_c(point: RunPoint) -> float | None:
    found = point.values.get("hot_spot_temp_c")
    return None if found is None else found.value


def at_load(
    curve: Sequence[RunPoint], point: RunPoint
) -> tuple[dict[str, Uncertain], Match, RunPoint] | None:
    """What a curve shows at the load of a point, and its point there or next to it.

    None beyond the loads it was measured at.

    The loads are uncertain as well: one ammeter in both runs cancels, two do not.
    """
    load = point.values["iout_a"]
    same = [k for k, c in enumerate(curve) if abs(c.iout_set_a - point.iout_set_a) <= SAME_LOAD]
    place = same[0] if same else _bracket(curve, load.value)
    if place is None:
        return None
    values = {}
    for name in SMOOTH:
        if all(name in one.values for one in curve):
            at = _moved if same else _interpolated
            values[name] = at(curve, place, load, name)
    if "efficiency" in point.values and {"ploss_w", "vout_v"} <= values.keys():
        pout = values["vout_v"] * load
        pin = pout + values["ploss_w"]
        if pin.value > 0.0:
            values["efficiency"] = pout / pin
    how: Match = "same load" if same else "interpolated"
    return values, how, curve[place]


def _bracket(curve: Sequence[RunPoint], load_a: float) -> int | None:
    """The first of the two neighbours around a load; None beyond them or with too few points."""
    if len(curve) < LEAST_POINTS:
        return None
    loads = [one.values["iout_a"].value for one in curve]
    inside = (k for k, (low, high) in enumerate(pairwise(loads)) if low <= load_a <= high)
    return next(inside, None)


def _moved(curve: Sequence[RunPoint], k: int, load: Uncertain, name: str) -> Uncertain:
    """A point of the curve, moved along its slope to the load that was really drawn."""
    here = curve[k].values
    near = [one.values for one in curve[max(0, k - 1) : k + 2]]
    if len(near) < 2:
        return here[name]
    first, last = near[0], near[-1]
    rise = last[name].value - first[name].value
    slope = rise / (last["iout_a"].value - first["iout_a"].value)
    return here[name] + slope * (load - here["iout_a"])


def _interpolated(curve: Sequence[RunPoint], k: int, load: Uncertain, name: str) -> Uncertain:
    """Between two neighbours: the parabola through them and the next nearest point.

    By how much it bends away from the straight line is the limit of the interpolation's own error,
    rectangular: less is not known of a curve from its points.
    """
    low, high = curve[k].values, curve[k + 1].values
    share = (load - low["iout_a"]) / (high["iout_a"] - low["iout_a"])
    straight = low[name] + (high[name] - low[name]) * share
    bend = _bend(curve, k, load.value, name)
    label = f"interpolation of {name} at {load.value:.4g} A, {curve[k].line_set_v:g} V"
    source = Source(f"{label}, {curve[k].kind}", "interpolation", shape="rectangular")
    return straight + Uncertain(bend, {source: abs(bend) / math.sqrt(3.0)})


def _bend(curve: Sequence[RunPoint], k: int, load_a: float, name: str) -> float:
    """Parabola less straight line at a load, by divided differences."""
    places = [(one.values["iout_a"].value, one.values[name].value) for one in curve]
    others = [place for place in (k - 1, k + 2) if 0 <= place < len(curve)]
    third = min(others, key=lambda place: abs(places[place][0] - load_a))
    (x0, y0), (x1, y1), (x2, y2) = places[k], places[k + 1], places[third]
    second = ((y2 - y1) / (x2 - x1) - (y1 - y0) / (x1 - x0)) / (x2 - x0)
    return second * (load_a - x0) * (load_a - x1)


# ------------------------------------------------------------------------------- curves


def _curves(points: Iterable[RunPoint]) -> dict[tuple[str, float], list[RunPoint]]:
    found: dict[tuple[str, float], list[RunPoint]] = {}
    for point in points:
        if "iout_a" in point.values:
            found.setdefault((point.kind, point.line_set_v), []).append(point)
    return found


def _by_ambient(
    a: Sequence[RunPoint], b: Sequence[RunPoint]
) -> Iterator[tuple[list[RunPoint], list[RunPoint]]]:
    """Curves to compare: each ambient of one run with the nearest of the other, no air twice."""
    airs_a, airs_b = _airs(a), _airs(b)
    distances = sorted((abs(air_a - air_b), air_a, air_b) for air_a in airs_a for air_b in airs_b)
    for _, air_a, air_b in distances:
        if air_a in airs_a and air_b in airs_b:
            yield _curve(airs_a.pop(air_a)), _curve(airs_b.pop(air_b))


def _airs(points: Sequence[RunPoint]) -> dict[float, list[RunPoint]]:
    """The points by their ambient [°C]; all at 0 where a run has no ambient thermometer."""
    found: dict[float, list[RunPoint]] = {}
    last_c = -math.inf
    for point in sorted(points, key=lambda one: one.ambient_temp_c or 0.0):
        air_c = point.ambient_temp_c or 0.0
        key = next(reversed(found)) if found and air_c - last_c <= AMBIENT_GAP_K else air_c
        found.setdefault(key, []).append(point)
        last_c = air_c
    return found


def _curve(points: Sequence[RunPoint]) -> list[RunPoint]:
    """By rising load, repeats of one load averaged."""
    loads: dict[float, list[RunPoint]] = {}
    for point in points:
        loads.setdefault(round(point.iout_set_a, 6), []).append(point)
    merged = [_averaged(same) for same in loads.values()]
    return sorted(merged, key=lambda one: one.values["iout_a"].value)


def _averaged(points: Sequence[RunPoint]) -> RunPoint:
    if len(points) == 1:
        return points[0]
    first = points[0]
    names = [name for name in first.values if all(name in one.values for one in points)]
    values = {name: _mean([one.values[name] for one in points]) for name in names}
    return RunPoint(first.kind, first.line_set_v, first.iout_set_a, first.ambient_temp_c, values)


def _mean(values: Sequence[Uncertain]) -> Uncertain:
    total = values[0]
    for value in values[1:]:
        total = total + value
    return total / float(len(values))
