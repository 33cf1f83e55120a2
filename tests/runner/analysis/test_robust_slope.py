"""The slope of a few readings against scipy's own Theil-Sen and ordinary least squares."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from runner.analysis.robust_slope import median, robust_slope


@pytest.mark.parametrize("seed", range(5))
def test_it_is_scipys_theil_sen_slope(seed: int) -> None:
    random = np.random.default_rng(seed)
    times_s = np.cumsum(random.uniform(0.9, 3.0, 12))
    values = 60.0 + 0.3 * times_s + random.normal(0.0, 0.2, 12)
    slope, _ = robust_slope(list(times_s), list(values))
    assert slope == pytest.approx(stats.theilslopes(values, times_s).slope, rel=1e-12)


def test_the_median_is_numpys() -> None:
    for values in ([3.0], [1.0, 4.0], [5.0, 1.0, 2.0], [4.0, 1.0, 3.0, 2.0]):
        assert median(values) == np.median(values)


def test_three_mad_readings_of_twelve_do_not_bend_it() -> None:
    times_s = [float(k) for k in range(12)]
    values = [60.0 + 0.1 * t_s for t_s in times_s]
    for k in (2, 7, 11):
        values[k] = 900.0
    slope, slope_u = robust_slope(times_s, values)
    assert slope == pytest.approx(0.1, rel=0.05) and slope_u < 0.01


def test_its_uncertainty_covers_as_that_of_a_fitted_line() -> None:
    """Over 400 draws of noise the true slope lies within two of them in about 95 %.

    Ordinary least squares: slope_u = sd / sqrt(sum (t - mean)^2) (JCGM 100:2008, H.3). The
    scatter of eleven readings is itself known to a quarter only, hence the width allowed.
    """
    random = np.random.default_rng(7)
    times_s = [float(k) for k in range(11)]
    inside = 0
    for _ in range(400):
        slope, slope_u = robust_slope(times_s, list(random.normal(60.0, 0.2, 11)))
        inside += abs(slope) <= 2.0 * slope_u
    assert 0.80 <= inside / 400 <= 0.98
