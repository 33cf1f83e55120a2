"""What soaks so far say of the thermal resistance, line by line, and what doubt that leaves.

The numbers behind `next_soak.py`; pure. Resistance = common + that of the line + slope over
ln(loss): a linear Gaussian model, so that what a soak would tell is known before it is done.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from runner.analysis.loss import ASSUMED_GROWTH_PER_K, MODEL_ERROR_W, LossPoint, fit_losses
from runner.analysis.loss_map import CannotMapError, LossMap, fit_map
from runner.analysis.next_soak import COVERAGE, Ended, Read, Wanted
from runner.analysis.thermal import REFERENCE_TEMP_C, settled_temp_c

Array = NDArray[np.float64]

LINE_SHARE = 0.10 / math.sqrt(3.0)
"""How far the thermal resistance of one line may be from that of another: with the line the loss
moves between the parts (common practice, no source)."""
POWER_SHARE = 0.10
"""How far it may change while the loss changes by e: free convection takes more from a hotter
wall, with the fourth root of the rise (handbook correlation for laminar flow, from memory)."""
WAITED_OUT_U_K = 0.5
"""Standard uncertainty of the rise after a soak that was waited out [K]; one predicted has its
own."""
MARGIN_K = 3.0
"""A soak is not planned closer to the limit than this, two standard uncertainties besides."""
STEP = 0.05
"""Loads are looked at in steps of this share of the greatest."""
UNKNOWN = 10.0


@dataclass(frozen=True, slots=True)
class SoakEnd:
    """A soak at its end: line [V], loss there [W], rise and its standard uncertainty [K]."""

    line_v: float
    ploss_w: float
    rise_k: float
    u_k: float


@dataclass(frozen=True, slots=True)
class Known:
    """Loss map, soaks and what they say: R at each line [K/W] and its slope over ln(loss)."""

    wanted: Wanted
    losses: LossMap
    growth_u_per_k: float
    soaks: tuple[SoakEnd, ...]
    k_per_w: float
    usual_w: float
    state: Array = field(repr=False)

    def solved(self) -> Array:
        """The state by weighted least squares, the prior counting as readings."""
        right = self._prior_right()
        for soak in self.soaks:
            weight = (soak.ploss_w / soak.u_k) ** 2
            row = self._row(soak.line_v, soak.ploss_w)
            right = right + row * weight * soak.rise_k / soak.ploss_w
        return np.asarray(np.linalg.solve(self._information(self.soaks), right), float)

    def loads_a(self) -> list[float]:
        """The loads to choose from [A]."""
        steps = round(1.0 / STEP)
        return [round(k * STEP * self.wanted.most_a, 6) for k in range(3, steps + 1)]

    def stays_cool(self, line_v: float, load_a: float, air_c: float) -> bool:
        """Whether a soak there surely ends below the limit."""
        base_w = self.losses.base_w(line_v, load_a)
        if base_w <= 0.0:
            return False
        k_per_w = self._resistance(line_v, base_w)
        spare = 1.0 + 2.0 * self._share_u(line_v, base_w, self._covariance(()))
        end_c = settled_temp_c(air_c, k_per_w * spare, base_w, self.losses.growth_per_k)
        return end_c is not None and end_c <= self.wanted.hot_spot_max_temp_c - MARGIN_K

    def doubts(self, more: Sequence[tuple[float, float]]) -> dict[tuple[float, float], float]:
        """Standard uncertainty of each greatest load [A], with more soaks than there were."""
        covariance = self._covariance(more)
        places = product(self.wanted.lines_v, self.wanted.ambients_c)
        return {(line_v, air_c): self._u_a(line_v, air_c, covariance) for line_v, air_c in places}

    # --------------------------------------------------------- resistance, line by line

    def _row(self, line_v: float, ploss_w: float) -> Array:
        """R = common + that of the line + slope ln(P / usual)."""
        own = [1.0 if line_v == one else 0.0 for one in self._lines]
        return np.array([1.0, *own, math.log(ploss_w / self.usual_w)])

    @property
    def _lines(self) -> list[float]:
        return sorted({*self.wanted.lines_v, *(soak.line_v for soak in self.soaks)})

    def _prior(self) -> Array:
        shares = [UNKNOWN, *(LINE_SHARE for _ in self._lines), POWER_SHARE]
        return np.diag([1.0 / (share * self.k_per_w) ** 2 for share in shares])

    def _prior_right(self) -> Array:
        expected = np.array([self.k_per_w, *(0.0 for _ in self._lines), 0.0])
        return np.asarray(self._prior() @ expected, float)

    def _information(self, soaks: Sequence[SoakEnd]) -> Array:
        rows = ((self._row(s.line_v, s.ploss_w), s.ploss_w / s.u_k) for s in soaks)
        return sum((np.outer(row, row) * per_u**2 for row, per_u in rows), self._prior())

    def _covariance(self, more: Sequence[tuple[float, float]]) -> Array:
        """Of the state, after more soaks [V], [A] as good as those that were done."""
        u_k = sum(soak.u_k for soak in self.soaks) / len(self.soaks)
        new = [SoakEnd(v, max(self._hot_w(v, a), 1e-6), 0.0, u_k) for v, a in more]
        return np.asarray(np.linalg.inv(self._information((*self.soaks, *new))), float)

    def _hot_w(self, line_v: float, load_a: float) -> float:
        return self.losses.loss_w(line_v, load_a, 0.5 * (REFERENCE_TEMP_C + 100.0))

    def _resistance(self, line_v: float, ploss_w: float) -> float:
        return float(self._row(line_v, max(ploss_w, 1e-6)) @ self.state)

    def _share_u(self, line_v: float, ploss_w: float, covariance: Array) -> float:
        row = self._row(line_v, max(ploss_w, 1e-6))
        return math.sqrt(float(row @ covariance @ row)) / self.k_per_w

    def _u_a(self, line_v: float, air_c: float, covariance: Array) -> float:
        """Standard uncertainty of the load [A] that brings the hot spot to its limit."""
        most_c = self.wanted.hot_spot_max_temp_c
        if most_c <= air_c:
            return 0.0
        warm = self.losses.factor(most_c)
        ploss_w = (most_c - air_c) / self.k_per_w
        for _ in range(3):  # the resistance is that at the loss it allows
            ploss_w = (most_c - air_c) / self._resistance(line_v, ploss_w)
        base_w = ploss_w / warm
        load_a = self.losses.load_a(line_v, base_w)
        if load_a <= 0.0:
            return 0.0
        step_a = 0.01 * self.wanted.most_a
        slope = (self.losses.base_w(line_v, load_a + step_a) - base_w) / step_a
        share = math.hypot(
            self._share_u(line_v, ploss_w, covariance),
            (most_c - REFERENCE_TEMP_C) / warm * self.growth_u_per_k,
        )
        u_a = math.hypot(base_w * share, MODEL_ERROR_W) / max(slope, 1e-9)
        beyond_a = max(0.0, load_a - self.wanted.most_a)  # up there something else limits
        return max(0.0, u_a - beyond_a / COVERAGE)


def known_of(
    points: Sequence[Read], soaks: Sequence[tuple[Read, Ended]], wanted: Wanted
) -> Known | None:
    """What points and soaks say; None without a soak that tells, or with fewer than three loads."""
    seen = tuple(_seen(point, ended) for point, ended in soaks if _counts(point, ended))
    some = [_loss_point(point) for point in points if point.hot_spot_temp_c is not None]
    model = fit_losses(some)
    growth_u_per_k = ASSUMED_GROWTH_PER_K / math.sqrt(3.0)
    if model.growth_fitted and model.growth_u_per_k is not None:
        growth_u_per_k = model.growth_u_per_k
    try:
        losses = fit_map(some, model.growth_per_k)
    except CannotMapError:
        return None
    if not seen:
        return None
    usual_w = math.exp(sum(math.log(one.ploss_w) for one in seen) / len(seen))
    k_per_w = sum(one.rise_k for one in seen) / sum(one.ploss_w for one in seen)
    blank = Known(wanted, losses, growth_u_per_k, seen, k_per_w, usual_w, np.empty(0))
    return replace(blank, state=blank.solved())


def _loss_point(point: Read) -> LossPoint:
    temp_c = point.hot_spot_temp_c
    return LossPoint(
        point.line_set_v,
        point.iout_a,
        REFERENCE_TEMP_C if temp_c is None else temp_c,
        point.ploss_w,
    )


def _counts(point: Read, ended: Ended) -> bool:
    both = point.hot_spot_temp_c is not None and point.ambient_temp_c is not None
    return both and ended.settled and point.ploss_w > 0.0


def _seen(point: Read, ended: Ended) -> SoakEnd:
    """A soak as the choice sees it: where it ended, or will."""
    rise_k = (point.hot_spot_temp_c or 0.0) - (point.ambient_temp_c or 0.0)
    if ended.end_rise_k is None or ended.end_u_k is None:
        return SoakEnd(point.line_set_v, point.ploss_w, rise_k, WAITED_OUT_U_K)
    loss_w = point.ploss_w * ended.end_loss_ratio
    return SoakEnd(point.line_set_v, loss_w, ended.end_rise_k, ended.end_u_k)
