"""One loss over line and load, and what a derating would gain from one more soak.

P = [a0 + a1 V + (b0 + b1 V + b2/V) I + (c0 + c1/V) I^2] (1 + growth (T - 25 °C)). Pure; called by
sequences that choose their soaks. The form follows from the duty a buck conducts with: within
0.8 % of circuit simulations over line (tests/data), where terms linear in V are 6.9 % off.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.analysis.loss import LEAST_LOADS, MODEL_ERROR_W, LossPoint
from runner.analysis.thermal import REFERENCE_TEMP_C

Array = NDArray[np.float64]
Term = Callable[[Array, Array], Array]

TERMS: tuple[tuple[str, Term], ...] = (
    ("a0", lambda v, i: np.ones_like(v)),
    ("b0", lambda v, i: i),
    ("c0", lambda v, i: i * i),
    ("b1", lambda v, i: v * i),
    ("a1", lambda v, i: v),
    ("c1", lambda v, i: i * i / v),
    ("b2", lambda v, i: i / v),
)
"""By their order a map gives up terms that its points do not carry: the last ones first."""

LINES_FOR = {"b1": 2, "a1": 2, "c1": 3, "b2": 3}
"""Different lines that a term over line needs."""
FREE = 1
"""Points beyond the terms, so that the residual says something."""


@dataclass(frozen=True, slots=True)
class LossMap:
    """The coefficients by name, their covariance, and what they leave of the points [W]."""

    names: tuple[str, ...]
    coefficients: Array
    covariance: Array
    residual_w: float
    greatest_w: float
    growth_per_k: float
    points: int

    def base_w(self, line_v: float, iout_a: float) -> float:
        """Loss [W] at 25 °C."""
        return float(_row(self.names, line_v, iout_a) @ self.coefficients)

    def loss_w(self, line_v: float, iout_a: float, temp_c: float) -> float:
        """Loss [W] with the spot at `temp_c` [°C]."""
        return self.base_w(line_v, iout_a) * self.factor(temp_c)

    def base_u_w(self, line_v: float, iout_a: float) -> float:
        """Standard uncertainty of `base_w` [W], from the scatter about the map."""
        row = _row(self.names, line_v, iout_a)
        return math.sqrt(max(0.0, float(row @ self.covariance @ row)))

    def factor(self, temp_c: float) -> float:
        """By what the loss at 25 °C is multiplied at `temp_c` [°C]."""
        return 1.0 + self.growth_per_k * (temp_c - REFERENCE_TEMP_C)

    def load_a(self, line_v: float, base_w: float) -> float:
        """Greatest load [A] with no more than `base_w` [W] at 25 °C; 0.0 when idling takes more."""
        named = dict(zip(self.names, self.coefficients.tolist(), strict=True))
        a = named["a0"] + named.get("a1", 0.0) * line_v - base_w
        b = named["b0"] + named.get("b1", 0.0) * line_v + named.get("b2", 0.0) / line_v
        c = named["c0"] + named.get("c1", 0.0) / line_v
        inside = b * b - 4.0 * a * c
        if a >= 0.0:
            return 0.0
        root = math.sqrt(inside) if inside > 0.0 else -b
        return -2.0 * a / (b + root) if b + root > 0.0 else math.inf


class CannotMapError(ValueError):
    """The points carry no map; the message says what is missing."""


def fit_map(
    points: Sequence[LossPoint], growth_per_k: float, u_w: Sequence[float] | None = None
) -> LossMap:
    """Weighted least squares, with as many terms as the points carry.

    `u_w` are the standard uncertainties of single losses [W], equal where left out: relative
    weights would give the light loads the say, where the form is worst. The covariance is scaled
    by the scatter, taken no smaller than the model's own error. Raises CannotMapError with fewer
    than three loads.
    """
    lines, loads = {point.line_v for point in points}, {point.iout_a for point in points}
    if len(loads) < LEAST_LOADS:
        raise CannotMapError(f"{len(loads)} different loads; a loss over load needs {LEAST_LOADS}")
    able = [name for name, _ in TERMS if LINES_FOR.get(name, 1) <= len(lines)]
    names = tuple(able[: max(LEAST_LOADS, len(points) - FREE)])
    warm = np.array([1.0 + growth_per_k * (p.temp_c - REFERENCE_TEMP_C) for p in points])
    rows = np.array([_row(names, p.line_v, p.iout_a) for p in points]) * warm[:, None]
    losses_w = np.array([point.ploss_w for point in points])
    weights = np.ones_like(warm) if u_w is None else 1.0 / np.array(u_w, float)
    scale = np.abs(rows * weights[:, None]).max(axis=0)  # columns of V and 1/V differ a lot
    found, *_ = np.linalg.lstsq(rows * weights[:, None] / scale, losses_w * weights, rcond=None)
    coefficients = found / scale
    left_w = losses_w - rows @ coefficients
    freedom = max(1, len(points) - len(names))
    least = float(np.mean((MODEL_ERROR_W * weights) ** 2))
    variance = max(float(((left_w * weights) ** 2).sum()) / freedom, least)
    normal = (rows * weights[:, None]).T @ (rows * weights[:, None])
    return LossMap(
        names,
        np.asarray(coefficients, float),
        np.asarray(np.linalg.pinv(normal) * variance, float),
        float(np.sqrt(np.mean(left_w**2))),
        float(np.abs(left_w).max()),
        growth_per_k,
        len(points),
    )


def _row(names: Sequence[str], line_v: float, iout_a: float) -> Array:
    line, load = np.array([line_v]), np.array([iout_a])
    return np.array([term(line, load)[0] for name, term in TERMS if name in names])
