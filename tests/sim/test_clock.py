"""The simulated bench's clocks."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest

from sim.clock import RealClock, VirtualClock


def test_virtual_time_moves_only_by_sleeping() -> None:
    clock = VirtualClock(datetime(2026, 6, 21, 4, tzinfo=UTC))
    assert clock.now_s() == 0.0
    clock.sleep(3600.0)
    clock.sleep(-5.0)
    assert clock.now_s() == 3600.0
    assert clock.utc() == datetime(2026, 6, 21, 5, tzinfo=UTC)


def test_start_is_taken_to_utc() -> None:
    summer = timezone(timedelta(hours=2))
    assert VirtualClock(datetime(2026, 6, 21, 6, tzinfo=summer)).utc().hour == 4
    assert VirtualClock(datetime(2026, 6, 21, 6)).utc() == datetime(2026, 6, 21, 6, tzinfo=UTC)


def test_real_clock_runs_at_its_speed() -> None:
    clock = RealClock(speed=1000.0, start_utc=datetime(2026, 6, 21, tzinfo=UTC))
    before_s = clock.now_s()
    clock.sleep(10.0)
    assert clock.now_s() >= before_s + 10.0
    assert clock.utc() >= datetime(2026, 6, 21, 0, 0, 10, tzinfo=UTC)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_real_clock_refuses_to_stand_still(speed: float) -> None:
    with pytest.raises(ValueError, match="above 0"):
        RealClock(speed=speed)
