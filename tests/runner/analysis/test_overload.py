"""What lies beyond a limit, told from made-up readings of the shapes the trade knows."""

from __future__ import annotations

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.analysis.overload import (
    Beyond,
    beyond,
    came_back,
    fell,
    kind_of_limit,
    late_mean,
    runs,
    short_circuit_a,
)

VOUT_V = 9.0
SHARES = (0.7, 0.4, 0.15)


def at_resistances(knee_a: float, short_a: float) -> list[Beyond]:
    """Where a straight limit from the knee to a short meets each resistance."""
    points = []
    for share in SHARES:
        ohm = share * VOUT_V / knee_a
        slope = (knee_a - short_a) / VOUT_V
        i_a = short_a / (1.0 - slope * ohm)
        points.append(Beyond(ohm, i_a * ohm, i_a, pulsed=False))
    return points


@given(st.floats(0.5, 20.0), st.floats(0.05, 0.85))
def test_a_current_that_falls_with_the_voltage_is_foldback(knee_a: float, share: float) -> None:
    points = at_resistances(knee_a, share * knee_a)
    assert kind_of_limit(knee_a, VOUT_V, points, recovers=True) == "foldback"
    assert short_circuit_a(knee_a, VOUT_V, points) == pytest.approx(share * knee_a, rel=1e-6)


@given(st.floats(0.5, 20.0), st.floats(0.93, 1.07))
def test_a_current_that_holds_is_constant(knee_a: float, share: float) -> None:
    points = at_resistances(knee_a, share * knee_a)
    assert kind_of_limit(knee_a, VOUT_V, points, recovers=True) == "constant-current"


def test_a_current_that_rises_is_constant_power() -> None:
    points = [Beyond(0.0, v, 5.0 * VOUT_V / v, pulsed=False) for v in (7.0, 5.0, 3.0)]
    assert kind_of_limit(5.0, VOUT_V, points, recovers=True) == "constant-power"


def test_what_does_not_come_back_is_latched_whatever_it_gave() -> None:
    dead = [Beyond(1.0, 0.0, 0.0, pulsed=False)]
    assert kind_of_limit(5.0, VOUT_V, dead, recovers=False) == "latch-off"
    assert kind_of_limit(5.0, VOUT_V, dead, recovers=True) == "collapse"


def test_an_output_that_is_still_held_shows_no_limit() -> None:
    assert (
        kind_of_limit(5.0, VOUT_V, [Beyond(1.7, 8.9, 5.2, pulsed=False)], recovers=True) == "none"
    )


def pulses(period_s: float, burst_s: float, for_s: float, every_s: float) -> Beyond:
    t_s = [k * every_s for k in range(int(for_s / every_s))]
    on = [(t % period_s) < burst_s for t in t_s]
    return beyond(0.5, t_s, [2.5 * one for one in on], [5.0 * one for one in on])


@pytest.mark.parametrize(("period_s", "burst_s"), [(0.22, 0.03), (1.0, 0.1), (0.1, 0.05)])
def test_pulses_are_seen_and_their_period_told(period_s: float, burst_s: float) -> None:
    seen = pulses(period_s, burst_s, 4.0, 0.02)
    assert seen.pulsed and seen.period_s == pytest.approx(period_s, rel=0.05)
    assert kind_of_limit(5.0, VOUT_V, [seen], recovers=True) == "hiccup"


def test_pulses_of_less_than_four_readings_have_no_period() -> None:
    seen = pulses(0.05, 0.025, 2.0, 0.02)
    assert seen.pulsed and seen.period_s is None


def test_noise_is_no_pulse() -> None:
    noise = Random(3)
    t_s = [0.02 * k for k in range(200)]
    amps = [5.0 + noise.gauss(0.0, 0.3) for _ in t_s]
    assert not beyond(0.5, t_s, [2.5] * 200, amps).pulsed


def test_the_way_there_is_left_out_of_the_mean() -> None:
    seen = beyond(0.5, [0.0, 0.05, 0.1, 0.2, 0.3], [9.0, 5.0, 2.5, 2.5, 2.5], [0.0, 3.0, 5, 5, 5])
    assert (seen.vout_v, seen.iout_a) == (2.5, 5.0)
    assert late_mean([0.0, 0.1, 0.2, 0.3], [9.0, 9.0, 1.0, 3.0], 0.15) == 2.0
    assert late_mean([0.0, 0.1], [9.0, 4.0], 5.0) == 4.0


# ----------------------------------------------------------------------------- in time

T_S = [0.0, 1.0, 2.0, 3.0, 4.0]


def test_a_fall_lies_between_two_readings() -> None:
    moment = fell(T_S, [9.0, 9.0, 3.0, 3.0, 3.0], 8.5)
    assert moment is not None and (moment.before_s, moment.after_s) == (1.0, 2.0)
    assert fell(T_S, [9.0] * 5, 8.5) is None
    assert fell(T_S, [9.0, 3.0, 9.0, 9.0, 9.0], 8.5) is None  # one mad reading is no fall
    last = fell(T_S, [9.0, 9.0, 9.0, 9.0, 3.0], 8.5)
    assert last is not None and last.after == 4


def test_back_means_to_stay() -> None:
    moment = came_back(T_S, [0.0, 9.0, 0.0, 9.0, 9.0], 8.5)
    assert moment is not None and (moment.before_s, moment.after_s) == (2.0, 3.0)
    assert came_back(T_S, [0.0, 9.0, 9.0, 9.0, 0.0], 8.5) is None
    there = came_back(T_S, [9.0] * 5, 8.5)
    assert there is not None and there.after_s == 0.0


def test_an_output_that_follows_the_line_down_still_runs() -> None:
    assert runs(24.0, 9.0, 9.0) and runs(6.0, 4.5, 9.0)
    assert not runs(6.0, 0.1, 9.0) and not runs(24.0, 1.0, 9.0)
