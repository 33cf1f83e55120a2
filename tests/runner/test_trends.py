"""Rises, jumps of the loss, thermometers that come off: noticed, and not cried without cause.

The healthy module is a two-stage Foster network (JEDEC JESD51-14:2010), computed here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from math import exp
from random import Random

import pytest

from runner.interlocks import value_of
from runner.steps import Reading
from runner.trends import JUMP, RISE_JUDGED_AFTER_S, Trends

HOT, CASE = "hot_spot_rise_k_per_min", "case_rise_k_per_min"
LIMITS = {HOT: 10.0, CASE: 10.0, JUMP: 5.0}


def reading(
    t_s: float, hot_c: float | None, case_c: float | None = None, loss_w: float = 3.5
) -> Reading:
    """24 V in, 9 V at 4 A out, and the loss asked for."""
    return Reading(t_s, 24.0, (36.0 + loss_w) / 24.0, 9.0, 4.0, 25.0, case_c, hot_c)


def add(trends: Trends, seen: Reading, changed_s: float = 0.0) -> None:
    trends.add(seen, value_of(seen, "ploss_w"), changed_s)


def healthy(
    hot_k: float, hot_s: float, case_k: float, case_s: float, noise_k: float = 0.0
) -> Iterator[Reading]:
    """A module that takes up its load at t = 0 and is looked at each second for 40 minutes."""
    random = Random(4)
    for t_s in range(2400):
        case_c = 25.0 + case_k * (1.0 - exp(-t_s / case_s))
        hot_c = case_c + hot_k * (1.0 - exp(-t_s / hot_s))
        noises = (random.gauss(0.0, noise_k), random.gauss(0.0, noise_k))
        yield reading(float(t_s), hot_c + noises[0], case_c + noises[1])


@pytest.mark.parametrize(
    ("hot_k", "hot_s", "case_k", "case_s"),
    [
        (21.0, 20.0, 31.5, 400.0),  # the demo module at 3.5 W
        (60.0, 5.0, 40.0, 100.0),
        (10.0, 60.0, 90.0, 300.0),  # the worst time constant for 300 s
        (20.0, 200.0, 75.0, 1200.0),
    ],
)
@pytest.mark.parametrize("noise_k", [0.0, 0.3])
def test_a_healthy_soak_never_comes_near_ten_kelvins_a_minute(
    hot_k: float, hot_s: float, case_k: float, case_s: float, noise_k: float
) -> None:
    trends, greatest = Trends(LIMITS), 0.0
    for seen in healthy(hot_k, hot_s, case_k, case_s, noise_k):
        add(trends, seen)
        assert trends.come_off() is None
        greatest = max(greatest, trends.value_of(HOT) or 0.0, trends.value_of(CASE) or 0.0)
    assert greatest < 10.0


def test_the_start_of_a_soak_would_break_it_if_it_were_judged() -> None:
    trends, greatest = Trends(LIMITS, judged_after_s=0.0), 0.0
    for seen in healthy(21.0, 20.0, 31.5, 400.0):
        add(trends, seen)
        greatest = max(greatest, trends.value_of(HOT) or 0.0)
    # 21 K / 20 s + 31.5 K / 400 s = 1.13 K/s at the start, over 10 s some 20 % less
    assert 40.0 < greatest < 68.0


def soaked(trends: Trends, noise_k: float = 0.0, until_s: int = 400) -> Random:
    random = Random(1)
    for t_s in range(until_s):
        add(trends, reading(float(t_s), 70.0 + random.gauss(0.0, noise_k), 55.0))
    return random


@pytest.mark.parametrize("noise_k", [0.0, 0.2])
def test_a_soaked_module_that_gets_hot_is_noticed_within_twenty_seconds(noise_k: float) -> None:
    trends = Trends(LIMITS)
    random = soaked(trends, noise_k)
    for t_s in range(400, 440):
        hot_c = 70.0 + (t_s - 400) * 20.0 / 60.0 + random.gauss(0.0, noise_k)
        add(trends, reading(float(t_s), hot_c, 55.0))
        if (trends.value_of(HOT) or 0.0) > 10.0:
            break
    assert t_s <= 420
    assert (trends.value_of(CASE) or 0.0) == 0.0


def test_one_mad_temperature_is_no_rise() -> None:
    trends = Trends(LIMITS)
    soaked(trends)
    for t_s in range(400, 430):
        add(trends, reading(float(t_s), 900.0 if t_s == 405 else 70.0, 55.0))
        assert (trends.value_of(HOT) or 0.0) < 10.0


def test_a_changed_set_point_or_a_chamber_starts_the_time_anew() -> None:
    def rising(prepare: Callable[[Trends], None], changed_s: float) -> float:
        trends = Trends(LIMITS)
        soaked(trends)
        prepare(trends)
        for t_s in range(400, 440):
            add(trends, reading(float(t_s), 70.0 + (t_s - 400) / 2.0, 55.0), changed_s)
        return trends.value_of(HOT) or 0.0

    assert rising(lambda trends: None, 0.0) == pytest.approx(30.0)
    assert rising(lambda trends: None, 399.0) == 0.0
    assert rising(lambda trends: trends.air_moves(399.0), 0.0) == 0.0
    assert RISE_JUDGED_AFTER_S == 300.0


def test_a_jump_of_the_loss_is_what_it_is_above_before() -> None:
    trends = Trends(LIMITS)
    for t_s in range(30):
        add(trends, reading(float(t_s), 70.0, 55.0))
    add(trends, reading(30.0, 70.0, 55.0, loss_w=9.5))
    assert trends.value_of(JUMP) == pytest.approx(6.0)


def test_a_loss_that_grows_with_the_heat_is_no_jump_and_new_set_points_begin_anew() -> None:
    trends = Trends(LIMITS)
    for t_s in range(300):  # from 3.5 W to 7 W in five minutes
        add(trends, reading(float(t_s), 70.0, 55.0, loss_w=3.5 + 3.5 * t_s / 300.0))
        assert (trends.value_of(JUMP) or 0.0) < 0.5
    add(trends, reading(300.0, 70.0, 55.0, loss_w=20.0), changed_s=299.9)
    assert trends.value_of(JUMP) is None


@pytest.mark.parametrize("over_s", [0.0, 5.0])
def test_a_thermometer_that_falls_off_is_noticed(over_s: float) -> None:
    """At once, or as a bead cools that hangs in the air: with a time constant of 5 s."""
    trends = Trends(LIMITS)
    soaked(trends)
    for tenth in range(100):
        t_s = 400.0 + tenth / 10.0
        left = exp(-(t_s - 400.0) / over_s) if over_s else 0.0
        add(trends, reading(t_s, 25.0 + 45.0 * left, 55.0))
        trip = trends.come_off()
        if trip is not None:
            break
    assert trip is not None and trip.quantity == "hot_spot_temp_c"
    assert "come off" in str(trip) and "near 70.0" in str(trip)
    assert t_s - 400.0 <= (2.0 if over_s else 0.0)


@pytest.mark.parametrize(("over_s", "is_seen"), [(0.0, True), (30.0, False)])
def test_ten_kelvins_less_at_once_are_no_module_and_a_fan_takes_longer(
    over_s: float, is_seen: bool
) -> None:
    # 85 °C in air of 25 °C falls to 75 °C: within the 15 K that a slow fall may have.
    trends, random = Trends(LIMITS), Random(2)
    trips = []
    for t_s in range(520):
        left = 0.0 if t_s < 400 else 1.0 - (exp(-(t_s - 400) / over_s) if over_s else 0.0)
        hot_c = 85.0 - 10.0 * left + random.gauss(0.0, 0.3)
        add(trends, reading(float(t_s), round(hot_c), 60.0))
        trips += [trip] if (trip := trends.come_off()) else []
    assert bool(trips) is is_seen


def test_a_thermometer_that_falls_off_as_more_is_drawn_is_noticed_too() -> None:
    trends = Trends(LIMITS)
    soaked(trends)
    add(trends, reading(400.0, 25.0, 55.0, loss_w=4.5), changed_s=399.9)
    assert trends.come_off() is not None


def cooling(trends: Trends, loss_w: float, hot_s: float = 5.0) -> bool:
    """Whether a fall to the air is taken for a lost thermometer at this loss from now on."""
    for t_s in range(400, 460):
        hot_c = 25.0 + 45.0 * exp(-(t_s - 400) / hot_s)
        add(trends, reading(float(t_s), hot_c, 55.0, loss_w), changed_s=400.0)
        if trends.come_off() is not None:
            return True
    return False


@pytest.mark.parametrize("loss_w", [0.0, 0.4, 1.5, 3.0])
def test_a_module_that_cools_at_less_load_is_healthy(loss_w: float) -> None:
    trends = Trends(LIMITS)
    soaked(trends)
    assert not cooling(trends, loss_w)


def test_a_module_that_shut_down_and_came_back_has_cooled() -> None:
    trends = Trends(LIMITS)
    soaked(trends)
    for t_s in range(400, 410):
        add(trends, reading(float(t_s), 70.0 - 3.0 * (t_s - 400), 55.0, loss_w=0.0))
    for t_s in range(410, 420):
        add(trends, reading(float(t_s), 40.0, 55.0))
        assert trends.come_off() is None


def test_a_chamber_that_cools_takes_no_thermometer_off() -> None:
    trends = Trends(LIMITS)
    for t_s in range(100):
        air_c = 60.0 - 0.5 * t_s  # 30 K/min
        seen = Reading(float(t_s), 24.0, 39.5 / 24.0, 9.0, 4.0, air_c, air_c + 20, air_c + 40)
        add(trends, seen)
        assert trends.come_off() is None
