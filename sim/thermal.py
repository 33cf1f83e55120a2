"""Heat: a two-stage Foster network, and loss that grows with the hot spot's temperature.

Pure functions. Source: JEDEC JESD51-14 (2010), the Foster form of a thermal impedance,
Z(t) = sum of R (1 - exp(-t / tau)) (from memory); each stage is advanced exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf

from sim.module import Heat


@dataclass(frozen=True, slots=True)
class Rise:
    """What each stage adds [K]: the case is above ambient by `case_k`, the hot spot by both."""

    hot_spot_k: float = 0.0
    case_k: float = 0.0

    @property
    def both_k(self) -> float:
        """The hot spot above ambient [K]."""
        return self.hot_spot_k + self.case_k


def growth(heat: Heat, hot_spot_temp_c: float) -> float:
    """Loss at this hot spot, as a multiple of that at the reference temperature; never below 0."""
    return max(1.0 + heat.loss_growth_per_k * (hot_spot_temp_c - heat.reference_temp_c), 0.0)


def warm(heat: Heat, rise: Rise, loss_w: float, duration_s: float) -> Rise:
    """The rise after a constant loss [W] for a while [s]: exact exponential steps."""
    hot = exp(-duration_s / heat.hot_spot_time_constant_s)
    case = exp(-duration_s / heat.case_time_constant_s)
    return Rise(
        rise.hot_spot_k * hot + loss_w * heat.hot_spot_k_per_w * (1.0 - hot),
        rise.case_k * case + loss_w * heat.case_k_per_w * (1.0 - case),
    )


def steady(heat: Heat, reference_loss_w: float, ambient_temp_c: float) -> Rise:
    """The rise at which heat and loss agree [K]; infinite where the loss runs away.

    Linear growth closes: T (1 - R a P) = Tambient + R P (1 - a Treference).
    """
    both = heat.hot_spot_k_per_w + heat.case_k_per_w
    gain = both * heat.loss_growth_per_k * reference_loss_w
    if gain >= 1.0:
        return Rise(inf, inf)
    loss_w = reference_loss_w * growth(heat, ambient_temp_c) / (1.0 - gain)
    return Rise(heat.hot_spot_k_per_w * loss_w, heat.case_k_per_w * loss_w)
