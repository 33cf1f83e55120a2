"""Where the next load of a sweep tells most about the efficiency curve.

Between two loads the curve is read off a parabola of the loss (`interpolation`); what that leaves
out is about the next term, the third divided difference (Newton's form; any text on numerical
analysis). Called by sequences; pure and deterministic. Nothing here knows a bench.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple, Protocol

from runner.analysis.thermal import REFERENCE_TEMP_C

FIRST = 4
"""Loads before the first third difference can be had."""
LEAST_GAP = 0.02
"""Loads nearer than this, of the greatest, tell nothing new: the judge takes them as one."""
UNSEEN = 1e-4
"""Efficiency that a gap as wide as its load may hide, whatever its neighbours show: a module
may switch otherwise there (common practice, no source)."""
ROUND = (0.3, 0.7)
"""A load somebody asks for that lies in this part of a gap is taken instead of its middle."""


class CurvePoint(Protocol):
    """What is needed of a measured point."""

    @property
    def iout_a(self) -> float:
        """Load [A]."""

    @property
    def vout_v(self) -> float:
        """Output [V]."""

    @property
    def ploss_w(self) -> float:
        """Loss [W]."""

    @property
    def hot_spot_temp_c(self) -> float | None:
        """Hot spot [°C], None where it is not known."""


class _Place(NamedTuple):
    """A load [A], output [V] and the loss at one temperature [W]."""

    iout_a: float
    vout_v: float
    ploss_w: float


@dataclass(frozen=True, slots=True)
class NextLoad:
    """A load [A], and by how much the efficiency (0..1) read off there may be wrong now."""

    iout_a: float
    doubt: float


def next_load(points: Iterable[CurvePoint], asked_a: Sequence[float] = ()) -> NextLoad | None:
    """The load [A] at which the curve is in most doubt; None with too few points or no gap left.

    `asked_a` are loads that somebody asks about: one near the middle of the gap is taken. Losses
    are brought to one temperature first, as the module heats and cools from load to load.
    """
    curve = _curve(points)
    if len(curve) < FIRST:
        return None
    return max(_candidates(curve, asked_a), key=lambda one: one.doubt, default=None)


def _curve(points: Iterable[CurvePoint]) -> list[_Place]:
    """By rising load, no load twice; without a load a module switches otherwise."""
    places = {round(point.iout_a, 6): _cooled(point) for point in points if point.iout_a > 0.0}
    return [places[load_a] for load_a in sorted(places)]


def _cooled(point: CurvePoint) -> _Place:
    """The point with the loss it would have at the reference temperature."""
    from runner.analysis.drift import GROWTH_PER_K  # scipy behind it: sequences import this module

    warmer_k = (point.hot_spot_temp_c or REFERENCE_TEMP_C) - REFERENCE_TEMP_C
    loss_w = point.ploss_w / (1.0 + GROWTH_PER_K * warmer_k)
    return _Place(point.iout_a, point.vout_v, loss_w)


def _candidates(curve: Sequence[_Place], asked_a: Sequence[float]) -> Iterator[NextLoad]:
    """One load in each gap that is wide enough to be divided."""
    for k, (low, high) in enumerate(pairwise(curve)):
        gap_a = high.iout_a - low.iout_a
        if gap_a >= LEAST_GAP * curve[-1].iout_a:
            middle_a = low.iout_a + gap_a / 2.0
            doubt = _doubt(curve, k, middle_a) + UNSEEN * gap_a / middle_a
            inside = [a for a in asked_a if ROUND[0] <= (a - low.iout_a) / gap_a <= ROUND[1]]
            load_a = min(inside, key=lambda a: abs(a - middle_a), default=middle_a)
            yield NextLoad(round(load_a, 6), doubt)


def _doubt(curve: Sequence[_Place], k: int, load_a: float) -> float:
    """Next term of the parabola in the gap above point k, as an efficiency."""
    third = _typical_third(curve, k)
    beside = [curve[j].iout_a for j in (k - 1, k + 2) if 0 <= j < len(curve)]
    nearest_a = min(beside, key=lambda other_a: abs(other_a - load_a))
    low, high = curve[k], curve[k + 1]
    off_w = abs(third * (load_a - low.iout_a) * (load_a - high.iout_a) * (load_a - nearest_a))
    pout_w = load_a * (low.vout_v + high.vout_v) / 2.0
    pin_w = pout_w + (low.ploss_w + high.ploss_w) / 2.0
    return off_w * pout_w / pin_w**2 if pin_w > 0.0 else 0.0


def _typical_third(curve: Sequence[_Place], k: int) -> float:
    """The middle one of the third differences that the gap above point k is part of [W/A³].

    One alone may be blind: a break in the very middle of its four points does not show.
    """
    starts = range(max(0, k - 2), min(k, len(curve) - FIRST) + 1)
    sizes = sorted(abs(_third(curve[start : start + FIRST])) for start in starts)
    return sizes[len(sizes) // 2]


def _third(curve: Sequence[_Place]) -> float:
    """Third divided difference of the loss [W/A³] over four points."""
    loads, values = [p.iout_a for p in curve], [p.ploss_w for p in curve]
    for order in range(1, len(curve)):
        values = [
            (values[j + 1] - values[j]) / (loads[j + order] - loads[j])
            for j in range(len(curve) - order)
        ]
    return values[0]
