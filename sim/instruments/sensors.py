"""What a bare temperature sensor shows at its wires: ohms or volts at a temperature.

The multimeter uses it when a sensor is wired to it. Platinum after IEC 60751:2008, NTC
after the beta equation, thermocouples K and T after NIST Monograph 175 (ITS-90).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

PT_A, PT_B, PT_C = 3.9083e-3, -5.775e-7, -4.183e-12
NTC_R25_OHM, NTC_BETA_K = 10_000.0, 3950.0
ZERO_C_IN_K = 273.15

# E [mV] = sum c_i t^i, t in °C, reference junction at 0 °C
_ABOVE_0 = {
    "K": (
        *(-0.176004136860e-01, 0.389212049750e-01, 0.185587700320e-04, -0.994575928740e-07),
        *(0.318409457190e-09, -0.560728448890e-12, 0.560750590590e-15, -0.320207200030e-18),
        *(0.971511471520e-22, -0.121047212750e-25),
    ),
    "T": (
        *(0.0, 0.387481063640e-01, 0.332922278800e-04, 0.206182434040e-06),
        *(-0.218822568460e-08, 0.109968809280e-10, -0.308157587720e-13, 0.454791352900e-16),
        -0.275129016730e-19,
    ),
}
_BELOW_0 = {
    "K": (
        *(0.0, 0.394501280250e-01, 0.236223735980e-04, -0.328589067840e-06),
        *(-0.499048287770e-08, -0.675090591730e-10, -0.574103274280e-12, -0.310888728940e-14),
        *(-0.104516093650e-16, -0.198892668780e-19, -0.163226974860e-22),
    ),
    "T": (
        *(0.0, 0.387481063640e-01, 0.441944343470e-04, 0.118443231050e-06),
        *(0.200329735540e-07, 0.901380195590e-09, 0.226511565930e-10, 0.360711542050e-12),
        *(0.384939398830e-14, 0.282135219250e-16, 0.142515947790e-18, 0.487686622860e-21),
        *(0.107955392700e-23, 0.139450270620e-26, 0.797951539270e-30),
    ),
}
_K_HUMP = (0.118597600000e00, -0.118343200000e-03, 0.126968600000e03)


def platinum_ohm(temp_c: float) -> float:
    """Return the resistance of a Pt100 [ohm] at `temp_c` [°C] (IEC 60751:2008, 4.2)."""
    below = PT_C * (temp_c - 100.0) * temp_c**3 if temp_c < 0.0 else 0.0
    return 100.0 * (1.0 + PT_A * temp_c + PT_B * temp_c**2 + below)


def ntc_ohm(temp_c: float) -> float:
    """Return the resistance of an NTC of 10 kohm at 25 °C [ohm] at `temp_c` [°C]."""
    inverse = 1.0 / (temp_c + ZERO_C_IN_K) - 1.0 / (25.0 + ZERO_C_IN_K)
    return NTC_R25_OHM * math.exp(NTC_BETA_K * inverse)


def thermocouple_v(kind: str, temp_c: float, cold_junction_c: float) -> float:
    """Return the voltage [V] of a "K" or "T" between `temp_c` and its cold end [°C]."""
    return (_emf_mv(kind, temp_c) - _emf_mv(kind, cold_junction_c)) / 1000.0


def _emf_mv(kind: str, temp_c: float) -> float:
    if temp_c < 0.0:
        return _polynomial(_BELOW_0[kind], temp_c)
    hump_mv = 0.0
    if kind == "K":
        a0, a1, a2 = _K_HUMP
        hump_mv = a0 * math.exp(a1 * (temp_c - a2) ** 2)
    return _polynomial(_ABOVE_0[kind], temp_c) + hump_mv


def _polynomial(coefficients: Sequence[float], x: float) -> float:
    value = 0.0
    for coefficient in reversed(coefficients):
        value = value * x + coefficient
    return value
