"""Turns volts and ohms of a temperature sensor into degrees. PURE: numbers in, numbers out.

Pt100 after IEC 60751:2008; thermocouples K and T after the ITS-90 reference functions
of NIST Monograph 175 (1993), inverted numerically, so that there is one set of
coefficients; NTC after the beta equation. Called by `thermometers.py`. A value
outside the range of its function raises `ValueError`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

ZERO_C_IN_K = 273.15

# IEC 60751:2008, 4.2: R(t) = R0 (1 + A t + B t^2 [+ C (t - 100) t^3 below 0 °C])
PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
PT_LEAST_C, PT_MOST_C = -200.0, 850.0

# NIST Monograph 175 / ITS-90 database: E [mV] = sum c_i t^i, t in °C, reference at 0 °C
_K_BELOW_0 = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE_0 = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_HUMP = (0.118597600000e00, -0.118343200000e-03, 0.126968600000e03)  # a0 exp(a1 (t - a2)^2)
_T_BELOW_0 = (
    0.0,
    0.387481063640e-01,
    0.441944343470e-04,
    0.118443231050e-06,
    0.200329735540e-07,
    0.901380195590e-09,
    0.226511565930e-10,
    0.360711542050e-12,
    0.384939398830e-14,
    0.282135219250e-16,
    0.142515947790e-18,
    0.487686622860e-21,
    0.107955392700e-23,
    0.139450270620e-26,
    0.797951539270e-30,
)
_T_ABOVE_0 = (
    0.0,
    0.387481063640e-01,
    0.332922278800e-04,
    0.206182434040e-06,
    -0.218822568460e-08,
    0.109968809280e-10,
    -0.308157587720e-13,
    0.454791352900e-16,
    -0.275129016730e-19,
)
THERMOCOUPLE_LIMITS_C = {"K": (-200.0, 1372.0), "T": (-200.0, 400.0)}


def pt_resistance_ohm(temp_c: float, r0_ohm: float = 100.0) -> float:
    """Resistance [ohm] of a platinum thermometer at `temp_c` [°C] (IEC 60751:2008, 4.2)."""
    _within(temp_c, PT_LEAST_C, PT_MOST_C, "°C")
    below = PT_C * (temp_c - 100.0) * temp_c**3 if temp_c < 0.0 else 0.0
    return r0_ohm * (1.0 + PT_A * temp_c + PT_B * temp_c**2 + below)


def pt_temp_c(resistance_ohm: float, r0_ohm: float = 100.0) -> float:
    """Temperature [°C] of a platinum thermometer of `resistance_ohm` [ohm]; inverse of the above.

    At 0 °C and above the quadratic is solved, below Newton's steps start from that root.
    """
    least, most = pt_resistance_ohm(PT_LEAST_C, r0_ohm), pt_resistance_ohm(PT_MOST_C, r0_ohm)
    _within(resistance_ohm, least, most, "ohm")
    ratio = resistance_ohm / r0_ohm
    root = math.sqrt(PT_A**2 - 4.0 * PT_B * (1.0 - ratio))
    temp_c = (root - PT_A) / (2.0 * PT_B)
    if temp_c >= 0.0:
        return temp_c
    for _ in range(10):
        slope = PT_A + 2.0 * PT_B * temp_c + PT_C * (4.0 * temp_c**3 - 300.0 * temp_c**2)
        value = 1.0 + PT_A * temp_c + PT_B * temp_c**2 + PT_C * (temp_c - 100.0) * temp_c**3
        temp_c += (ratio - value) / slope
    return temp_c


def ntc_temp_c(resistance_ohm: float, r25_ohm: float = 10_000.0, beta_k: float = 3950.0) -> float:
    """Temperature [°C] of an NTC by the beta equation: 1/T = 1/T25 + ln(R/R25)/B, T in kelvin."""
    if not 0.0 < resistance_ohm < math.inf:
        raise ValueError(f"{resistance_ohm!r} ohm is no resistance of an NTC")
    inverse = 1.0 / (25.0 + ZERO_C_IN_K) + math.log(resistance_ohm / r25_ohm) / beta_k
    if inverse <= 0.0:
        raise ValueError(f"{resistance_ohm!r} ohm is outside the range of the beta equation")
    temp_c = 1.0 / inverse - ZERO_C_IN_K
    _within(temp_c, -80.0, 300.0, "°C")
    return temp_c


def thermocouple_emf_mv(kind: str, temp_c: float) -> float:
    """Emf [mV] of a thermocouple "K" or "T" at `temp_c` [°C], reference junction at 0 °C."""
    _within(temp_c, *THERMOCOUPLE_LIMITS_C[kind], "°C")
    if kind == "T":
        return _polynomial(_T_BELOW_0 if temp_c < 0.0 else _T_ABOVE_0, temp_c)
    if temp_c < 0.0:
        return _polynomial(_K_BELOW_0, temp_c)
    a0, a1, a2 = _K_HUMP
    return _polynomial(_K_ABOVE_0, temp_c) + a0 * math.exp(a1 * (temp_c - a2) ** 2)


def thermocouple_temp_c(kind: str, emf_mv: float, cold_junction_c: float) -> float:
    """Temperature [°C] of the hot junction from the emf [mV] measured at the terminals.

    The emf of the cold junction at `cold_junction_c` [°C] is added; temperatures must
    never be added, since the functions are not straight.
    """
    total_mv = emf_mv + thermocouple_emf_mv(kind, cold_junction_c)
    least_c, most_c = THERMOCOUPLE_LIMITS_C[kind]
    _within(total_mv, thermocouple_emf_mv(kind, least_c), thermocouple_emf_mv(kind, most_c), "mV")
    return _bisect(lambda temp_c: thermocouple_emf_mv(kind, temp_c) - total_mv, least_c, most_c)


def _polynomial(coefficients: Sequence[float], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value


def _bisect(rising: Callable[[float], float], least: float, most: float) -> float:
    """Halve [least, most] until a ten-millionth of a degree encloses the root."""
    while most - least > 1e-7:
        middle = 0.5 * (least + most)
        least, most = (least, middle) if rising(middle) > 0.0 else (middle, most)
    return 0.5 * (least + most)


def _within(value: float, least: float, most: float, unit: str) -> None:
    if not least <= value <= most:
        raise ValueError(
            f"{value:g} {unit} is outside the sensor's range of {least:g} to {most:g} {unit}"
        )
