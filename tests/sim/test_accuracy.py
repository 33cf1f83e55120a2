"""True errors lie within the stated limits and are rectangular in them."""

from __future__ import annotations

from random import Random

import pytest
from scipy import stats

from sim.instruments.accuracy import NOISE_OF_FLOOR, Programmed, Range, resolution_of
from sim.instruments.spec import Accuracy

STATED = Accuracy(30.0, reading_pct=0.05, range_pct=0.05, offset=0.001)


def test_the_limits_are_reading_plus_range_plus_offset() -> None:
    """0.05 % of 4 A + 0.05 % of 30 A + 1 mA = 2 + 15 + 1 mA."""
    assert STATED.limit(4.0) == pytest.approx(0.018)


@pytest.mark.parametrize("true", [0.0, 4.0, 30.0])
def test_every_instrument_keeps_what_its_maker_states(true: float) -> None:
    """Noise is beside the limits: five of its standard deviations are allowed for."""
    allowed = STATED.limit(true) + 5 * NOISE_OF_FLOOR * STATED.floor()
    for seed in range(300):
        instrument = Range(STATED, Random(seed))
        assert abs(instrument.value(true) - true) <= allowed
        assert abs(Programmed(STATED, Random(seed)).true(true) - true) <= STATED.limit(true)


def test_offsets_are_rectangular_within_their_limits() -> None:
    """Kolmogorov-Smirnov against the uniform distribution (JCGM 100:2008, 4.3.7), scipy."""
    floor = STATED.floor()
    offsets = [
        Programmed(Accuracy(30.0, offset=floor), Random(s)).true(5.0) - 5 for s in range(500)
    ]
    assert stats.kstest(offsets, stats.uniform(-floor, 2 * floor).cdf).pvalue > 0.01
    assert max(offsets) > 0.95 * floor and min(offsets) < -0.95 * floor


def test_noise_averages_away_but_errors_stay() -> None:
    instrument = Range(STATED, Random(1))
    readings = [instrument.value(4.0) for _ in range(2000)]
    mean = sum(readings) / len(readings)
    again = sum(instrument.value(4.0) for _ in range(2000)) / 2000
    sigma = NOISE_OF_FLOOR * STATED.floor()
    assert abs(mean - again) < 5 * sigma * (2 / 2000) ** 0.5
    assert stats.tstd(readings) == pytest.approx(sigma, rel=0.1)


@pytest.mark.parametrize(
    ("rated", "step"), [(40.0, 1e-3), (5.0, 1e-4), (30.0, 1e-3), (100.0, 1e-2), (1.0, 1e-4)]
)
def test_the_display_has_four_decades_below_the_rating(rated: float, step: float) -> None:
    assert resolution_of(rated) == pytest.approx(step)


def test_readings_are_rounded_to_the_resolution() -> None:
    assert len(Range(Accuracy(40.0), Random(3)).text(24.0).partition(".")[2]) == 3


def test_a_setting_of_nothing_gives_nothing() -> None:
    assert Programmed(STATED, Random(4)).true(0.0) == 0.0
