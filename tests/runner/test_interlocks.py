"""Limits are looked at on every reading and in every slice of a wait."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from runner.errors import Stopped, Tripped
from runner.interlocks import MOST_DOUBTS, SLICE_S, Least, Limit, Watch, margins
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


def noted(readings: list[Reading], limits: tuple[Limit, ...] = LIMITS) -> tuple[Watch, list[str]]:
    left, notes = iter(readings), list[str]()
    eye = Watch(lambda: next(left, GOOD), StepClock(), limits, lambda: None)
    eye.doubted = notes.append
    return eye, notes


def test_a_mad_sample_is_let_pass_but_not_kept_quiet() -> None:
    eye, notes = noted([replace(GOOD, hot_spot_temp_c=900.0), GOOD, GOOD])
    eye.look()
    eye.look()
    (note,) = notes
    assert "not confirmed by a second look" in note
    assert "hot_spot_temp_c is 900, allowed is 110 (module file)" in note


def test_a_noisy_meter_does_not_fill_the_journal() -> None:
    mad = replace(GOOD, vin_v=99.0)
    eye, notes = noted([replace(r, t_s=10.0 * k) for k in range(200) for r in (mad, GOOD)])
    for _ in range(200):
        eye.look()
    assert len(notes) == MOST_DOUBTS and "No more" in notes[-1]


def test_what_comes_and_goes_ten_times_a_minute_is_no_single_mad_sample() -> None:
    mad = replace(GOOD, vin_v=99.0)
    eye, _ = noted([replace(r, t_s=5.0 * k) for k in range(20) for r in (mad, GOOD)])
    for _ in range(9):
        eye.look()
    with pytest.raises(Tripped, match=r"ploss_w is .*came and went 10 times within 45 s"):
        eye.look()


def test_a_loss_torn_by_a_set_point_that_moves_is_no_mad_sample() -> None:
    eye, notes = noted([replace(GOOD, iin_a=1.2, iout_a=0.0), GOOD])
    eye.changed_s = 0.0
    eye.look()
    assert notes == []


def test_a_thermometer_that_gives_no_number_is_a_trip_and_no_blank() -> None:
    lost = replace(GOOD, case_temp_c=float("nan"))
    eye = watch([lost, lost])
    eye.unread = lambda quantity: f"{quantity}: 9.9E37 came"
    with pytest.raises(Tripped) as caught:
        eye.look()
    trip = caught.value
    assert (trip.quantity, trip.value, trip.limit) == ("case_temp_c", "not read", "a temperature")
    assert trip.source == "case_temp_c: 9.9E37 came"


@pytest.mark.parametrize(
    ("on", "at_s", "trips"), [(True, 2.5, True), (True, 1.5, False), (False, 2.5, False)]
)
def test_a_least_value_is_held_against_a_line_that_is_on_and_stands(
    on: bool, at_s: float, trips: bool
) -> None:
    low = replace(GOOD, t_s=at_s, vin_v=11.0)
    least = (Least("vin_v", 15.0, "bench file"),)
    readings = iter([low, low])
    eye = Watch(lambda: next(readings), StepClock(), (), lambda: None, leasts=least)
    eye.supply_is_on, eye.changed_s = on, 0.0
    if not trips:
        assert eye.look() == low
        return
    with pytest.raises(Tripped, match=r"vin_v is 11, allowed is at least 15 \(bench file\)"):
        eye.look()


def test_a_jump_of_the_loss_is_a_trip_with_all_that_belongs_to_it() -> None:
    limit = Limit("ploss_jump_w", 2.0, "[limits] of the module file")
    readings = [replace(GOOD, t_s=float(k)) for k in range(20)]
    jumped = replace(GOOD, t_s=20.0, iin_a=1.1)  # 2.4 W more at 24 V
    after = replace(GOOD, t_s=20.5)
    eye, notes = noted([*readings, jumped, after, jumped, jumped], (limit,))
    eye.changed_s = -1.0
    for _ in range(21):
        eye.look()
    assert "ploss_jump_w" in notes[0]
    with pytest.raises(Tripped) as caught:
        eye.look()
    trip = caught.value
    assert (trip.quantity, trip.limit) == ("ploss_jump_w", 2.0)
    assert trip.value == pytest.approx(2.4) and "module file" in trip.source


def test_power_in_and_out_may_have_limits_of_their_own() -> None:
    for quantity, watts in (("pin_w", 24.0), ("pout_w", 21.6)):
        assert watch([GOOD]).look() == GOOD
        eye, _ = noted([GOOD, GOOD], (Limit(quantity, watts - 1.0, "bench file"),))
        with pytest.raises(Tripped, match=quantity):
            eye.look()
