"""The diode law against quadrature and the drops published with the circuit simulations."""

from __future__ import annotations

import pytest
from scipy.integrate import quad

from sim.diode import (
    Diode,
    drop_v,
    dynamic_ohm,
    forward_charge_c,
    junction_charge_c,
    junction_energy_j,
    mean_drop_v,
    mean_loss_w,
)

CATCH = Diode(
    saturation_a=5e-6,
    emission=1.05,
    series_ohm=0.03,
    junction_f=300e-12,
    junction_v=0.4,
    grading=0.45,
)


@pytest.mark.parametrize(("i_a", "drop"), [(0.1, 0.272), (1.0, 0.361), (2.0, 0.410), (3.0, 0.451)])
def test_drop_is_that_of_the_circuit_simulator(i_a: float, drop: float) -> None:
    # tests/data/switching_buck.md, row "catch diode", printed to 1 mV.
    assert drop_v(CATCH, i_a) == pytest.approx(drop, abs=0.6e-3)


@pytest.mark.parametrize(("low_a", "high_a"), [(0.0, 0.3), (0.2, 0.9), (2.6, 3.4), (1.0, 1.0)])
def test_means_over_a_ramp_agree_with_quadrature(low_a: float, high_a: float) -> None:
    # scipy.integrate.quad over the same straight line; tolerance is the quadrature's.
    def at(share: float) -> float:
        return low_a + (high_a - low_a) * share

    drop = quad(lambda share: drop_v(CATCH, at(share)), 0.0, 1.0)[0]
    loss = quad(lambda share: at(share) * drop_v(CATCH, at(share)), 0.0, 1.0)[0]
    assert mean_drop_v(CATCH, low_a, high_a) == pytest.approx(drop, rel=1e-6)
    assert mean_loss_w(CATCH, low_a, high_a) == pytest.approx(loss, rel=1e-6)


def test_dynamic_resistance_is_the_slope_of_the_drop() -> None:
    slope = (drop_v(CATCH, 1.0001) - drop_v(CATCH, 0.9999)) / 0.0002
    assert dynamic_ohm(CATCH, 1.0) == pytest.approx(slope, rel=1e-6)


@pytest.mark.parametrize("v_v", [0.3, 5.0, 24.0])
def test_junction_charge_and_energy_agree_with_quadrature(v_v: float) -> None:
    def capacitance_f(at_v: float) -> float:
        return float(300e-12 / (1.0 + at_v / 0.4) ** 0.45)

    charge = quad(capacitance_f, 0.0, v_v, epsabs=1e-18)[0]
    energy = quad(lambda at_v: at_v * capacitance_f(at_v), 0.0, v_v, epsabs=1e-18)[0]
    assert junction_charge_c(CATCH, v_v) == pytest.approx(charge, rel=1e-6)
    assert junction_energy_j(CATCH, v_v) == pytest.approx(energy, rel=1e-6)


def test_forward_charge_follows_the_simulators_capacitance_law() -> None:
    # Depletion capacitance of the circuit simulators' diode, FC = 0.5 (ngspice manual,
    # chapter on diodes, formula from memory), by quadrature.
    def capacitance_f(at_v: float) -> float:
        if at_v < 0.2:
            return float(300e-12 * (1.0 - at_v / 0.4) ** -0.45)
        f2, f3 = 0.5**1.45, 1.0 - 0.5 * 1.45
        return float(300e-12 / f2 * (f3 + 0.45 * at_v / 0.4))

    charge = quad(capacitance_f, 0.0, 0.36, points=[0.2], epsabs=1e-18)[0]
    assert forward_charge_c(CATCH, 0.36) == pytest.approx(charge, rel=1e-6)


def test_without_capacitance_there_is_no_charge() -> None:
    assert junction_charge_c(Diode(), 24.0) == junction_energy_j(Diode(), 24.0) == 0.0
