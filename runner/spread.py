"""Mean and standard deviation of a stream of samples, in constant memory.

Used by the engine while it reads; the method is Welford's (Technometrics 4(3), 1962,
p. 419), which does not lose digits when the spread is small beside the mean.
"""

from __future__ import annotations

import math


class Spread:
    """Takes samples one by one; knows their mean and their sample standard deviation."""

    __slots__ = ("_m2", "mean", "n")

    def __init__(self) -> None:
        self.n, self.mean, self._m2 = 0, 0.0, 0.0

    def add(self, value: float) -> None:
        """Take one sample."""
        self.n += 1
        step = value - self.mean
        self.mean += step / self.n
        self._m2 += step * (value - self.mean)

    @property
    def sd(self) -> float:
        """Sample standard deviation (n - 1), 0.0 for fewer than two samples."""
        return math.sqrt(self._m2 / (self.n - 1)) if self.n > 1 else 0.0
