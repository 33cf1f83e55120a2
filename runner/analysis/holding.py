"""Up to which load an output holds: its tolerance and the current limit that was seen.

Holds the measured point as derating sees it. Pure; called by derating and the reports.
It reads measured outputs only and never guesses one beyond the loads tried.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

Kind = Literal["fast", "soaked"]
KINDS: tuple[Kind, ...] = ("soaked", "fast")
"""In the order of what is trusted first; points of two kinds never share a curve."""

COLLAPSED = 0.10
"""An output this far off its set voltage is no longer a converter in regulation (common
practice, no source)."""


@dataclass(frozen=True, slots=True)
class Ahead:
    """The predicted end of the soak a point was read after, seen from the point.

    `left_k` is what each thermometer, by name, has still to rise and `u_k` its standard
    uncertainty [K]; `loss_ratio` is the loss at the end over that at the point.
    """

    left_k: Mapping[str, float]
    u_k: Mapping[str, float] = field(default_factory=dict)
    loss_ratio: float = 1.0


@dataclass(frozen=True, slots=True)
class LoadPoint:
    """One measured point: currents [A], voltages [V], loss [W], temperatures [°C] or None.

    `settled` is meant thermally for a soaked point, electrically for a fast one. `holds` is
    False when the load could not draw what was asked; `fed` is False when the supply limited
    the input, so that the numbers say nothing about the module. The readings are those of the
    point; where its soak was ended by prediction `ahead` leads from them to the end.
    """

    line_v: float
    iout_set_a: float
    iout_a: float
    vout_v: float
    ploss_w: float
    ambient_temp_c: float | None = None
    case_temp_c: float | None = None
    hot_spot_temp_c: float | None = None
    kind: Kind = "fast"
    settled: bool = True
    holds: bool = True
    fed: bool = True
    ahead: Ahead | None = None
    capacitor_temp_c: float | None = None

    @property
    def is_settled_soak(self) -> bool:
        """True for a point in thermal equilibrium."""
        return self.kind == "soaked" and self.settled

    def end_temp_c(self, spot: str) -> float | None:
        """Where a spot, by the name of its reading, ends [°C]; None where that is not known."""
        temp_c: float | None = getattr(self, spot)
        if self.ahead is None or temp_c is None:
            return temp_c
        left_k = self.ahead.left_k.get(spot)
        return None if left_k is None else temp_c + left_k

    @property
    def end_ploss_w(self) -> float:
        """The loss at that end [W]."""
        return self.ploss_w if self.ahead is None else self.ploss_w * self.ahead.loss_ratio


@dataclass(frozen=True, slots=True)
class OutputLimits:
    """The set voltage [V] and how far the output may be from it (0..1), None for no limit."""

    vout_set_v: float
    tolerance: float | None

    def deviation(self, point: LoadPoint) -> float:
        """How far the output is from its set voltage, above it positive."""
        return point.vout_v / self.vout_set_v - 1.0


def is_sound(point: LoadPoint, limits: OutputLimits) -> bool:
    """True where the module converts in regulation, so that its loss follows the loss model."""
    still = point.settled or point.kind == "soaked"  # a soak that never ended is still a reading
    return still and point.fed and point.holds and abs(limits.deviation(point)) <= COLLAPSED


def tolerance_load_a(points: Sequence[LoadPoint], limits: OutputLimits) -> float | None:
    """The load [A] at which the output of one line leaves its tolerance; None if it never does.

    Interpolated between neighbouring points; quick and soaked points are looked at apart and
    the lesser load counts. 0.0 when no load at all is within tolerance.
    """
    curves = [_curve(points, kind) for kind in KINDS]
    loads = [_leaves_at_a(curve, limits) for curve in curves if curve]
    return min((load_a for load_a in loads if load_a is not None), default=None)


def current_limit_a(points: Sequence[LoadPoint]) -> float | None:
    """The greatest load [A] of one line that held below the least one that did not, or None."""
    failed_a = least_failed_a(points)
    if failed_a is None:
        return None
    held = [point.iout_a for point in points if point.holds and point.iout_set_a < failed_a]
    return max(0.0, max(held, default=0.0))


def least_failed_a(points: Sequence[LoadPoint]) -> float | None:
    """The least load [A] that was asked for on one line and did not hold, or None."""
    failed = (p.iout_set_a for p in points if p.fed and not p.holds and p.iout_set_a > 0.0)
    return min(failed, default=None)


def vout_at(points: Sequence[LoadPoint], iout_a: float) -> float | None:
    """The output [V] of one line between measured loads; None beyond them.

    Soaked points are taken where they reach around the load, else the quick ones.
    """
    for kind in KINDS:
        curve = _curve(points, kind)
        for below, above in pairwise(curve):
            if below.iout_a <= iout_a <= above.iout_a:
                return _between(below, above, iout_a)
    return None


def _curve(points: Sequence[LoadPoint], kind: Kind) -> list[LoadPoint]:
    some = (p for p in points if p.kind == kind and p.settled and p.fed and p.holds)
    return sorted(some, key=lambda point: point.iout_a)


def _between(below: LoadPoint, above: LoadPoint, iout_a: float) -> float:
    span_a = above.iout_a - below.iout_a
    share = (iout_a - below.iout_a) / span_a if span_a > 0.0 else 0.0
    return below.vout_v + share * (above.vout_v - below.vout_v)


def _leaves_at_a(curve: Sequence[LoadPoint], limits: OutputLimits) -> float | None:
    """Where the curve, by rising load, goes out after having been in; 0.0 if it never is in.

    Light loads ahead of the first good point do not count: the question is how far up it goes.
    """
    if limits.tolerance is None:
        return None
    inside = [abs(limits.deviation(point)) <= limits.tolerance for point in curve]
    if True not in inside:
        return 0.0
    first = inside.index(True)
    if False not in inside[first:]:
        return None
    out = inside.index(False, first)
    return max(0.0, _crossing_a(curve[out - 1], curve[out], limits))


def _crossing_a(last_in: LoadPoint, first_out: LoadPoint, limits: OutputLimits) -> float:
    before, after = limits.deviation(last_in), limits.deviation(first_out)
    edge = (limits.tolerance or 0.0) * (1.0 if after > 0.0 else -1.0)
    share = (edge - before) / (after - before)
    return last_in.iout_a + share * (first_out.iout_a - last_in.iout_a)
