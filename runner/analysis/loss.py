"""The loss model of a module: P(I, T) = (a + b I + c I^2) (1 + growth (T - 25 °C)) a line.

Fitted to measured points, each with its own temperature; called by derating and the
reports. One growth is shared by all lines, since it is one module. Pure: numpy and
scipy, no files. It must not be trusted beyond what `Losses` says it rests on.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar, nnls

from runner.analysis.thermal import REFERENCE_TEMP_C

ASSUMED_GROWTH_PER_K = 0.002
"""Taken when the data cannot tell it: 10 % more loss at 50 K (common practice, no source;
the usual factor for hot resistance and core is 1.05 to 1.15)."""

GREATEST_GROWTH_PER_K = 0.02
GROWTH_U_MOST_PER_K = 0.001
"""A growth known no better than this (5 % of the loss over 50 K) is not used."""

MODEL_ERROR_W = 0.005
"""What a quadratic misses of a switching circuit's loss at one line: 5 mW at most, against the
circuit simulation of tests/data (set A)."""

LEAST_LOADS = 3
_SAME_LOAD = 0.02  # of the greatest load: closer ones count as one


@dataclass(frozen=True, slots=True)
class LossPoint:
    """One measured loss [W] at a line [V], a load [A] and the spot's temperature [°C] then."""

    line_v: float
    iout_a: float
    temp_c: float
    ploss_w: float


@dataclass(frozen=True, slots=True)
class Losses:
    """The loss of one line at 25 °C: a [W], b [W/A], c [W/A^2], and what it rests on."""

    a_w: float
    b_w_per_a: float
    c_w_per_a2: float
    residual_w: float
    points: int

    def base_w(self, iout_a: float) -> float:
        """Loss [W] at 25 °C and `iout_a` [A]."""
        return self.a_w + (self.b_w_per_a + self.c_w_per_a2 * iout_a) * iout_a

    def load_a(self, base_w: float) -> float:
        """Greatest load [A] whose loss at 25 °C is `base_w` [W]; 0.0 when idling takes more."""
        spare_w = base_w - self.a_w
        if spare_w <= 0.0:
            return 0.0
        root = math.sqrt(self.b_w_per_a**2 + 4.0 * self.c_w_per_a2 * spare_w)
        slope = self.b_w_per_a + root
        return 2.0 * spare_w / slope if slope > 0.0 else math.inf


@dataclass(frozen=True, slots=True)
class LossModel:
    """The losses by line [V], and the growth with temperature [1/K] they share.

    `growth_fitted` is False when the growth is the stated assumption, because the data
    could not tell it; `growth_u_per_k` is its standard uncertainty, None when there is none.
    """

    lines: Mapping[float, Losses]
    growth_per_k: float
    growth_u_per_k: float | None
    growth_fitted: bool

    def loss_w(self, line_v: float, iout_a: float, temp_c: float) -> float:
        """Loss [W] at a line that was fitted."""
        return self.lines[line_v].base_w(iout_a) * self.factor(temp_c)

    def factor(self, temp_c: float) -> float:
        """By what the loss at 25 °C is multiplied at `temp_c` [°C]."""
        return 1.0 + self.growth_per_k * (temp_c - REFERENCE_TEMP_C)


def fit_losses(points: Iterable[LossPoint], growth_per_k: float | None = None) -> LossModel:
    """Fit every line that has at least three different loads; other lines are left out.

    `growth_per_k` [1/K] is held where it is given, else fitted or assumed.

    Least squares on absolute residuals, as relative ones would give the light loads, where
    a quadratic is worst, the most weight. a, b and c are not negative: idling, drops and
    resistances all take power. Nor is the growth: losses that fall with heat get no credit.
    """
    lines = {
        line_v: some for line_v, some in _by_line(points).items() if _loads(some) >= LEAST_LOADS
    }
    fitted, growth_u_per_k = False, None
    if growth_per_k is None:
        growth_per_k, growth_u_per_k = _fit_growth(list(lines.values()))
        fitted = growth_u_per_k is not None and growth_u_per_k <= GROWTH_U_MOST_PER_K
        if not fitted:
            growth_per_k = ASSUMED_GROWTH_PER_K
    losses = {line_v: _fit_line(some, growth_per_k) for line_v, some in lines.items()}
    return LossModel(losses, growth_per_k, growth_u_per_k, fitted)


def _by_line(points: Iterable[LossPoint]) -> dict[float, list[LossPoint]]:
    lines: dict[float, list[LossPoint]] = {}
    for point in points:
        lines.setdefault(point.line_v, []).append(point)
    return dict(sorted(lines.items()))


def _loads(points: Sequence[LossPoint]) -> int:
    """How many different loads there are."""
    loads = sorted(point.iout_a for point in points)
    gap_a = _SAME_LOAD * max(abs(loads[0]), abs(loads[-1]))
    return 1 + sum(after - before > gap_a for before, after in pairwise(loads))


def _fit_line(points: Sequence[LossPoint], growth_per_k: float) -> Losses:
    (a_w, b_w_per_a, c_w_per_a2), norm_w = _solve(points, growth_per_k)
    residual_w = norm_w / math.sqrt(len(points))
    return Losses(float(a_w), float(b_w_per_a), float(c_w_per_a2), residual_w, len(points))


def _solve(points: Sequence[LossPoint], growth_per_k: float) -> tuple[NDArray[np.float64], float]:
    loads_a = np.array([point.iout_a for point in points])
    temps_c = np.array([point.temp_c for point in points])
    warm = 1.0 + growth_per_k * (temps_c - REFERENCE_TEMP_C)
    terms = np.column_stack((warm, warm * loads_a, warm * loads_a**2))
    coefficients, norm_w = nnls(terms, np.array([point.ploss_w for point in points]))
    return coefficients, float(norm_w)


def _fit_growth(lines: Sequence[Sequence[LossPoint]]) -> tuple[float, float | None]:
    """The growth [1/K] of least squares over all lines, and its standard uncertainty or None.

    The uncertainty comes from the curvature of the sum of squares at its minimum, with the
    residuals taken no smaller than the model's own error.
    """

    def squares(growth_per_k: float) -> float:
        return sum(_solve(points, growth_per_k)[1] ** 2 for points in lines)

    freedom = sum(len(points) - LEAST_LOADS for points in lines) - 1
    if freedom < 1:
        return ASSUMED_GROWTH_PER_K, None
    search = minimize_scalar(
        squares, bounds=(0.0, GREATEST_GROWTH_PER_K), method="bounded", options={"xatol": 1e-8}
    )
    best = float(search.x)
    step = 1e-4
    curvature = (squares(best + step) - 2.0 * squares(best) + squares(best - step)) / step**2
    if curvature <= 0.0:
        return best, None
    variance_w2 = max(squares(best) / freedom, MODEL_ERROR_W**2)
    return best, math.sqrt(2.0 * variance_w2 / curvature)
