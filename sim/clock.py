"""The simulated bench's time: virtual, or real at any speed.

Every box, the module's heat and (on an in-process bench) the runner read this one
clock. Nothing else in `sim` may sleep or ask for the time of day. A virtual clock
stands still until somebody sleeps, so waiting costs nothing and runs repeat exactly.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from typing import Protocol


class Clock(Protocol):
    """What the simulator asks of a clock."""

    def now_s(self) -> float:
        """Seconds since the clock was made; never goes back [s]."""
        ...

    def utc(self) -> datetime:
        """The time of day, timezone-aware UTC."""
        ...

    def sleep(self, s: float) -> None:
        """Let `s` seconds of this clock pass [s]; nothing happens for zero or less."""
        ...


class VirtualClock:
    """Time that moves only when somebody sleeps."""

    def __init__(self, start_utc: datetime) -> None:
        self._start_utc = _aware(start_utc)
        self._now_s = 0.0

    def now_s(self) -> float:
        """Seconds slept since the clock was made [s]."""
        return self._now_s

    def utc(self) -> datetime:
        """The starting time of day plus the seconds slept."""
        return self._start_utc + timedelta(seconds=self._now_s)

    def sleep(self, s: float) -> None:
        """Move time on by `s` seconds at once [s]."""
        if s > 0.0:
            self._now_s += s


class RealClock:
    """Wall time, run `speed` times as fast, for a bench served to other programs.

    Raises ValueError if `speed` is not above zero.
    """

    def __init__(self, speed: float = 1.0, start_utc: datetime | None = None) -> None:
        if not speed > 0.0:
            raise ValueError(f"a clock's speed must be above 0, not {speed!r}")
        self._speed = speed
        self._start_utc = datetime.now(UTC) if start_utc is None else _aware(start_utc)
        self._start_s = time.monotonic()

    def now_s(self) -> float:
        """Wall seconds since the clock was made, times the speed [s]."""
        return (time.monotonic() - self._start_s) * self._speed

    def utc(self) -> datetime:
        """The starting time of day plus the seconds passed."""
        return self._start_utc + timedelta(seconds=self.now_s())

    def sleep(self, s: float) -> None:
        """Wait until `s` seconds of this clock have passed [s]."""
        if s > 0.0:
            time.sleep(s / self._speed)


def _aware(start_utc: datetime) -> datetime:
    """A time of day without a zone is taken for UTC."""
    if start_utc.tzinfo is None:
        return start_utc.replace(tzinfo=UTC)
    return start_utc.astimezone(UTC)
