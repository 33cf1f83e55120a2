"""Limits are looked at on every reading and in every slice of a wait."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from runner.errors import Stopped, Tripped
from runner.interlocks import SLICE_S, Limit, Watch, margins
from runner.steps import Reading
from tests.runner.fakes import StepClock

GOOD = Reading(0.0, 24.0, 1.0, 9.0, 2.4, 25.0, 50.0, 60.0)
LIMITS = (
    Limit("hot_spot_temp_c", 110.0, "module file"),
    Limit("ploss_w", 5.0, "bench file"),
    Limit("vout_v", 10.5, "bench file"),
)


def watch(readings: list[Reading], check_stop: Callable[[], None] = lambda: None) -> Watch:
    left = iter(readings)
    return Watch(lambda: next(left, GOOD), StepClock(), LIMITS, check_stop)


@pytest.mark.parametrize(
    ("reading", "quantity"),
    [
        (replace(GOOD, hot_spot_temp_c=110.1), "hot_spot_temp_c"),
        (replace(GOOD, iin_a=1.2), "ploss_w"),  # 24 V x 1.2 A - 9 V x 2.4 A = 7.2 W
        (replace(GOOD, vout_v=24.0), "vout_v"),
        (replace(GOOD, vout_v=float("nan")), "ploss_w"),
        (replace(GOOD, supply_mode="TRIPPED"), "supply protection"),
        (replace(GOOD, load_mode="TRIPPED"), "load protection"),
    ],
)
def test_a_limit_broken_twice_is_a_trip(reading: Reading, quantity: str) -> None:
    with pytest.raises(Tripped) as caught:
        watch([reading, reading]).look()
    assert caught.value.quantity == quantity
    assert caught.value.exit_code == 3


def test_one_mad_sample_is_confirmed_by_a_second_look_and_let_pass() -> None:
    assert watch([replace(GOOD, hot_spot_temp_c=900.0), GOOD]).look() == GOOD


def test_an_output_that_goes_off_by_itself_is_a_trip() -> None:
    off = replace(GOOD, supply_mode="OFF")
    assert watch([off]).look() == off  # nobody switched it on
    eye = watch([off, off])
    eye.supply_is_on = True
    with pytest.raises(Tripped, match="supply output"):
        eye.look()


def test_a_wait_looks_at_least_once_a_second() -> None:
    seen: list[float] = []
    clock = StepClock()

    def look() -> Reading:
        seen.append(clock.now_s())
        return GOOD

    Watch(look, clock, LIMITS, lambda: None).wait(7.5)
    assert clock.now_s() == pytest.approx(7.5)
    gaps = [b - a for a, b in zip([0.0, *seen], [*seen, 7.5], strict=True)]
    assert max(gaps) <= SLICE_S + 1e-9


def test_a_request_to_stop_is_found_before_anything_is_read() -> None:
    def stop() -> None:
        raise Stopped("stopped by SIGTERM")

    with pytest.raises(Stopped):
        watch([], stop).look()


def test_a_margin_says_how_much_of_a_limit_is_used() -> None:
    used = {m.limit.quantity: m.used for m in margins(LIMITS, GOOD)}
    assert used["hot_spot_temp_c"] == pytest.approx(60.0 / 110.0)
    assert used["ploss_w"] == pytest.approx((24.0 - 21.6) / 5.0)


def test_a_quantity_without_a_thermometer_has_no_margin() -> None:
    blind = replace(GOOD, hot_spot_temp_c=None)
    assert "hot_spot_temp_c" not in {m.limit.quantity for m in margins(LIMITS, blind)}


def test_a_loss_between_two_readings_is_confirmed_once_the_set_point_stands() -> None:
    # Output read after a release, input before it: 24 V x 1.2 A in, nothing out.
    torn = replace(GOOD, iin_a=1.2, iout_a=0.0)
    clock = StepClock()
    readings = iter([torn, GOOD])
    eye = Watch(lambda: next(readings), clock, LIMITS, lambda: None)
    eye.changed_s = clock.now_s()
    assert eye.look() == GOOD
    assert clock.now_s() == pytest.approx(0.5)


def test_a_real_loss_still_trips_after_a_change() -> None:
    hot = replace(GOOD, iin_a=1.2)
    eye = watch([hot, hot])
    eye.changed_s = 0.0
    with pytest.raises(Tripped, match="ploss_w"):
        eye.look()
