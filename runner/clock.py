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


def stamp(moment: datetime) -> str:
    """ISO 8601 in UTC to the millisecond, as the journal and the CSVs carry it."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")
