"""Time left, against the plain sum of what is planned."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.pace import MOST_MARKS, Pace, as_record

DURATIONS = st.lists(st.floats(0.0, 5000.0), max_size=60)


@given(DURATIONS)
def test_left_is_the_sum_of_the_steps_from_here(durations_s: list[float]) -> None:
    pace, kept = Pace.of(durations_s), Pace(**as_record(durations_s))
    for k in range(len(durations_s) + 2):
        assert pace.left_s(k, 0.0) == pytest.approx(sum(durations_s[k:]), abs=1e-6)
        assert kept.left_s(k, 0.0) == pytest.approx(sum(durations_s[k:]), abs=0.01)


@pytest.mark.parametrize("steps", [499, 500, 501, 1000, 12_345])
def test_a_long_plan_is_kept_short(steps: int) -> None:
    kept = as_record([1.0] * steps)
    assert len(kept["left_s"]) <= MOST_MARKS + 2
    pace = Pace(**kept)
    for k in range(0, steps, 97):
        assert pace.left_s(k, 0.0) == pytest.approx(steps - k, abs=kept["every"])
    assert pace.left_s(steps, 0.0) <= kept["every"]
    assert pace.left_s(steps + kept["every"], 0.0) == 0.0


def test_soaks_that_take_twice_as_long_double_what_is_left() -> None:
    pace = Pace.of([1000.0, 10.0, 1000.0, 10.0])
    pace.soaked(0, 2000.0)
    assert pace.left_s(1, 0.0) == pytest.approx(2.0 * 1020.0)
    assert pace.left_s(1, 40.0) == pytest.approx(2000.0)


def test_nothing_planned_leaves_nothing() -> None:
    assert Pace(()).left_s(3, 1.0) == 0.0
