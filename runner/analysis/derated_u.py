"""The standard uncertainty of each derated load: the derating done again with every doubt in turn.

Each source shifts all the points it bears on together, as it would have on the bench, and half
the difference of the loads is its contribution (JCGM 100:2008, 5.1.3 note 2): a gain shared
by every point stays shared through fit, thermal resistance and limit. Pure.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from runner.analysis.derating import CannotDerateError, DeratedLoad, Limits, derate
from runner.analysis.holding import Ahead, LoadPoint, least_failed_a
from runner.analysis.loss import ASSUMED_GROWTH_PER_K, MODEL_ERROR_W
from runner.analysis.uncertainty import Source, Uncertain

SETTLING = 2.0
"""Limits of what a soak had still to go, in changes over its last window: an exponential with a
time constant of twice the window (from its slope; common practice for an end of warm-up)."""

BORROWED_SHARE = 0.10
"""Limits of a thermal resistance taken from another line: with the line the loss moves between the
parts, and into a series protection (common practice, no source)."""

ROOT_3 = math.sqrt(3.0)
CAPACITOR = ("capacitor_temp_c",)
SPOTS = ("hot_spot_temp_c", "case_temp_c", *CAPACITOR)


@dataclass(frozen=True, slots=True)
class DoubtfulPoint:
    """A point, its uncertain quantities by the names of its fields, and what its soak moved [K]."""

    point: LoadPoint
    worth: Mapping[str, Uncertain]
    settling_k: float = 0.0


Shift = Callable[[DoubtfulPoint, float], LoadPoint]


MODULE = "module"
SETTLED = Source("what the soaks had still to go", MODULE, shape="rectangular")
SPREAD = Source("spread of the thermal resistances", MODULE, shape="rectangular")
SPREAD_OF_CAPACITOR = Source(
    "spread of the capacitor's thermal resistances", MODULE, shape="rectangular"
)
GROWTH = Source("growth of the losses with heat", MODULE)
FIT = Source("residual of the loss fit", MODULE)
BETWEEN = Source("between the load that held and the one that did not", MODULE, shape="rectangular")
BORROWED = Source("thermal resistance of another line", MODULE, shape="rectangular")
"""Doubts that belong to the module and its soaks, not to a box of the bench."""


def greatest_loads_u(
    points: Sequence[DoubtfulPoint], limits: Limits, derated: Sequence[DeratedLoad]
) -> list[float | None]:
    """Standard uncertainty [A] of each derated load, None where there is no load."""
    found = greatest_loads(points, limits, derated)
    return [None if load is None else load.u for load in found]


def greatest_loads(
    points: Sequence[DoubtfulPoint], limits: Limits, derated: Sequence[DeratedLoad]
) -> list[Uncertain | None]:
    """Each derated load [A] with every doubt by its source, None where there is no load.

    In it: gains, offsets, tares, leads and thermometers of the bench; the growth of the losses
    (rectangular from nothing to twice its value where it is assumed); the residual of the loss
    fit, which holds the scatter of single points; the spread of the thermal resistances of
    single soaks, rectangular; what the soaks had still to go, or the uncertainty of each predicted
    end; where the current limit decides, how
    far above the load that held the first one lies that did not; at a line without a soak of its
    own, that it borrows its thermal resistance. Not in it: a thermal resistance
    that changes beyond the temperatures soaked at, for which `basis` and `flags` stand.
    """
    if not derated:
        return []
    ambients_c = list(dict.fromkeys(load.ambient_temp_c for load in derated))
    growth = derated[0].line.model.growth_per_k
    parts: list[dict[Source, float]] = [{} for _ in derated]

    def add(source: Source, high: Sequence[DeratedLoad], low: Sequence[DeratedLoad]) -> None:
        for k, (one, other) in enumerate(zip(high, low, strict=True)):
            if source is BORROWED and derated[k].line.soaked_here:
                continue
            if one.greatest and other.greatest:
                half_a = (one.greatest.iout_max_a - other.greatest.iout_max_a) / 2.0
                parts[k][source] = half_a

    def redone(shift: Shift, sign: float, by_growth: float = 0.0) -> list[DeratedLoad]:
        moved = [shift(doubtful, sign) for doubtful in points]
        return derate(moved, limits, ambients_c, max(0.0, growth + sign * by_growth))

    try:
        for source, shift in _shifts(points, derated):
            add(source, redone(shift, 1.0), redone(shift, -1.0))
        growth_u = _growth_u(derated[0])
        add(GROWTH, redone(_unmoved, 1.0, growth_u), redone(_unmoved, -1.0, growth_u))
    except CannotDerateError:  # a doubt as large as what it doubts: the loads have no bounds
        return [None for _ in derated]
    return [_with_fit(load, known) for load, known in zip(derated, parts, strict=True)]


def in_the_middle(load: Uncertain) -> Uncertain:
    """A load that the current limit decides, as the middle between the one that held and the next.

    `greatest_loads` tells the load that held; what may lie above it is all to one side.
    """
    half = load.parts.get(BETWEEN, 0.0) / 2.0
    if half == 0.0:
        return load
    return Uncertain(load.value + half * ROOT_3, dict(load.parts) | {BETWEEN: half})


def _unmoved(doubtful: DoubtfulPoint, sign: float) -> LoadPoint:
    return doubtful.point


def _growth_u(load: DeratedLoad) -> float:
    model = load.line.model
    if model.growth_fitted and model.growth_u_per_k is not None:
        return model.growth_u_per_k
    return ASSUMED_GROWTH_PER_K / ROOT_3


def _with_fit(load: DeratedLoad, parts: dict[Source, float]) -> Uncertain | None:
    """Add what the loss fit leaves, as load, where a temperature decides."""
    greatest, losses = load.greatest, load.line.losses
    if greatest is None or losses is None:
        return None
    if greatest.limited_by in ("hot-spot", "case", "capacitor"):
        base_w, left_w = losses.base_w(greatest.iout_max_a), max(losses.residual_w, MODEL_ERROR_W)
        high_a, low_a = losses.load_a(base_w + left_w), losses.load_a(base_w - left_w)
        parts = parts | {FIT: (high_a - low_a) / 2.0}
    failed_a = least_failed_a(load.line.points)
    if greatest.limited_by == "current-limit" and failed_a is not None:
        parts = parts | {BETWEEN: max(0.0, failed_a - greatest.iout_max_a) / ROOT_3}
    return Uncertain(greatest.iout_max_a, parts)


# -------------------------------------------------------------------- the doubts, one by one


def _shifts(
    points: Sequence[DoubtfulPoint], derated: Sequence[DeratedLoad]
) -> Iterator[tuple[Source, Shift]]:
    counts = Counter(s for one in points for s in _sources(one))
    for source, count in counts.items():
        if count > 1:  # a source of one point alone is in the residual of the fit
            yield source, _by_source(source)
    for one in points:
        if one.point.ahead is not None and one.point.is_settled_soak:
            yield predicted_end(one.point), _by_prediction(one.point, one.point.ahead)
    if any(one.settling_k for one in points):
        yield SETTLED, _by_settling
    if not all(load.line.soaked_here for load in derated):
        yield BORROWED, _by_resistance(BORROWED_SHARE / ROOT_3)
    spread = max(load.line.spot_heat.spread for load in derated)
    if spread > 0.0:
        yield SPREAD, _by_resistance(spread / 2.0 / ROOT_3)
    heats = [load.line.capacitor_heat for load in derated if load.line.spot not in CAPACITOR]
    spread = max((heat.spread for heat in heats if heat), default=0.0)
    if spread > 0.0:
        yield SPREAD_OF_CAPACITOR, _by_resistance(spread / 2.0 / ROOT_3, CAPACITOR)


def _sources(doubtful: DoubtfulPoint) -> set[Source]:
    return {source for value in doubtful.worth.values() for source in value.parts}


def _by_source(source: Source) -> Shift:
    def shift(doubtful: DoubtfulPoint, sign: float) -> LoadPoint:
        moved = {
            name: value.value + sign * value.parts[source]
            for name, value in doubtful.worth.items()
            if source in value.parts
        }
        return _moved(doubtful.point, moved)

    return shift


def predicted_end(soak: LoadPoint) -> Source:
    """Each prediction is a fit of its own; soaks at one line, load and air are told apart."""
    place = f"{soak.line_v:g} V, {soak.iout_a:.3f} A, {soak.ambient_temp_c} °C"
    return Source(f"predicted end of the soak at {place}", MODULE)


def _by_prediction(soak: LoadPoint, ahead: Ahead) -> Shift:
    def shift(doubtful: DoubtfulPoint, sign: float) -> LoadPoint:
        point = doubtful.point
        if point is not soak:
            return point
        left_k = {spot: k + sign * ahead.u_k.get(spot, 0.0) for spot, k in ahead.left_k.items()}
        return replace(point, ahead=replace(ahead, left_k=left_k))

    return shift


def _by_settling(doubtful: DoubtfulPoint, sign: float) -> LoadPoint:
    if doubtful.point.ahead is not None:
        return doubtful.point
    by_k = sign * SETTLING * abs(doubtful.settling_k) / ROOT_3
    return _warmed(doubtful.point, lambda rise_k: rise_k + by_k)


def _by_resistance(share: float, spots: Sequence[str] = SPOTS) -> Shift:
    def shift(doubtful: DoubtfulPoint, sign: float) -> LoadPoint:
        return _warmed(doubtful.point, lambda rise_k: rise_k * (1.0 + sign * share), spots)

    return shift


def _warmed(
    point: LoadPoint, rise: Callable[[float], float], spots: Sequence[str] = SPOTS
) -> LoadPoint:
    """A soaked point with other rises of these spots above its air; a fast one as it is."""
    air_c = point.ambient_temp_c
    if air_c is None or not point.is_settled_soak:
        return point
    moved = {
        spot: air_c + rise(temp_c - air_c)
        for spot in spots
        if (temp_c := getattr(point, spot)) is not None
    }
    return _moved(_with_end(point, rise, spots), moved)


def _with_end(point: LoadPoint, rise: Callable[[float], float], spots: Sequence[str]) -> LoadPoint:
    """The same, with what is left to the end moved as the whole rise to the end is."""
    ahead, air_c = point.ahead, point.ambient_temp_c
    if ahead is None or air_c is None:
        return point
    left_k = {
        spot: rise(end_c - air_c) - rise(temp_c - air_c)
        for spot in ahead.left_k
        if spot in spots
        and (temp_c := getattr(point, spot)) is not None
        and (end_c := point.end_temp_c(spot)) is not None
    }
    kept_k = {spot: k for spot, k in ahead.left_k.items() if spot not in spots}
    return replace(point, ahead=replace(ahead, left_k=kept_k | left_k))


def _moved(point: LoadPoint, quantities: Mapping[str, float]) -> LoadPoint:
    if not quantities:
        return point
    return replace(point, **quantities)  # type: ignore[arg-type]  # they are fields of numbers
