"""The slope of a few readings that one mad reading cannot bend, and how well it is known.

Pure. Called by `trends` while a run is watched. Theil-Sen: the median of the slopes of all
pairs (P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", JASA 63
(1968) 1379-1389); up to 29 % of the readings may be wrong without moving it far.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import sqrt

MAD_TO_SD = 1.4826
"""Median absolute deviation to standard deviation of a normal law (1 / 0.6745)."""


def median(values: Sequence[float]) -> float:
    """The middle value, or the mean of the two in the middle. `values` must not be empty."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    if len(ordered) % 2:
        return ordered[middle]
    return 0.5 * (ordered[middle - 1] + ordered[middle])


def robust_slope(times_s: Sequence[float], values: Sequence[float]) -> tuple[float, float]:
    """The Theil-Sen slope [unit/s] and its standard uncertainty [unit/s].

    The uncertainty is that of a fitted line, its scatter taken from the median absolute
    deviation of the residuals, so that a mad reading does not widen it. Needs two different times.
    """
    pairs = [
        (values[j] - values[i]) / (times_s[j] - times_s[i])
        for i in range(len(values))
        for j in range(i + 1, len(values))
        if times_s[j] > times_s[i]
    ]
    slope = median(pairs)
    offset = median([value - slope * t_s for t_s, value in zip(times_s, values, strict=True)])
    residuals = [
        abs(value - offset - slope * t_s) for t_s, value in zip(times_s, values, strict=True)
    ]
    mean_s = sum(times_s) / len(times_s)
    spread = sqrt(sum((t_s - mean_s) ** 2 for t_s in times_s))
    return slope, MAD_TO_SD * median(residuals) / spread
