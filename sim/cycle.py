"""The inductor current of one switching period, and what its edges cost.

Shared by buck.py and boost.py: a straight line up and a straight line down. Pure
functions; every loss is that at the reference temperature. Sources: R. W. Erickson and
D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed. (2020), ch. 4 (switching loss).
"""

from __future__ import annotations

from dataclasses import dataclass

from sim import diode
from sim.module import Twin


@dataclass(frozen=True, slots=True)
class Cycle:
    """The inductor current of one period: valley and peak [A], share of it rising and falling.

    `rise_v` and `fall_v` [V] stand across the inductor in those shares. A synchronous
    module in continuous conduction may have a negative valley.
    """

    duty: float
    fall: float
    valley_a: float
    peak_a: float
    continuous: bool
    rise_v: float
    fall_v: float

    @property
    def mean_square_a2(self) -> float:
        """Mean square of the current while it flows [A²]: that of a straight line."""
        return (self.valley_a**2 + self.valley_a * self.peak_a + self.peak_a**2) / 3.0

    @property
    def mean_a(self) -> float:
        """Mean current while it flows [A]."""
        return (self.valley_a + self.peak_a) / 2.0


def edge_share(twin: Twin) -> float:
    """The share of a period that both edges take together."""
    return (twin.switch_rise_s + twin.switch_fall_s) * twin.switching_frequency_hz


def turn_on_j(node: diode.Diode, vin_v: float, i_a: float, rise_s: float, parked_v: float) -> float:
    """Energy of one turn-on edge [J]: V I t / 2, and the junction charged through the switch.

    Charging costs V Q less the energy the junction keeps; twice that beside a large
    current, because the voltage then falls as much later, and in between in proportion.
    A negative current has raised the node by itself. The tests integrate the edge.
    """
    if i_a < 0.0:
        return 0.0
    bare_j = 0.5 * vin_v * i_a * rise_s
    charge_c = diode.junction_charge_c(node, vin_v) - diode.junction_charge_c(node, parked_v)
    kept_j = diode.junction_energy_j(node, vin_v) - diode.junction_energy_j(node, parked_v)
    if charge_c <= 0.0:
        return bare_j
    beside = bare_j / (bare_j + vin_v * charge_c)
    return bare_j + (vin_v * charge_c - kept_j) * (1.0 + beside)


def turn_off_j(node: diode.Diode, vin_v: float, i_a: float, fall_s: float) -> float:
    """Energy of one turn-off edge [J]: V I t / 2, of which the junction takes its share.

    The inductor's charge in the edge, I t / 2, divides between the switch and the
    junction Q: a capacitive snubber. The tests integrate the edge to confirm the form.
    """
    bare_j = 0.5 * vin_v * max(i_a, 0.0) * fall_s
    junction_j = vin_v * diode.junction_charge_c(node, vin_v)
    return bare_j**2 / (bare_j + junction_j) if bare_j > 0.0 else 0.0
