"""Uncertainty of a derated load: against the formula by hand and against Monte Carlo."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from runner.analysis.derated_u import DoubtfulPoint, greatest_loads_u
from runner.analysis.derating import Limits, derate
from runner.analysis.holding import LoadPoint, OutputLimits
from runner.analysis.loss import MODEL_ERROR_W
from runner.analysis.uncertainty import Source, Uncertain

LIMITS = Limits(OutputLimits(9.0, 0.03), hot_spot_max_temp_c=110.0, module_iout_max_a=20.0)
K_PER_W, AIR_C, GROWTH = 20.0, 25.0, 0.003
OFFSET, GAIN = Source("thermometer", "hot_spot"), Source("gain", "supply", shape="rectangular")


def base_w(iout_a: float) -> float:
    return 0.3 + 0.4 * iout_a + 0.15 * iout_a**2


def made(iout_a: float, *, soaked: bool) -> LoadPoint:
    hot_c = AIR_C
    if soaked:
        hot_c += K_PER_W * base_w(iout_a) / (1.0 - GROWTH * K_PER_W * base_w(iout_a))
    ploss_w = base_w(iout_a) * (1.0 + GROWTH * (hot_c - 25.0))
    kind = "soaked" if soaked else "fast"
    return LoadPoint(24.0, iout_a, iout_a, 9.0, ploss_w, AIR_C, None, hot_c, kind)  # type: ignore[arg-type]


POINTS = [made(i, soaked=False) for i in (0.5, 1.0, 2.0, 3.0, 4.0)]
POINTS += [made(i, soaked=True) for i in (1.0, 2.0, 3.0)]


def doubtful(offset_k: float, gain: float, settling_k: float = 0.0) -> list[DoubtfulPoint]:
    return [
        DoubtfulPoint(
            point,
            {
                "hot_spot_temp_c": Uncertain(point.hot_spot_temp_c or 0.0, {OFFSET: offset_k}),
                "ploss_w": Uncertain(point.ploss_w, {GAIN: gain * point.ploss_w}),
            },
            settling_k if point.kind == "soaked" else 0.0,
        )
        for point in POINTS
    ]


def u_at(ambient_c: float, *args: float) -> float:
    derated = derate(POINTS, LIMITS, [ambient_c])
    (found,) = greatest_loads_u(doubtful(*args), LIMITS, derated)
    assert found is not None
    return found


def least_u(ambient_c: float) -> float:
    """What fit and growth leave with perfect instruments."""
    return u_at(ambient_c, 0.0, 0.0)


def load_by_hand_a(soaks_k: float, fit_k: float) -> float:
    """The load at a 110 °C hot spot in 25 °C air, when readings are wrong by so much.

    From base(I) (1 + g 85) R = 85 K in closed form: R of the least-squares line through the origin
    over the three soaks, the loss at 25 °C of a fit whose temperatures are all wrong by `fit_k`.
    """
    soaks = [point for point in POINTS if point.kind == "soaked"]
    losses_w = np.array([soak.ploss_w for soak in soaks])
    rises_k = np.array([(soak.hot_spot_temp_c or 0.0) + soaks_k - AIR_C for soak in soaks])
    k_per_w = float(rises_k @ losses_w / (losses_w @ losses_w))
    cold_w = 85.0 / k_per_w / (1.0 + GROWTH * 85.0) * (1.0 + GROWTH * fit_k)
    return (-0.4 + math.sqrt(0.16 + 0.6 * (cold_w - 0.3))) / 0.3


def half_by_hand_a(by_k: float, *, in_fit: bool) -> float:
    high, low = (load_by_hand_a(k, k if in_fit else 0.0) for k in (by_k, -by_k))
    return abs(high - low) / 2.0


def test_a_thermometer_offset_counts_as_in_the_formula() -> None:
    found = math.sqrt(u_at(25.0, 0.6, 0.0) ** 2 - least_u(25.0) ** 2)
    assert found == pytest.approx(half_by_hand_a(0.6, in_fit=True), rel=0.03)


def test_a_gain_error_of_the_loss_cancels_between_fit_and_thermal_resistance() -> None:
    # Loss and resistance rest on one ammeter: twice the loss at half the resistance is as hot.
    assert u_at(25.0, 0.0, 0.02) == pytest.approx(least_u(25.0), rel=1e-3)


def test_what_a_soak_had_still_to_go_is_in_it() -> None:
    found = math.sqrt(u_at(25.0, 0.0, 0.0, 0.5) ** 2 - least_u(25.0) ** 2)
    by_k = 2.0 * 0.5 / math.sqrt(3.0)  # limits of two changes over the window, rectangular
    # Some of the points of the fit are soaks: between none and all of them warmer than said.
    assert half_by_hand_a(by_k, in_fit=True) < found < 1.01 * half_by_hand_a(by_k, in_fit=False)


def test_the_fit_is_never_taken_as_better_than_the_model() -> None:
    slope_w_per_a = 0.4 + 2.0 * 0.15 * 4.4
    assert least_u(25.0) > 0.9 * MODEL_ERROR_W / slope_w_per_a


def test_monte_carlo_agrees() -> None:
    random = np.random.default_rng(1)
    loads_a = []
    for offset_k, gain in zip(
        random.normal(0.0, 0.6, 400), random.normal(0.0, 0.01, 400), strict=True
    ):
        moved = [
            replace(
                point,
                hot_spot_temp_c=(point.hot_spot_temp_c or 0.0) + offset_k,
                ploss_w=point.ploss_w * (1.0 + gain),
            )
            for point in POINTS
        ]
        (row,) = derate(moved, LIMITS, [45.0])
        assert row.greatest is not None
        loads_a.append(row.greatest.iout_max_a)
    found = math.sqrt(u_at(45.0, 0.6, 0.01) ** 2 - least_u(45.0) ** 2)
    # 400 draws: the standard deviation is known to 3.5 %.
    assert found == pytest.approx(float(np.std(loads_a, ddof=1)), rel=0.10)


def test_a_limit_of_a_file_has_no_uncertainty_and_a_refusal_no_number() -> None:
    limits = replace(LIMITS, module_iout_max_a=2.0)
    derated = derate(POINTS, limits, [25.0, 80.0])
    assert [row.greatest and row.greatest.limited_by for row in derated] == ["module-limit", None]
    assert greatest_loads_u(doubtful(0.6, 0.01), limits, derated) == [0.0, None]
    assert greatest_loads_u([], limits, []) == []


def test_a_current_limit_lies_anywhere_up_to_the_load_that_did_not_hold() -> None:
    failed = replace(made(4.0, soaked=False), iout_set_a=4.0, iout_a=1.5, vout_v=3.0, holds=False)
    points = [one for one in doubtful(0.0, 0.0) if one.point.iout_set_a < 4.0]
    points.append(DoubtfulPoint(failed, {}))
    derated = derate([one.point for one in points], LIMITS, [25.0])
    assert derated[0].greatest is not None and derated[0].greatest.limited_by == "current-limit"
    assert derated[0].greatest.iout_max_a == 3.0
    # 3 A held and 4 A did not: rectangular over what lies between.
    (found,) = greatest_loads_u(points, LIMITS, derated)
    assert found == pytest.approx(1.0 / math.sqrt(3.0), rel=1e-3)


def test_a_line_that_was_not_soaked_is_known_less_well() -> None:
    fast = [replace(one.point, line_v=30.0) for one in doubtful(0.0, 0.0)[:5]]
    points = [*doubtful(0.0, 0.0), *(DoubtfulPoint(one, {}) for one in fast)]
    derated = derate([one.point for one in points], LIMITS, [25.0])
    here, borrowed = greatest_loads_u(points, LIMITS, derated)
    assert here is not None and borrowed is not None
    # Limits of 10 % of R: as much of the loss at 110 °C, over dP/dI, both at 25 °C.
    iout_a = load_by_hand_a(0.0, 0.0)
    by_a = 0.10 / math.sqrt(3.0) * base_w(iout_a) / (0.4 + 0.3 * iout_a)
    assert math.sqrt(borrowed**2 - here**2) == pytest.approx(by_a, rel=0.02)
