"""Type A of a mean: independent, dependent and drifting samples, in constant memory."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from runner.analysis.sampling import (
    MOST_BLOCKS,
    Mean,
    Series,
    ZeroSeries,
    chance_autocorrelation,
    mean_of_blocks,
)

H2_VOLTS = (5.007, 4.994, 5.005, 4.990, 4.999)
"""JCGM 100:2008, Table H.2 (from memory): mean 4.9990 V, s(mean) 0.0032 V."""


def mean_of(values: list[float] | tuple[float, ...]) -> Mean:
    series = Series()
    for value in values:
        series.add(value)
    return series.mean()


def test_few_independent_samples_are_the_gum_example() -> None:
    found = mean_of(H2_VOLTS)
    assert found.value == pytest.approx(4.9990)
    assert found.u == pytest.approx(0.0032, abs=5e-5)
    assert found.dof == 4.0
    assert found.effective == pytest.approx(5.0)


def test_one_sample_says_nothing_of_its_scatter_and_none_is_refused() -> None:
    assert mean_of([1.0]).u is None
    with pytest.raises(ValueError, match="no sample"):
        Series().mean()


def test_a_display_that_stands_still_has_no_scatter() -> None:
    found = mean_of([9.011] * 10)
    assert (found.u, found.dof, found.effective) == (0.0, 9.0, 10.0)


def autoregressive(n: int, r: float, seed: int) -> list[float]:
    draw, value, values = random.Random(seed), 0.0, []
    for _ in range(n):
        value = r * value + math.sqrt(1.0 - r * r) * draw.gauss(0.0, 1.0)
        values.append(value)
    return values


@pytest.mark.parametrize(("r", "n"), [(0.0, 4000), (0.6, 4000), (0.9, 4000)])
def test_dependent_samples_count_for_as_many_as_theory_says(r: float, n: int) -> None:
    # A first-order autoregressive series of unit variance: the mean's variance is (1 + r) / (1 - r)
    # / n (Thiébaux and Zwiers 1984). The estimate has about 60 degrees of freedom, so 9 % of
    # scatter; the mean of 40 series has 1.5 %, and a correction by chance adds a few percent.
    us = [mean_of(autoregressive(n, r, seed)).u or 0.0 for seed in range(40)]
    expected = math.sqrt((1.0 + r) / (1.0 - r) / n)
    assert statistics.fmean(us) == pytest.approx(expected, rel=0.08)


def test_a_slow_drift_leaves_few_samples_however_many_were_taken() -> None:
    draw, n = random.Random(7), 20_000
    found = mean_of([10.0 + 0.5 * k / n + draw.gauss(0.0, 0.1) for k in range(n)])
    # As independent samples: 0.176 / sqrt(20 000) = 1.2 mV, when the value went through 500 mV.
    assert found.u is not None and found.u > 0.05
    assert found.effective < 10.0


def test_ten_samples_on_a_ramp_are_less_than_three() -> None:
    found = mean_of([float(k) for k in range(10)])
    assert found.effective < 3.0
    assert found.u == pytest.approx(found.sd / math.sqrt(found.effective), rel=1e-9)


def test_white_noise_is_seldom_taken_as_dependent() -> None:
    # By construction in about 5 % of cases (Anderson 1942); 1000 series of 10: 5 % has a standard
    # deviation of 0.7 %.
    corrected = 0
    for seed in range(1000):
        draw = random.Random(seed)
        corrected += mean_of([draw.gauss(0.0, 1.0) for _ in range(10)]).dof < 9.0
    assert corrected / 1000 == pytest.approx(0.05, abs=0.03)


def test_interval_of_ten_samples_covers_as_said() -> None:
    # t95(9) = 2.262 (JCGM 100:2008, Table G.2); 95 % of 2000 series has a deviation of 0.5 %.
    inside = 0
    for seed in range(2000):
        draw = random.Random(seed)
        found = mean_of([draw.gauss(0.0, 1.0) for _ in range(10)])
        assert found.u is not None
        inside += abs(found.value) <= 2.262 * found.u
    assert inside / 2000 == pytest.approx(0.95, abs=0.015)


def test_memory_stays_that_of_a_few_blocks() -> None:
    series = Series()
    for k in range(100_000):
        series.add(float(k % 17))
    assert len(series._blocks) < MOST_BLOCKS
    assert series.n == 100_000
    assert series.mean().value == pytest.approx(statistics.fmean(k % 17 for k in range(100_000)))


def test_mean_of_blocks_of_a_known_pair() -> None:
    # Two blocks at -1 and 1: s = sqrt(2), u = 1, one degree of freedom.
    assert mean_of_blocks([-1.0, 1.0]) == pytest.approx((1.0, 1.0))
    assert chance_autocorrelation(10) == pytest.approx(0.406, abs=1e-3)


def zeros(*values: float) -> ZeroSeries:
    series = ZeroSeries()
    for value in values:
        series.add(value)
    return series


def test_a_tare_knows_the_step_of_the_display() -> None:
    assert zeros(-0.0041, -0.0042, -0.004).step == pytest.approx(1e-4)
    assert zeros(0.002, 0.002).step == pytest.approx(1e-3)


def test_a_display_that_stops_at_nought_hides_its_offset() -> None:
    assert not zeros(0.0, 0.0, 0.0).shows_offset
    assert not zeros(0.0, 0.001).shows_offset
    assert zeros(0.001, 0.002).shows_offset
    assert zeros(-0.001, 0.0).shows_offset
    assert zeros(-0.0, 0.0).shows_offset  # "-0.0000" on the wire is a minus sign
