"""Efficiency and the four-point average against the published rule."""

import pytest

from runner.analysis.efficiency import efficiency, four_point_average

# 10 CFR 430 Subpart B Appendix Z: the average is the arithmetic mean of the four efficiencies.
# Example points (percent at 2.5, 5, 7.5, 10 W) derived for this check: mean 85.375, whereas the
# ratio of the summed powers would be 86.076.
APP_Z_EXAMPLE = [(0.25, 0.820), (0.50, 0.860), (0.75, 0.870), (1.00, 0.865)]


def test_efficiency_of_the_published_example() -> None:
    # A stored web article's example: 12.0 V 0.95 A in, 5.0 V 2.0 A out: 10 / 11.4 = 87.72 %.
    assert efficiency(12.0 * 0.95, 5.0 * 2.0) == pytest.approx(0.8772, abs=5e-5)


@pytest.mark.parametrize("pin_w", [0.0, -0.01])
def test_efficiency_is_undefined_without_input_power(pin_w: float) -> None:
    assert efficiency(pin_w, 0.0) is None


def test_four_point_average_is_the_mean_and_not_the_ratio_of_sums() -> None:
    average = four_point_average(APP_Z_EXAMPLE, iout_rated_a=1.0)
    assert average.mean == pytest.approx(0.85375, abs=1e-12)
    ratio_of_sums = 25.0 / sum(10.0 * share / eff for share, eff in APP_Z_EXAMPLE)
    assert ratio_of_sums == pytest.approx(0.86076, abs=5e-6)


def test_a_load_that_is_not_sustained_is_left_out_of_the_mean() -> None:
    # Appendix Z: loading conditions that cannot be sustained are not in the mean.
    average = four_point_average([*APP_Z_EXAMPLE[:3], (1.0, None)], iout_rated_a=1.0)
    assert average.mean == pytest.approx((0.82 + 0.86 + 0.87) / 3.0, abs=1e-12)
    assert average.used == (0.25, 0.5, 0.75)
    assert average.not_sustained == (1.0,)


def test_a_load_that_was_never_tried_leaves_no_mean() -> None:
    average = four_point_average(APP_Z_EXAMPLE[:3], iout_rated_a=1.0)
    assert average.mean is None
    assert average.not_tested == (1.0,)


def test_loads_count_within_two_percent_of_rated() -> None:
    # +/- 2 % of the loading condition's current (Appendix Z, from memory).
    near = [(share * 4.0 + 0.08, eff) for share, eff in APP_Z_EXAMPLE]
    far = [(share * 4.0 + 0.09, eff) for share, eff in APP_Z_EXAMPLE]
    assert four_point_average(near, iout_rated_a=4.0).mean == pytest.approx(0.85375)
    assert four_point_average(far, iout_rated_a=4.0).mean is None


def test_repeats_of_a_load_are_averaged_and_one_failure_fails_the_load() -> None:
    up_and_down = [*APP_Z_EXAMPLE, (0.25, 0.84)]
    # 0.82 and 0.84 at a quarter load count as 0.83.
    expected = (0.83 + 0.86 + 0.87 + 0.865) / 4.0
    assert four_point_average(up_and_down, 1.0).mean == pytest.approx(expected)
    assert four_point_average([*up_and_down, (0.25, None)], 1.0).not_sustained == (0.25,)
