"""Losses and conduction modes against circuit simulation, a textbook and quadrature."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import exp, log, sqrt
from typing import Any

import pytest

from sim.buck import cycle, losses_w
from sim.cycle import turn_off_j, turn_on_j
from sim.diode import Diode
from sim.module import Twin
from tests.sim.circuit_bench import TWINS, rows

SET_A, SET_G, SET_S = TWINS["A"], TWINS["G"], TWINS["S"]
IDEAL = Twin(
    topology="synchronous-buck",
    vout_v=5.0,
    switching_frequency_hz=100e3,
    inductance_h=10e-6,
    body_diode=Diode(),
)


@dataclass(frozen=True)
class Deviation:
    """Efficiency of the model less that of the simulation [percentage points], one point."""

    mode: str
    iout_a: float
    points: float


def deviations(twin: Twin, name: str) -> list[Deviation]:
    found = []
    for row in rows(name):
        vin_v, vout_v, iout_a = (float(row[key]) for key in ("vin_V", "vout_V", "iout_A"))
        period = cycle(twin, vin_v, vout_v, iout_a)
        lost_w = sum(losses_w(twin, period, vin_v, vout_v, iout_a).values())
        efficiency = vout_v * iout_a / (vout_v * iout_a + lost_w)
        error = 100.0 * (efficiency - float(row["efficiency"]))
        found.append(Deviation(row["mode"], iout_a, error))
    return found


def greatest(found: list[Deviation]) -> float:
    return max(abs(each.points) for each in found)


def rms(found: list[Deviation]) -> float:
    return sqrt(sum(each.points**2 for each in found) / len(found))


@pytest.mark.parametrize(
    ("twin", "name"),
    [
        (SET_A, "switching_buck_A.csv"),
        (SET_G, "switching_buck_G.csv"),
        (SET_S, "switching_synchronous_S.csv"),
    ],
)
def test_efficiency_in_continuous_conduction(twin: Twin, name: str) -> None:
    # Tolerance: 0.35 points at most, 0.15 rms, from 0.5 A up (what this model promises).
    found = [each for each in deviations(twin, name) if each.mode == "CCM" and each.iout_a > 0.45]
    assert len(found) >= 10
    assert greatest(found) < 0.35
    assert rms(found) < 0.15


@pytest.mark.parametrize(
    ("twin", "name"), [(SET_A, "switching_buck_A.csv"), (SET_G, "switching_buck_G.csv")]
)
def test_efficiency_in_discontinuous_conduction(twin: Twin, name: str) -> None:
    # Tolerance: 0.3 points at most, 0.15 rms (what this model promises).
    found = [each for each in deviations(twin, name) if each.mode == "DCM"]
    assert len(found) >= 10
    assert greatest(found) < 0.3
    assert rms(found) < 0.15


@pytest.mark.parametrize(
    ("twin", "name"), [(SET_A, "switching_buck_A.csv"), (SET_G, "switching_buck_G.csv")]
)
def test_conduction_mode_is_the_simulations(twin: Twin, name: str) -> None:
    for row in rows(name):
        period = cycle(twin, float(row["vin_V"]), float(row["vout_V"]), float(row["iout_A"]))
        assert period.continuous == (row["mode"] == "CCM"), row


@pytest.mark.parametrize(
    ("part", "column", "within_w"),
    [
        ("rectifier", "p_diode_W", 0.017),  # the edges' share is counted in the switch
        ("inductor", "p_inductor_W", 0.0003),
        ("output_capacitor", "p_cap_W", 0.00003),
        ("quiescent", "p_quiescent_W", 0.0002),
    ],
)
def test_each_part_loses_what_it_does_in_set_a(part: str, column: str, within_w: float) -> None:
    for row in rows("switching_buck_A.csv"):
        vin_v, vout_v, iout_a = (float(row[key]) for key in ("vin_V", "vout_V", "iout_A"))
        lost = losses_w(SET_A, cycle(SET_A, vin_v, vout_v, iout_a), vin_v, vout_v, iout_a)
        assert lost[part] == pytest.approx(float(row[column]), abs=within_w), row


def test_ideal_duty_is_the_voltage_ratio() -> None:
    # Erickson and Maksimovic, ch. 2: M = D.
    assert cycle(IDEAL, 20.0, 5.0, 10.0).duty == pytest.approx(0.25, rel=1e-12)


@pytest.mark.parametrize("load_ohm", [20.0, 50.0, 500.0])
def test_ideal_discontinuous_ratio_is_the_textbooks(load_ohm: float) -> None:
    # Erickson and Maksimovic, ch. 5: M = 2 / (1 + sqrt(1 + 4 K / D²)), K = 2 L f / R,
    # discontinuous while K < 1 - D. From memory.
    vin_v, vout_v = 20.0, 5.0
    period = cycle(IDEAL, vin_v, vout_v, vout_v / load_ohm)
    k = 2.0 * 10e-6 * 100e3 / load_ohm
    assert not period.continuous
    assert k < 1.0 - period.duty
    ratio = 2.0 / (1.0 + sqrt(1.0 + 4.0 * k / period.duty**2))
    assert ratio == pytest.approx(vout_v / vin_v, rel=1e-9)


def test_forced_continuous_conduction_lets_the_current_run_backwards() -> None:
    forced, emulating = SET_S, replace(SET_S, light_load="diode-emulation")
    assert cycle(forced, 24.0, 3.3, 0.02).valley_a < 0.0
    assert not cycle(emulating, 24.0, 3.3, 0.02).continuous

    def lost_w(twin: Twin) -> float:
        return sum(losses_w(twin, cycle(twin, 24.0, 3.3, 0.02), 24.0, 3.3, 0.02).values())

    assert lost_w(forced) > lost_w(emulating)


def test_ripple_loss_of_a_triangle_is_a_twelfth_of_its_square() -> None:
    # Mean square of a triangle about its mean: swing² / 12 (Erickson and Maksimovic, app. A).
    period = cycle(SET_A, 12.0, 5.0, 2.0)
    swing_a = period.peak_a - period.valley_a
    lost = losses_w(SET_A, period, 12.0, 5.0, 2.0)["output_capacitor"]
    assert lost == pytest.approx(0.060 * swing_a**2 / 12.0, rel=1e-9)


# ------------------------------------------- the edges, integrated step by step


def integrated_edge_j(diode: Diode, vin_v: float, i_a: float, edge_s: float, on: bool) -> float:
    """Energy of a switch whose conductance rises or falls exponentially [J].

    The node's junction charges meanwhile: I = g v + C(vin - v) dv/dt, a diode clamps
    v at vin. The rate 4 / edge gives V I edge / 2 without a junction.
    """
    rate, steps = 4.0 / edge_s, 20000
    least_s, most_s = 1e-6, 20.0
    dt = log(most_s / least_s) / rate / steps
    v_v, energy_j, clamped = (vin_v, 0.0, True) if on else (i_a / most_s, 0.0, False)
    for step in range(1, steps + 1):
        grown = exp(rate * step * dt)
        g = least_s * grown if on else most_s / grown
        if (clamped and g * vin_v < i_a) or (clamped and not on):
            energy_j += g * vin_v**2 * dt
            continue
        reverse_v = max(vin_v - v_v, 0.0)
        capacitance_f = diode.junction_f / (1.0 + reverse_v / diode.junction_v) ** diode.grading
        v_v = (capacitance_f * v_v / dt + i_a) / (capacitance_f / dt + g)
        clamped = v_v >= vin_v
        v_v = min(v_v, vin_v)
        energy_j += g * v_v**2 * dt
    return energy_j


@pytest.mark.parametrize("diode", [SET_A.diode, SET_S.body_diode])
@pytest.mark.parametrize("i_a", [0.2, 0.8, 2.0])
@pytest.mark.parametrize("vin_v", [12.0, 24.0])
def test_edges_agree_with_integration(diode: Diode, i_a: float, vin_v: float) -> None:
    # Tolerance 10 %: the closed forms interpolate between exact limits.
    on_j = integrated_edge_j(diode, vin_v, i_a, 25e-9, on=True)
    off_j = integrated_edge_j(diode, vin_v, i_a, 25e-9, on=False)
    assert turn_on_j(diode, vin_v, i_a, 25e-9, 0.0) == pytest.approx(on_j, rel=0.10)
    assert turn_off_j(diode, vin_v, i_a, 25e-9) == pytest.approx(off_j, rel=0.10)


def test_edges_have_their_exact_limits() -> None:
    # No junction: V I t / 2. No current: V Q - E, the loss of charging through a switch.
    bare = Diode(junction_f=0.0)
    assert turn_on_j(bare, 20.0, 2.0, 50e-9, 0.0) == pytest.approx(1e-6)
    assert turn_off_j(bare, 20.0, 2.0, 50e-9) == pytest.approx(1e-6)
    charging_j = integrated_edge_j(SET_A.diode, 24.0, 0.0, 25e-9, on=True)
    assert turn_on_j(SET_A.diode, 24.0, 0.0, 25e-9, 0.0) == pytest.approx(charging_j, rel=0.01)


def test_every_loss_is_finite_and_not_negative_anywhere() -> None:
    for twin in (SET_A, SET_S, replace(SET_S, light_load="diode-emulation")):
        for vin_v in (0.2, 3.0, 9.0, 60.0):
            for vout_v in (0.0, 0.1, 3.3):
                for iout_a in (0.0, 1e-6, 0.05, 20.0):
                    check_losses(twin, vin_v, min(vout_v, vin_v), iout_a)


def check_losses(twin: Twin, vin_v: float, vout_v: float, iout_a: float) -> None:
    lost: dict[str, Any] = dict(
        losses_w(twin, cycle(twin, vin_v, vout_v, iout_a), vin_v, vout_v, iout_a)
    )
    assert all(0.0 <= value < 1e6 for value in lost.values()), (vin_v, vout_v, iout_a, lost)
