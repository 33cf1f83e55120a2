"""The diode law, shared by the catch diode, the body diode and the input protection.

Pure functions of one frozen set of parameters. Source: W. Shockley, Bell System
Technical Journal 28 (1949); junction charge from A. S. Grove, "Physics and Technology
of Semiconductor Devices" (1967), ch. 6, in the form every circuit simulator uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log1p
from typing import Annotated

from annotated_types import Ge, Gt, Interval

THERMAL_V = 1.380649e-23 * 300.15 / 1.602176634e-19
"""kT/q at 27 °C [V], constants of the SI (BIPM brochure, 9th edition, 2019)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Diode:
    """A junction: IS [A], N, RS [ohm], and its capacitance CJO [F], VJ [V], M.

    `leakage_a` [A] is what it passes backwards.
    """

    saturation_a: Annotated[float, Gt(0)] = 5e-6
    emission: Annotated[float, Gt(0)] = 1.05
    series_ohm: Annotated[float, Ge(0)] = 0.03
    junction_f: Annotated[float, Ge(0)] = 0.0
    junction_v: Annotated[float, Gt(0)] = 0.4
    grading: Annotated[float, Interval(gt=0, lt=1)] = 0.45
    leakage_a: Annotated[float, Ge(0)] = 0.0


def drop_v(diode: Diode, i_a: float) -> float:
    """Forward drop at `i_a` [V]: i = IS (exp(v / N Vt) - 1), plus RS; exact in current."""
    slope_v = diode.emission * THERMAL_V
    return slope_v * log1p(max(i_a, 0.0) / diode.saturation_a) + i_a * diode.series_ohm


def dynamic_ohm(diode: Diode, i_a: float) -> float:
    """Small-signal resistance at `i_a` [ohm]: the derivative of `drop_v`."""
    return diode.emission * THERMAL_V / (max(i_a, 0.0) + diode.saturation_a) + diode.series_ohm


def mean_drop_v(diode: Diode, low_a: float, high_a: float) -> float:
    """Mean drop while the current runs linearly between two values [V]."""
    if high_a - low_a < 1e-9 * max(high_a, 1e-6):
        return drop_v(diode, high_a)
    slope_v = diode.emission * THERMAL_V
    area = _area_of_log(high_a, diode.saturation_a) - _area_of_log(low_a, diode.saturation_a)
    return slope_v * area / (high_a - low_a) + diode.series_ohm * (low_a + high_a) / 2.0


def mean_loss_w(diode: Diode, low_a: float, high_a: float) -> float:
    """Mean of current times drop while the current runs linearly between two values [W]."""
    if high_a - low_a < 1e-9 * max(high_a, 1e-6):
        return high_a * drop_v(diode, high_a)
    slope_v = diode.emission * THERMAL_V
    moment = _moment_of_log(high_a, diode.saturation_a) - _moment_of_log(low_a, diode.saturation_a)
    square = (low_a * low_a + low_a * high_a + high_a * high_a) / 3.0
    return slope_v * moment / (high_a - low_a) + diode.series_ohm * square


def junction_charge_c(diode: Diode, reverse_v: float) -> float:
    """Charge to bias the junction backwards by `reverse_v` [C]: integral of CJO/(1+v/VJ)^M."""
    if diode.junction_f == 0.0 or reverse_v <= 0.0:
        return 0.0
    power = 1.0 - diode.grading
    reach: float = (1.0 + reverse_v / diode.junction_v) ** power - 1.0
    return diode.junction_f * diode.junction_v / power * reach


def forward_charge_c(diode: Diode, forward_v: float) -> float:
    """Depletion charge of a junction biased forwards [C]: the same integral the other way.

    From VJ / 2 on the capacitance is taken to rise on its tangent, as circuit simulators
    do (their FC = 0.5).
    """
    half_v = 0.5 * diode.junction_v
    power = 1.0 - diode.grading
    curved_v = min(forward_v, half_v)
    reach: float = 1.0 - (1.0 - curved_v / diode.junction_v) ** power
    charge_c = diode.junction_f * diode.junction_v / power * reach
    beyond_v = max(forward_v - half_v, 0.0)
    at_half_f: float = diode.junction_f * 0.5**-diode.grading
    steeper = 1.0 + diode.grading * beyond_v / diode.junction_v
    return charge_c + at_half_f * beyond_v * steeper


def junction_energy_j(diode: Diode, reverse_v: float) -> float:
    """Energy held by that charge [J]: integral of v C(v) dv."""
    if diode.junction_f == 0.0 or reverse_v <= 0.0:
        return 0.0
    power = 2.0 - diode.grading
    reach: float = (1.0 + reverse_v / diode.junction_v) ** power - 1.0
    whole = diode.junction_f * diode.junction_v**2 / power * reach
    return whole - diode.junction_v * junction_charge_c(diode, reverse_v)


def _area_of_log(i_a: float, scale_a: float) -> float:
    """Integral of ln(1 + i/s) from 0 to i."""
    return (i_a + scale_a) * log1p(i_a / scale_a) - i_a


def _moment_of_log(i_a: float, scale_a: float) -> float:
    """Integral of i ln(1 + i/s) from 0 to i."""
    return 0.5 * ((i_a**2 - scale_a**2) * log1p(i_a / scale_a) - i_a**2 / 2.0 + scale_a * i_a)
