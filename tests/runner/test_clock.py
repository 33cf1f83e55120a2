"""The time of day may be set while a run goes on: durations do not follow, and it is said."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest

from runner.clock import TwoClocks
from sim.build import SimBench
from tests.runner.fakes import StepClock
from tests.runner.live import Live

BODY = """
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Settle()
    yield Wait(30.0)
    yield Read()
    yield PowerDown()
"""


class Set(StepClock):
    """A clock whose time of day somebody sets."""

    moved_s = 0.0

    def utc(self) -> datetime:
        return super().utc() + timedelta(seconds=self.moved_s)


def test_time_that_passes_is_no_jump() -> None:
    clock = Set()
    clocks = TwoClocks(clock)
    for _ in range(100):
        clock.sleep(3600.0)
        clock.moved_s += 0.5  # a computer's clock that is drawn to the right time
        assert clocks.jump() == ""


@pytest.mark.parametrize("hours", [3.0, -3.0])
def test_a_jump_is_said_once_with_its_size(hours: float) -> None:
    clock = Set()
    clocks = TwoClocks(clock)
    clock.moved_s = 3600.0 * hours
    said = clocks.jump()
    assert f"jumped by {3600.0 * hours:+.1f} s" in said
    assert clocks.jump() == ""


@pytest.mark.parametrize("hours", [5.0, -5.0])
def test_a_run_goes_on_by_the_seconds_it_counts(live: Live, hours: float) -> None:
    def jumps(bench: SimBench) -> None:
        clock: Any = bench.clock
        utc, began = clock.utc, datetime(2026, 6, 21, 4, 0, 10, tzinfo=UTC)

        def jumped() -> datetime:
            now: datetime = utc()
            return now + timedelta(hours=hours) if now > began else now

        clock.utc = jumped

    def points() -> list[dict[str, Any]]:
        return [r["values"] for r in live.records() if r.get("outcome") == "Point"]

    straight = live.run(live.sequence(BODY))
    (usual,) = points()
    straight.folder.rename(live.folder / "straight")
    done = live.run(live.sequence(BODY), prepare_bench=jumps)
    assert done.ending.exit_code == 0
    assert points() == [usual]  # its times included
    records = live.records()
    times_s = [record["t_s"] for record in records]
    assert all(later > earlier - 1e-6 for earlier, later in pairwise(times_s))
    (note,) = [r for r in records if "time of day jumped" in r.get("text", "")]
    assert f"{3600.0 * hours:+.0f}" in note["text"].replace(".0 s", "")
    stamps = [datetime.fromisoformat(record["utc"]) for record in records]
    apart_h = (stamps[-1] - stamps[0]).total_seconds() / 3600.0
    assert apart_h == pytest.approx(hours, abs=0.1)  # the record shows what the clock said
