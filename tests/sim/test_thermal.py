"""Heat against an independently computed network, and exponential steps against scipy."""

from __future__ import annotations

from math import inf

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from sim.buck import cycle, losses_w
from sim.module import Heat
from sim.thermal import Rise, growth, steady, warm
from tests.sim.circuit_bench import TWINS, rows

SET_A = TWINS["A"]


def own_loss_w(vin_v: float, iout_a: float) -> float:
    period = cycle(SET_A, vin_v, 5.0, iout_a)
    return sum(losses_w(SET_A, period, vin_v, 5.0, iout_a).values())


@pytest.mark.parametrize("row", rows("thermal_A.csv"))
def test_steady_heat_of_the_published_loss(row: dict[str, str]) -> None:
    # Tolerance 0.5 K (what this model promises); loss at 25 °C taken from the file.
    ambient_c = float(row["ambient_C"])
    rise = steady(SET_A.heat, float(row["p_loss_25C_W"]), ambient_c)
    assert ambient_c + rise.both_k == pytest.approx(float(row["t_hot_C"]), abs=0.5)
    assert ambient_c + rise.case_k == pytest.approx(float(row["t_board_C"]), abs=0.5)


@pytest.mark.parametrize("row", [row for row in rows("thermal_A.csv") if row["iout_A"] != "3.0"])
def test_steady_heat_of_the_models_own_loss(row: dict[str, str]) -> None:
    # Tolerance 0.5 K with the losses of losses.py in place of the circuit simulation's, to
    # 2 A (212 °C). At 3 A, above 200 K of rise, 5 mW too much become up to 0.7 K.
    ambient_c = float(row["ambient_C"])
    rise = steady(SET_A.heat, own_loss_w(float(row["vin_V"]), float(row["iout_A"])), ambient_c)
    assert ambient_c + rise.both_k == pytest.approx(float(row["t_hot_C"]), abs=0.5)


@pytest.mark.parametrize("vin_v", [9.0, 12.0, 16.0, 24.0])
def test_greatest_load_for_125_degrees_is_the_published_one(vin_v: float) -> None:
    # Tolerance 1 %: the file interpolates between simulated loads, this solves the model.
    for row in rows("thermal_A_derating.csv"):
        if float(row["vin_V"]) != vin_v or float(row["iout_max_A"]) < 0.5:
            continue
        ambient_c = float(row["ambient_C"])

        def excess_k(iout_a: float, ambient_c: float = ambient_c) -> float:
            rise = steady(SET_A.heat, own_loss_w(vin_v, iout_a), ambient_c)
            return min(ambient_c + rise.both_k, 1e4) - 125.0

        worth_a = brentq(excess_k, 0.05, 4.0)
        assert worth_a == pytest.approx(float(row["iout_max_A"]), rel=0.01)


def test_steps_of_any_length_reach_the_same_rise() -> None:
    heat = SET_A.heat
    one = warm(heat, Rise(), 2.0, 600.0)
    many = Rise()
    for _ in range(600):
        many = warm(heat, many, 2.0, 1.0)
    assert many.hot_spot_k == pytest.approx(one.hot_spot_k, rel=1e-9)
    assert many.case_k == pytest.approx(one.case_k, rel=1e-9)


def test_warming_with_growing_loss_agrees_with_scipy() -> None:
    # scipy.integrate.solve_ivp of both stages; loss held 1 s at a time here: within 0.1 K.
    heat, ambient_c, loss_w = SET_A.heat, 40.0, 2.0

    def slope(_: float, stage: NDArray[np.float64]) -> list[float]:
        now_w = loss_w * growth(heat, ambient_c + stage[0] + stage[1])
        return [(now_w * 14.0 - stage[0]) / 20.0, (now_w * 21.0 - stage[1]) / 400.0]

    rise = Rise()
    moments = [30.0, 120.0, 900.0, 3600.0]
    solved = solve_ivp(slope, (0.0, 3600.0), [0.0, 0.0], t_eval=moments, rtol=1e-9, atol=1e-9)
    reached = []
    for second in range(1, 3601):
        rise = warm(heat, rise, loss_w * growth(heat, ambient_c + rise.both_k), 1.0)
        if float(second) in moments:
            reached.append(rise.both_k)
    assert reached == pytest.approx(list(solved.y[0] + solved.y[1]), abs=0.1)


def test_too_much_loss_runs_away() -> None:
    # tests/data/switching_buck.md: loss at 25 °C of 1 / (R alpha) = 9.52 W.
    assert steady(SET_A.heat, 9.53, 25.0) == Rise(inf, inf)
    assert steady(SET_A.heat, 9.51, 25.0).both_k < inf


def test_loss_grows_from_the_reference_temperature() -> None:
    heat = Heat(loss_growth_per_k=0.004, reference_temp_c=25.0)
    assert growth(heat, 25.0) == 1.0
    assert growth(heat, 75.0) == pytest.approx(1.2)
    assert growth(heat, -1000.0) == 0.0
