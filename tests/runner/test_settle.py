"""When a trace has stopped moving. Formulas checked against published statistics."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from runner.settle import WINDOW, electrically_settled, thermal_change, trend
from runner.steps import Reading

STILL = Reading(0.0, 24.0, 0.9, 9.0, 2.0)

# NIST StRD, linear regression, data set Norris (certified slope 1.00211681802045),
# read from shared lists of published check values; y against x.
NORRIS = """0.1,0.2 338.8,337.4 118.1,118.2 888.0,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3
449.1,448.6 778.9,777.0 559.2,558.2 0.3,0.4 0.1,0.6 778.1,775.5 668.8,666.9 339.3,338.0 448.9,447.5
10.8,11.6 557.7,556.0 228.3,228.1 998.0,995.8 888.8,887.6 119.6,120.2 0.3,0.3 0.6,0.3 557.6,556.8
339.3,339.1 888.0,887.2 998.5,999.0 778.9,779.0 10.2,11.1 117.6,118.3 228.9,229.2 668.4,669.1
449.2,448.9 0.2,0.5"""


def test_trend_agrees_with_the_certified_slope_of_nist_norris() -> None:
    pairs = [tuple(map(float, pair.split(","))) for pair in NORRIS.split()]
    values, times = [y for y, _ in pairs], [x for _, x in pairs]
    slope = trend(times, values) / (times[-1] - times[0])
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)


def trace(*vout_v: float) -> list[Reading]:
    return [replace(STILL, t_s=0.1 * k, vout_v=v) for k, v in enumerate(vout_v)]


def test_a_still_trace_is_settled_and_a_moving_one_is_not() -> None:
    assert electrically_settled(trace(*[9.0] * WINDOW))
    assert not electrically_settled(trace(*[9.0 + 0.005 * k for k in range(WINDOW)]))


def test_noise_without_a_trend_counts_as_still() -> None:
    assert electrically_settled(trace(9.001, 8.999, 9.002, 8.999, 9.001))


def test_too_few_readings_are_never_settled() -> None:
    assert not electrically_settled(trace(*[9.0] * (WINDOW - 1)))


def test_thermal_change_waits_for_its_whole_window() -> None:
    times = [10.0 * k for k in range(30)]
    assert thermal_change(times, [50.0] * 30, 300.0) is None
    assert thermal_change([*times, 300.0], [50.0] * 31, 300.0) == pytest.approx(0.0)


def test_thermal_change_of_an_exponential_is_what_it_still_moves() -> None:
    # One exponential, 70 K at tau = 400 s: over the window from 900 s to 1200 s it really
    # moves 70 (e^-2.25 - e^-3) = 3.89 K; a straight line through it is within 5 % of that.
    times = [10.0 * k for k in range(121)]
    rises = [70.0 * (1.0 - math.exp(-t / 400.0)) for t in times]
    moved = 70.0 * (math.exp(-2.25) - math.exp(-3.0))
    assert thermal_change(times, rises, 300.0) == pytest.approx(moved, rel=0.05)
