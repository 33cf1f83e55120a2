"""Heat in the steady state: thermal resistance, settled temperature, end of a warm-up.

Pure arithmetic; called by derating and by the reports. It knows one lumped resistance
from a spot to the air; how a spot gets warm over time is the simulator's business.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

REFERENCE_TEMP_C = 25.0
"""Temperature at which losses are stated [°C]."""

LEAST_RISE_K = 5.0
"""A rise below this is too small beside a thermometer's error to judge a ratio by [K]."""


@dataclass(frozen=True, slots=True)
class ThermalResistance:
    """Spot to ambient [K/W]; `spread` is (greatest - least) / mean of the single soaks."""

    k_per_w: float
    spread: float
    soaks: int

    def rise_k(self, ploss_w: float) -> float:
        """Rise above ambient [K] at a loss [W]."""
        return self.k_per_w * ploss_w


def thermal_resistance(
    rises_k: Sequence[float], plosses_w: Sequence[float]
) -> ThermalResistance | None:
    """Least-squares line through the origin of rises [K] over losses [W] of settled soaks.

    Soaks with more loss weigh more, as their rise is known better. None when no soak
    has a loss above zero.
    """
    pairs = [(rise, loss) for rise, loss in zip(rises_k, plosses_w, strict=True) if loss > 0.0]
    if not pairs:
        return None
    k_per_w = sum(rise * loss for rise, loss in pairs) / sum(loss * loss for _, loss in pairs)
    single = [rise / loss for rise, loss in pairs if rise >= LEAST_RISE_K]
    spread = (max(single) - min(single)) * len(single) / sum(single) if single else 0.0
    return ThermalResistance(k_per_w, spread, len(pairs))


def settled_temp_c(
    ambient_temp_c: float, k_per_w: float, base_loss_w: float, growth_per_k: float
) -> float | None:
    """Where a spot settles [°C] when its loss grows as it warms; None when it runs away.

    `base_loss_w` [W] is the loss at the reference temperature; it grows by `growth_per_k`
    [1/K], linearly. Solves T = T_amb + R P (1 + growth (T - T_ref)), which has no steady
    solution once R P growth reaches one.
    """
    loop_gain = k_per_w * base_loss_w * growth_per_k
    if loop_gain >= 1.0:
        return None
    rise_k = ambient_temp_c - REFERENCE_TEMP_C + k_per_w * base_loss_w
    return REFERENCE_TEMP_C + rise_k / (1.0 - loop_gain)


def end_temp_c(first_c: float, second_c: float, third_c: float) -> float | None:
    """Where a single-exponential warm-up or cool-down ends [°C], from three readings.

    The readings are equally spaced in time: T_end = (T1 T3 - T2^2) / (T1 + T3 - 2 T2), the
    limit of a geometric sequence (Aitken's delta-squared process). None when the steps do
    not shrink in one direction, for then no end is in sight.
    """
    ratio = _ratio(first_c, second_c, third_c)
    if ratio is None:
        return None
    return second_c + (third_c - second_c) / (1.0 - ratio)


def time_constant_s(
    first_c: float, second_c: float, third_c: float, spacing_s: float
) -> float | None:
    """Time constant [s] of the same three readings, taken `spacing_s` [s] apart; or None."""
    ratio = _ratio(first_c, second_c, third_c)
    return None if ratio is None else -spacing_s / math.log(ratio)


def _ratio(first_c: float, second_c: float, third_c: float) -> float | None:
    if second_c == first_c:
        return None
    ratio = (third_c - second_c) / (second_c - first_c)
    return ratio if 0.0 < ratio < 1.0 else None
