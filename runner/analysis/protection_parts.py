"""The parts that stand in front of a module: Schottky diode, P-channel transistor, fuse and clamp.

What each takes forwards, hot or cold, and whether it is fit for the place. Called by
`report/protection`; pure. The keys are those of `[protection]` in a module file.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

KELVIN = 273.15
BOLTZMANN_EV = 1.380649e-23 / 1.602176634e-19
"""k/q [V/K]: constants of the SI (BIPM brochure, 9th edition, 2019)."""
STATED_AT_C = 27.0
"""Where a diode's parameters hold: 300.15 K, the nominal temperature of circuit simulators."""
BARRIER_EV, SATURATION_POWER = 0.69, 2.0
"""Of a Schottky barrier: EG and XTI in the diode model of circuit simulators (from memory; the
model is that of SPICE 2, L. W. Nagel, Memo ERL-M520, Berkeley 1975)."""

COLD_C = 25.0
CHANNEL_GROWTH_PER_K = 0.005
"""On-resistance of a transistor: a half more at 125 °C (common practice, no source)."""
METAL_GROWTH_PER_K = 0.0039
"""Resistance of copper and silver near room temperature [1/K]; handbooks give 0.0038 to 0.0040."""
FUSE_HOT_SHARE = 0.5
"""A fuse at its rated current has a half more resistance than cold (common practice, no source)."""
FUSE_CONTINUOUS = 0.75
"""Share of its rating that a fuse carries for ever at 25 °C (common practice, no source)."""
FUSE_DERATING_PER_K = 0.003
"""What it carries less for each kelvin above 25 °C (common practice, no source)."""
CLAMP_TOLERANCE = 0.05
"""How far a clamp's voltage may be from what is stated (common practice, no source)."""
GATE_V = 20.0
"""What the gate of a common transistor bears (common practice, no source)."""


# ------------------------------------------------------------------------------- drops


@dataclass(frozen=True, slots=True)
class SeriesDiode:
    """A Schottky diode: i = IS (exp(v / N Vt) - 1) and a resistance; `leakage_a` backwards.

    Saturation current and leakage grow with heat alike, thermionic emission over one barrier.
    """

    saturation_a: float
    emission: float
    series_ohm: float
    leakage_a: float = 0.0

    def drop_v(self, i_a: float, temp_c: float) -> float:
        """Forward drop at `i_a` [A] and its own temperature [°C]."""
        slope_v = self.emission * BOLTZMANN_EV * (temp_c + KELVIN)
        hot_a = self.saturation_a * self.growth(temp_c) ** (1.0 / self.emission)
        return slope_v * math.log1p(max(i_a, 0.0) / hot_a) + i_a * self.series_ohm

    def growth(self, temp_c: float) -> float:
        """By how much more a barrier emits at `temp_c` [°C] than where it is stated."""
        hot_k, stated_k = temp_c + KELVIN, STATED_AT_C + KELVIN
        barrier = BARRIER_EV / BOLTZMANN_EV * (1.0 / stated_k - 1.0 / hot_k)
        return float((hot_k / stated_k) ** SATURATION_POWER) * math.exp(barrier)

    def reversed_w(self, reverse_v: float, temp_c: float) -> float:
        """What heats it with the line reversed [W]."""
        return reverse_v * self.leakage_a * self.growth(temp_c)


def diode_through(drop_v: float, i_a: float, emission: float, series_ohm: float) -> float:
    """The saturation current [A] of a diode that drops `drop_v` [V] at `i_a` [A], at 27 °C.

    Raises ValueError where its resistance alone takes as much.
    """
    junction_v = drop_v - series_ohm * i_a
    if junction_v <= 0.0:
        raise ValueError(f"{series_ohm:g} ohm alone takes {series_ohm * i_a:g} V at {i_a:g} A")
    slope_v = emission * BOLTZMANN_EV * (STATED_AT_C + KELVIN)
    return i_a / math.expm1(junction_v / slope_v)


@dataclass(frozen=True, slots=True)
class SeriesResistance:
    """A transistor that is on, or a fuse: a resistance at 25 °C that grows with heat.

    `hot_share` is what it gains by its own current at `rated_a` [A], and with its square.
    """

    ohm: float
    growth_per_k: float = 0.0
    hot_share: float = 0.0
    rated_a: float = math.inf

    def drop_v(self, i_a: float, temp_c: float) -> float:
        """Drop at `i_a` [A] and its own temperature [°C]."""
        warm = max(1.0 + self.growth_per_k * (temp_c - COLD_C), 0.0)
        return i_a * self.ohm * warm * (1.0 + self.hot_share * (i_a / self.rated_a) ** 2)


# ------------------------------------------------------------------- fit for the place?


def settles_reversed(
    diode: SeriesDiode, reverse_v: float, ambient_temp_c: float, k_per_w: float, most_temp_c: float
) -> float | None:
    """Where a diode comes to rest with the line reversed [°C]; None where it runs away.

    Its leakage heats it, heat makes it leak more: above some ambient there is no balance below
    `most_temp_c` [°C]. From the ambient upwards the steps all go one way, to the lowest one.
    """
    temp_c = ambient_temp_c
    for _ in range(100_000):
        next_c = ambient_temp_c + k_per_w * diode.reversed_w(reverse_v, temp_c)
        if next_c > most_temp_c:
            return None
        if next_c - temp_c < 1e-6:
            return next_c
        temp_c = next_c
    return None


def fuse_carries_a(fuse_a: float, ambient_temp_c: float) -> float:
    """What a fuse of a rating [A] carries for ever in this air [A]."""
    warm = max(0.0, 1.0 - FUSE_DERATING_PER_K * (ambient_temp_c - COLD_C))
    return FUSE_CONTINUOUS * fuse_a * min(warm, 1.0)


@dataclass(frozen=True, slots=True)
class Clamp:
    """A clamp across the module: from where it conducts [V], its resistance there [ohm]."""

    begins_v: float
    ohm: float

    @property
    def least_v(self) -> float:
        """Below this it surely does not conduct [V]."""
        return self.begins_v * (1.0 - CLAMP_TOLERANCE)

    def bears_a(self, abs_max_v: float) -> float:
        """The current it takes off before `abs_max_v` [V] stands at the module; 0 where none."""
        return max(0.0, abs_max_v - self.begins_v * (1.0 + CLAMP_TOLERANCE)) / self.ohm


def clamp_faults(clamp: Clamp, line_max_v: float, abs_max_v: float) -> Iterator[str]:
    """What is wrong with a clamp between the greatest line and what the module bears, in words."""
    if clamp.least_v < line_max_v:
        yield (
            f"the clamp may conduct from {clamp.least_v:.4g} V on (5 % below {clamp.begins_v:g} V) "
            f"and the line goes up to {line_max_v:g} V: it would burn, or blow the fuse; take one "
            f"from {line_max_v / (1.0 - CLAMP_TOLERANCE):.3g} V on"
        )
    if clamp.bears_a(abs_max_v) <= 0.0:
        yield (
            f"the clamp may begin only at {clamp.begins_v * (1.0 + CLAMP_TOLERANCE):.4g} V, and "
            f"the module bears {abs_max_v:g} V: it protects nothing"
        )
