"""Propagation of distributions, against JCGM 101:2008, exact distributions and first order."""

from __future__ import annotations

import math

import numpy as np
import pytest

from runner.analysis.monte_carlo import Trials, propagate, shortest_interval
from runner.analysis.uncertainty import Source, Uncertain, uncertain
from tests.runner.analysis.test_uncertainty import normal, rectangular

ROOT_3 = math.sqrt(3.0)


def total(*terms: Trials) -> Trials:
    return sum(terms[1:], terms[0])


def test_9_2_2_four_normal_inputs() -> None:
    # JCGM 101:2008, table 2 (from memory): u = 2.00, 95 % interval -3.92 to 3.92.
    found = propagate(total, [normal(0.0, 1.0, f"x{k}") for k in range(4)])
    assert (found.u, found.low, found.high) == pytest.approx((2.0, -3.92, 3.92), abs=0.05)


def test_9_2_3_four_rectangular_inputs() -> None:
    # Table 3 (from memory): u = 2.00, interval -3.88 to 3.88, and not 3.92.
    found = propagate(
        total, [rectangular(0.0, ROOT_3, f"x{k}") for k in range(4)], trials=1_000_000
    )
    assert found.u == pytest.approx(2.0, abs=0.005)
    assert 0.5 * (found.high - found.low) == pytest.approx(3.88, abs=0.015)


def test_9_2_4_one_rectangular_input_rules() -> None:
    # Table 4 (from memory): u = 10.1, interval -17.0 to 17.0.
    inputs = [rectangular(0.0, w * ROOT_3, f"x{k}") for k, w in enumerate((1, 1, 1, 10))]
    found = propagate(total, inputs)
    assert found.u == pytest.approx(10.15, abs=0.05)
    assert 0.5 * (found.high - found.low) == pytest.approx(17.0, abs=0.05)


def test_h1_second_order_terms_that_first_order_misses() -> None:
    # JCGM 100:2008, H.1.7 (from memory): lS u(dalpha) u(theta) and lS u(alphaS) u(dtheta), 11.7 nm
    # and 1.7 nm, raise the combined uncertainty from 32 to 34 nm, since sensitivities are nought at
    # the estimates. Unrounded: sqrt(31.66^2 + 11.72^2 + 1.67^2) = 33.80 nm.
    inputs = [
        normal(50.000623e6, 25.0, "lS"),
        normal(215.0, 9.7, "d"),
        normal(-0.1, 0.2, "theta") + uncertain(0.0, 0.5 / 2**0.5, Source("cycle", shape="arcsine")),
        rectangular(11.5e-6, 2e-6, "alphaS"),
        rectangular(0.0, 1e-6, "dalpha"),
        rectangular(0.0, 0.05, "dtheta"),
    ]

    def length(ls: Trials, d: Trials, theta: Trials, a: Trials, da: Trials, dt: Trials) -> Trials:
        return ls + d - ls * (da * theta + a * dt)

    found = propagate(length, inputs, trials=500_000)
    assert found.u == pytest.approx(33.80, abs=0.15)
    assert round(found.u) == 34


def test_the_square_of_a_normal_is_chi_squared_with_one_degree_of_freedom() -> None:
    # First order gives nought at an estimate of nought; mean 1, u = sqrt(2), and the shortest 95 %
    # interval of this falling density begins at 0 and ends at the quantile, 3.841.
    found = propagate(lambda x: x**2, [normal(0.0, 1.0, "x")], trials=1_000_000)
    assert found.value == pytest.approx(1.0, abs=0.01)
    assert found.u == pytest.approx(math.sqrt(2.0), abs=0.02)
    assert found.low == pytest.approx(0.0, abs=1e-3)
    assert found.high == pytest.approx(3.841, abs=0.04)


def test_few_readings_are_drawn_from_students_t() -> None:
    # JCGM 101:2008 6.4.9: t95(4) = 2.776 (Table G.2), and not 1.96.
    found = propagate(lambda x: x, [normal(10.0, 0.1, "mean of five", 4)], trials=1_000_000)
    assert 0.5 * (found.high - found.low) == pytest.approx(2.776 * 0.1, rel=0.02)


def test_inputs_that_share_a_source_stay_correlated() -> None:
    gain = Source("gain")
    a, b = Uncertain(10.0, {gain: 0.1}), Uncertain(5.0, {gain: 0.05})
    found = propagate(lambda x, y: x / y, [a, b])
    assert found.value == pytest.approx(2.0)
    assert found.u == pytest.approx(0.0, abs=1e-12)


def test_efficiency_agrees_with_first_order() -> None:
    inputs = [
        rectangular(24.0, 0.022, "vin"),
        rectangular(0.835, 0.0063, "iin"),
        rectangular(9.0, 0.0068, "vout"),
        rectangular(2.0, 0.004, "iout"),
    ]
    vin, iin, vout, iout = inputs
    first = vout * iout / (vin * iin)
    found = propagate(lambda v, i, w, j: w * j / (v * i), inputs, trials=1_000_000)
    assert found.u == pytest.approx(first.u, rel=0.005)
    # 7.7: the shortest interval; its half width beside the first-order one with known shapes.
    assert 0.5 * (found.high - found.low) == pytest.approx(
        first.expanded(shapes=True).expanded_u, rel=0.01
    )


def test_the_same_seed_gives_the_same_and_another_does_not() -> None:
    x = normal(0.0, 1.0, "x")
    runs = [propagate(lambda v: v, [x], trials=1000, seed=seed) for seed in (1, 1, 2)]
    assert runs[0] == runs[1] != runs[2]


def test_an_interval_that_holds_everything_is_refused() -> None:
    with pytest.raises(ValueError, match="leaves nothing outside"):
        shortest_interval(np.arange(10.0), 0.99)
