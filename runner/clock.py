"""The runner's time. The only place of the runner that sleeps or asks the time of day.

A simulated bench in process brings a clock of the same shape; nothing above
knows which one it holds.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Monotonic seconds for durations, UTC for stamps, and waiting."""

    def now_s(self) -> float:
        """Seconds since the clock was made; never jumps."""
        ...

    def utc(self) -> datetime:
        """The time of day, aware, in UTC."""
        ...

    def sleep(self, s: float) -> None:
        """Let `s` [s] pass."""
        ...


class WallClock:
    """Real time."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def now_s(self) -> float:
        """Monotonic seconds since this clock was made."""
        return time.monotonic() - self._start

    def utc(self) -> datetime:
        """The computer's time of day in UTC."""
        return datetime.now(UTC)

    def sleep(self, s: float) -> None:
        """Wait `s` [s] of real time."""
        if s > 0.0:
            time.sleep(s)


class Later:
    """A clock that goes on from an earlier session: `offset_s` [s] more have passed."""

    def __init__(self, clock: Clock, offset_s: float) -> None:
        self._clock, self._offset_s = clock, offset_s

    def now_s(self) -> float:
        """Seconds since the first session began."""
        return self._clock.now_s() + self._offset_s

    def utc(self) -> datetime:
        """The time of day in UTC."""
        return self._clock.utc()

    def sleep(self, s: float) -> None:
        """Let `s` [s] pass."""
        self._clock.sleep(s)


JUMP_S = 2.0
"""The time of day may drift from the seconds counted by this before it is said [s]."""


class TwoClocks:
    """Holds the time of day against the seconds counted: durations never follow a jump of it."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._apart_s = self._now_apart_s()

    def jump(self) -> str:
        """What happened to the time of day since the last call, in words; empty for nothing."""
        before_s, self._apart_s = self._apart_s, self._now_apart_s()
        jumped_s = self._apart_s - before_s
        if abs(jumped_s) < JUMP_S:
            return ""
        return (
            f"the time of day jumped by {jumped_s:+.1f} s (the clock was set, or the computer "
            "slept); seconds of the run are counted on and do not follow it"
        )

    def _now_apart_s(self) -> float:
        return self._clock.utc().timestamp() - self._clock.now_s()


def stamp(moment: datetime) -> str:
    """ISO 8601 in UTC to the millisecond, as the journal and the CSVs carry it."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
