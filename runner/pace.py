"""How much time a run has left, from its plan and from the soaks seen so far.

The run record carries the plan as a short list, so that whoever follows a run from its
folder reckons exactly as the screen beside the bench does. No clock is read here.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import accumulate
from math import ceil
from typing import Any

MOST_MARKS = 500
"""Entries of the list in the run record, however many steps a sequence has."""


class Pace:
    """Time left, learned from how long the soaks take beside their plan.

    `left_s[k]` is the planned time [s] from the beginning of step `k * every` to the end.
    """

    def __init__(self, left_s: Sequence[float], every: int = 1) -> None:
        self._marks_s, self._every = list(left_s) or [0.0], every
        self._planned_s = self._took_s = 0.0

    @classmethod
    def of(cls, durations_s: Sequence[float]) -> Pace:
        """The pace of a plan whose steps take `durations_s` [s]."""
        return cls(_left(durations_s))

    def soaked(self, index: int, elapsed_s: float) -> None:
        """Learn from the soak of step `index`, which took `elapsed_s` [s]."""
        self._planned_s += self._planned_left_s(index) - self._planned_left_s(index + 1)
        self._took_s += elapsed_s

    def left_s(self, index: int, in_step_s: float) -> float:
        """Time to the end [s], `in_step_s` [s] after step `index` began."""
        factor = self._took_s / self._planned_s if self._planned_s > 0.0 else 1.0
        return max(0.0, self._planned_left_s(index) * factor - in_step_s)

    def _planned_left_s(self, index: int) -> float:
        whole, part = divmod(max(0, index), self._every)
        if whole >= len(self._marks_s) - 1:
            return self._marks_s[-1]
        here_s, next_s = self._marks_s[whole], self._marks_s[whole + 1]
        return here_s + (next_s - here_s) * part / self._every


def as_record(durations_s: Sequence[float]) -> dict[str, Any]:
    """The plan as the run record carries it; `Pace(**it)` makes a pace of it."""
    left_s = _left(durations_s)
    every = max(1, ceil((len(left_s) - 1) / MOST_MARKS))
    marks_s = left_s[::every]
    if (len(left_s) - 1) % every:
        marks_s.append(0.0)
    return {"left_s": [round(mark_s, 2) for mark_s in marks_s], "every": every}


def _left(durations_s: Sequence[float]) -> list[float]:
    return [*accumulate(reversed(durations_s), initial=0.0)][::-1]
