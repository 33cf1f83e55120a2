"""A readback that stands still is noticed when what it follows moves, and not before."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from runner.errors import Tripped
from runner.implausible import Standstills
from runner.steps import Reading

AT_REST = Reading(0.0, 24.0, 0.833, 9.04, 2.0, 25.0, 40.1, 52.3)
"""24 V and 0.83 A in, 9.04 V and 2 A out: 20 W to 18.1 W."""


def first_trip(
    readings: list[Reading], line_set_v: float = 24.0, seen: Standstills | None = None
) -> Tripped | None:
    seen = seen or Standstills()
    return next((trip for r in readings if (trip := seen.stuck(r, line_set_v))), None)


def every_second(reading: Reading, from_s: float, n: int) -> list[Reading]:
    return [replace(reading, t_s=from_s + k) for k in range(n)]


def test_boxes_that_show_the_same_digits_all_night_are_no_sign_of_anything() -> None:
    assert first_trip(every_second(AT_REST, 0.0, 40_000)) is None


def test_an_input_that_stands_still_while_more_is_drawn_is_stuck() -> None:
    more = replace(AT_REST, iout_a=3.0)
    trip = first_trip(every_second(AT_REST, 0.0, 5) + every_second(more, 5.0, 5))
    assert trip is not None and trip.quantity == "iin_a"
    assert "pout_w went from 18.08 to 27.12" in str(trip)


def test_an_output_that_stands_still_while_more_is_taken_is_stuck() -> None:
    more = replace(AT_REST, iin_a=1.25)
    trip = first_trip(every_second(AT_REST, 0.0, 5) + every_second(more, 5.0, 5))
    assert trip is not None and trip.quantity == "iout_a"


def test_a_line_that_stands_still_after_it_was_set_is_stuck() -> None:
    seen = Standstills()
    assert first_trip(every_second(AT_REST, 0.0, 5), 24.0, seen) is None
    trip = first_trip(every_second(AT_REST, 5.0, 5), 26.0, seen)
    assert trip is not None and trip.quantity == "vin_v"


def test_a_readback_may_lag_behind_for_half_a_second() -> None:
    more = replace(AT_REST, iout_a=3.0)
    lagging = [replace(more, t_s=5.0 + 0.05 * k) for k in range(10)]
    followed = replace(more, iin_a=1.25, t_s=5.5)
    assert first_trip([*every_second(AT_REST, 0.0, 5), *lagging, followed]) is None


def test_a_hot_spot_that_stands_still_for_a_minute_of_another_loss_is_stuck() -> None:
    # Loss from 1.9 W to 3.9 W; a line that shows its last digit moving is not stuck itself.
    def hotter(k: int) -> Reading:
        return replace(AT_REST, iin_a=1.29 + 0.001 * (k % 2), iout_a=3.0, t_s=5.0 + k)

    trip = first_trip([*every_second(AT_REST, 0.0, 5), *(hotter(k) for k in range(70))])
    assert trip is not None and trip.quantity == "hot_spot_temp_c"
    assert "stands still to the digit" in str(trip)
    warming = [replace(hotter(k), hot_spot_temp_c=52.0 + 0.1 * k) for k in range(110)]
    warming = [replace(r, case_temp_c=40.0 + 0.01 * r.t_s) for r in warming]
    assert first_trip([*every_second(AT_REST, 0.0, 5), *warming]) is None


def test_a_coarse_display_may_stand_still_in_a_module_that_warms_by_less_than_a_digit() -> None:
    # 1 K a digit; 1.9 W to 3.9 W on 0.2 K/W, as on a large heat sink.
    cold = replace(AT_REST, hot_spot_temp_c=52.0, case_temp_c=40.0)
    more = [
        replace(cold, iin_a=1.29 + 0.001 * (k % 2), iout_a=3.0, t_s=5.0 + k) for k in range(300)
    ]
    assert first_trip([*every_second(cold, 0.0, 5), *more]) is None


def test_a_coarse_display_that_was_warm_is_stuck_after_five_minutes() -> None:
    # 25 °C, then 52 °C at 1.9 W; at 3.9 W for longer than its digits can hide.
    seen = Standstills()
    for hot_c, n in ((25.0, 3), (52.0, 400)):
        assert (
            first_trip(
                [replace(r, hot_spot_temp_c=hot_c) for r in every_second(AT_REST, 0.0, n)],
                24.0,
                seen,
            )
            is None
        )
    more = [
        replace(AT_REST, iin_a=1.29 + 0.001 * (k % 2), iout_a=3.0, hot_spot_temp_c=52.0)
        for k in range(310)
    ]
    stuck = [replace(r, t_s=400.0 + k, case_temp_c=40.1 + 0.01 * k) for k, r in enumerate(more)]
    assert first_trip(stuck[:290], 24.0, seen) is None
    trip = first_trip(stuck[290:], 24.0, seen)
    assert trip is not None and trip.quantity == "hot_spot_temp_c"


def test_a_sweep_at_small_loads_finds_a_warm_module_where_it_was() -> None:
    # A case with 1500 s, read to 0.1 K: a minute at no load, then the load of before for an hour.
    less = replace(AT_REST, iin_a=0.01, iout_a=0.0)
    run = [
        *every_second(AT_REST, 0.0, 2000),
        *every_second(replace(less, case_temp_c=40.0), 2000.0, 59),
        *every_second(less, 2059.0, 1),
        *(
            replace(AT_REST, hot_spot_temp_c=52.3 + 0.1 * (k % 2), t_s=2060.0 + k)
            for k in range(3600)
        ),
    ]
    assert first_trip(run) is None


def test_the_output_of_a_linear_regulator_stands_still_while_the_line_moves() -> None:
    # What goes in is the line times the same current; the output and its digits stay.
    seen = Standstills()
    for k in range(40):
        line_v = 12.0 - 0.1 * k
        falling = Reading(float(k), line_v, 0.735 + 0.001 * (k % 2), 5.0, 0.727)
        assert seen.stuck(falling, line_v) is None


def test_more_power_out_than_in_is_noticed_once_it_lasts() -> None:
    # An input meter on another range: a tenth of 0.833 A.
    wrong = replace(AT_REST, iin_a=0.0833)
    readings = [replace(wrong, iin_a=wrong.iin_a + 1e-4 * (k % 2), t_s=float(k)) for k in range(7)]
    assert first_trip(readings[:5]) is None
    trip = first_trip(readings)
    assert trip is not None and trip.quantity == "pout_w" and "pin_w" in str(trip)


def test_an_efficiency_of_one_within_the_meters_errors_is_none() -> None:
    # 98 % as two meters see it that are 1 % off each: 99.9 %, and 103 % at the worst of them.
    for iin_a in (18.08 / 24.0 / 0.999, 18.08 / 24.0 / 1.03):
        near = [replace(AT_REST, iin_a=iin_a + 1e-4 * (k % 2), t_s=float(k)) for k in range(60)]
        assert first_trip(near) is None


def colder(hot_c: float, n: int) -> list[Reading]:
    near = replace(AT_REST, case_temp_c=43.1)
    return [
        replace(near, iin_a=0.833 + 0.001 * (k % 2), hot_spot_temp_c=hot_c + 0.1 * (k % 2), t_s=k)
        for k in map(float, range(n))
    ]


def test_a_hot_spot_that_stays_below_its_case_is_a_lost_thermometer() -> None:
    assert first_trip(colder(23.0, 60)) is None
    trip = first_trip(colder(23.0, 63))
    assert trip is not None and trip.quantity == "hot_spot_temp_c" and "case_temp_c" in str(trip)
    assert first_trip(colder(36.0, 600)) is None  # two sensors of class 2 and their lags


def test_without_an_output_voltage_nothing_is_said() -> None:
    blind = replace(AT_REST, vout_v=None, iout_a=None)
    assert first_trip(every_second(blind, 0.0, 10)) is None


@given(st.lists(st.floats(0.1, 5.0), min_size=2, max_size=30))
def test_a_healthy_bench_of_coarse_boxes_is_never_called_stuck(loads_a: list[float]) -> None:
    # Volts to 0.1 V and amperes to 0.01 A; 90 % efficiency at every load.
    seen, t_s = Standstills(), 0.0
    for iout_a in loads_a:
        iin_a = round(9.0 * round(iout_a, 2) / 0.9 / 24.0, 2)
        reading = Reading(t_s, 24.0, iin_a, 9.0, round(iout_a, 2))
        for k in range(8):
            assert seen.stuck(replace(reading, t_s=t_s + 0.3 * k), 24.0) is None
        t_s += 3.0
