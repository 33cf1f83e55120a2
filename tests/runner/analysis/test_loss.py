"""The loss model against published inverter fits and against circuit simulation."""

import csv
import math
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from runner.analysis.loss import ASSUMED_GROWTH_PER_K, Losses, LossPoint, fit_losses

DATA = Path(__file__).parents[2] / "data"

# pvlib 0.16.1, ADRInverter 'Power_One__MICRO_0_25_I_OUTD_US_208_208V__CEC_2012_' as tabulated in
# its package data: efficiency at 0.1 .. 1.0 of 247 W, at 31 V and at the nominal 41 V.
ADR_SHARES = (0.1, 0.2, 0.3, 0.5, 0.75, 1.0)
ADR_EFFICIENCY = {
    31.0: (0.906174, 0.940472, 0.951403, 0.959246, 0.962040, 0.962497),
    41.0: (0.905276, 0.940162, 0.951348, 0.959500, 0.962580, 0.963290),
}
# ... and its coefficients of loss / Pnom: constant, linear and square in p; b0x for every voltage,
# b1x times (V / 41 - 1).
ADR_B0 = (0.00711, 0.02296, 0.00664)
ADR_B1 = (0.00041, -0.00006, -0.0036)


@pytest.mark.parametrize("line_v", sorted(ADR_EFFICIENCY))
def test_refit_of_a_published_inverter_gives_its_coefficients(line_v: float) -> None:
    # Tolerance: the efficiencies are printed to 1e-6, so each loss is known to 5e-7 p.
    model = fit_losses(
        LossPoint(v, p, 25.0, p * (1.0 - eff))
        for v, column in ADR_EFFICIENCY.items()
        for p, eff in zip(ADR_SHARES, column, strict=True)
    )
    found = model.lines[line_v]
    expected = [b0 + (line_v / 41.0 - 1.0) * b1 for b0, b1 in zip(ADR_B0, ADR_B1, strict=True)]
    assert [found.a_w, found.b_w_per_a, found.c_w_per_a2] == pytest.approx(expected, abs=4e-6)
    assert found.residual_w < 5e-7


def switching_points() -> list[LossPoint]:
    lines = (DATA / "switching_buck_A.csv").read_text("utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [
        LossPoint(
            float(r["vin_V"]), float(r["iout_A"]), 25.0, float(r["pin_W"]) - float(r["pout_W"])
        )
        for r in rows
    ]


def test_quadratic_follows_circuit_simulation_within_5_mw() -> None:
    # README of the data: "P = a + b I + c I^2: residual 5 mW at most" at one line.
    points = switching_points()
    model = fit_losses(points)
    worst = max(abs(model.loss_w(p.line_v, p.iout_a, 25.0) - p.ploss_w) for p in points)
    assert worst <= 0.0055  # 5 mW as rounded there


def test_loss_at_three_amperes_from_points_up_to_two() -> None:
    # README of the data: "from points up to 2 A it predicts the loss at 3 A within 0.5 %".
    points = switching_points()
    model = fit_losses(p for p in points if p.iout_a <= 2.0)
    for point in points:
        if point.iout_a == 3.0:
            predicted = model.loss_w(point.line_v, 3.0, 25.0)
            assert predicted == pytest.approx(point.ploss_w, rel=0.0055)  # 0.5 % as rounded there


def test_growth_is_found_where_loads_repeat_at_two_temperatures() -> None:
    truth, growth = Losses(0.2, 0.3, 0.1, 0.0, 0), 0.0045
    points = [
        LossPoint(24.0, load, temp, truth.base_w(load) * (1.0 + growth * (temp - 25.0)))
        for load in (0.5, 1.0, 2.0, 3.0)
        for temp in (30.0, 80.0)
    ]
    model = fit_losses(points)
    assert model.growth_fitted
    assert model.growth_per_k == pytest.approx(growth, abs=1e-6)
    assert model.lines[24.0].c_w_per_a2 == pytest.approx(0.1, abs=1e-5)


def test_growth_is_assumed_and_said_so_where_all_points_are_equally_warm() -> None:
    model = fit_losses(switching_points())
    assert not model.growth_fitted
    assert model.growth_per_k == ASSUMED_GROWTH_PER_K


def test_growth_is_assumed_where_temperature_only_follows_load() -> None:
    # Soaks at one ambient: 10 % more loss at the greatest load may be growth or resistance.
    truth = Losses(0.2, 0.3, 0.1, 0.0, 0)
    noise_w = (0.004, -0.006, 0.005, -0.004, 0.006, -0.005)
    points = [
        LossPoint(24.0, load, 25.0 + 8.0 * truth.base_w(load), truth.base_w(load) + noise)
        for load, noise in zip((0.5, 1.0, 1.5, 2.0, 2.5, 3.0), noise_w, strict=True)
    ]
    model = fit_losses(points)
    assert not model.growth_fitted
    assert model.growth_u_per_k is None or model.growth_u_per_k > 0.001


def test_a_line_with_two_loads_is_left_out() -> None:
    points = [LossPoint(20.0, load, 25.0, 0.1 + load) for load in (1.0, 1.01, 2.0, 2.0)]
    points += [LossPoint(24.0, load, 25.0, 0.1 + load) for load in (1.0, 1.5, 2.0)]
    assert set(fit_losses(points).lines) == {24.0}


def test_losses_get_no_credit_for_falling_with_load_or_heat() -> None:
    points = [
        LossPoint(24.0, load, temp, 1.0 - 0.1 * load - 0.001 * (temp - 25.0))
        for load in (0.5, 1.0, 2.0)
        for temp in (30.0, 80.0)
    ]
    model = fit_losses(points)
    assert model.growth_per_k >= 0.0
    found = model.lines[24.0]
    assert min(found.a_w, found.b_w_per_a, found.c_w_per_a2) >= 0.0


@given(
    a=st.floats(0.0, 5.0),
    b=st.floats(0.0, 5.0),
    c=st.floats(0.0, 5.0),
    load_a=st.floats(0.01, 50.0),
)
def test_load_is_the_inverse_of_loss(a: float, b: float, c: float, load_a: float) -> None:
    assume(b + c > 1e-6 * (a + 1.0))  # a loss that hardly depends on the load tells no load
    losses = Losses(a, b, c, 0.0, 3)
    assert losses.load_a(losses.base_w(load_a)) == pytest.approx(load_a, rel=1e-6)


def test_load_of_a_loss_below_idling_is_zero_and_of_a_constant_loss_endless() -> None:
    assert Losses(0.5, 1.0, 0.0, 0.0, 3).load_a(0.4) == 0.0
    assert Losses(0.5, 0.0, 0.0, 0.0, 3).load_a(0.6) == math.inf
