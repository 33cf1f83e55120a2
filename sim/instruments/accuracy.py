"""True errors of an instrument, drawn once from the bench's seed within its stated accuracy.

Gain and offset are rectangular within their limits (JCGM 100:2008, 4.3.7: a maker's limits
without further knowledge); noise is Gaussian and small beside them. The boxes read and
set through these; nothing here knows a command.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from sim.instruments.spec import Accuracy

NOISE_OF_FLOOR = 0.02  # standard deviation as a part of the fixed limits: quiet beside the errors


def resolution_of(range_max: float, counts: float = 1e4) -> float:
    """Return the step of a display: the decade of the range over `counts` [same unit]."""
    return 10.0 ** math.floor(math.log10(range_max) + 1e-9) / counts


def decimals_of(resolution: float) -> int:
    """Return how many decimals show one step of `resolution`."""
    return max(0, round(-math.log10(resolution)))


class Range:
    """One range of one quantity with its own true gain, offset and noise."""

    __slots__ = ("_decimals", "_gain", "_gauss", "_offset", "_sigma", "_template", "max")

    def __init__(self, accuracy: Accuracy, random: Random, counts: float = 1e4) -> None:
        resolution = resolution_of(accuracy.range_max, counts)
        floor = accuracy.floor()
        self.max = accuracy.range_max
        self._gain = 1.0 + random.uniform(-1.0, 1.0) * accuracy.reading_pct / 100.0
        self._offset = random.uniform(-1.0, 1.0) * floor
        self._sigma = NOISE_OF_FLOOR * floor
        self._decimals = decimals_of(resolution)
        self._template = f"%.{self._decimals}f"
        self._gauss = random.gauss

    def spoil(self, offset: float, scale: float) -> None:
        """Add an error beyond the stated ones: `offset` [unit of the range], then `scale` times."""
        self._gain *= scale
        self._offset = self._offset * scale + offset

    def stick(self, true: float) -> Callable[[], None]:
        """Show from now on what it reads of `true`, for ever; return what ends that."""
        was = self._gain, self._offset, self._sigma
        self._gain, self._offset, self._sigma = 0.0, self.value(true), 0.0

        def go_on() -> None:
            self._gain, self._offset, self._sigma = was

        return go_on

    def value(self, true: float, quiet: float = 1.0) -> float:
        """Return one reading of `true`, its noise divided by `quiet`."""
        return true * self._gain + self._offset + self._gauss(0.0, self._sigma / quiet)

    def text(self, true: float) -> str:
        """Return one reading of `true` as the box sends it, rounded to its resolution."""
        return self._template % (true * self._gain + self._offset + self._gauss(0.0, self._sigma))

    def rounded(self, reading: float) -> float:
        """Return a reading rounded to the resolution of the range."""
        return round(reading, self._decimals)


class Programmed:
    """The true output behind a setting: its own gain and offset, apart from the readback's."""

    __slots__ = ("_gain", "_offset", "decimals")

    def __init__(self, accuracy: Accuracy, random: Random) -> None:
        self._gain = 1.0 + random.uniform(-1.0, 1.0) * accuracy.reading_pct / 100.0
        self._offset = random.uniform(-1.0, 1.0) * accuracy.floor()
        self.decimals = decimals_of(resolution_of(accuracy.range_max))

    def true(self, setting: float) -> float:
        """Return what really comes out; a box does not go below nothing."""
        return max(0.0, setting * self._gain + self._offset) if setting > 0.0 else 0.0


def stated(given: Sequence[Accuracy], rated: float) -> tuple[Accuracy, ...]:
    """Return the stated ranges, smallest first, or one plain range when none is stated."""
    if given:
        return tuple(sorted(given, key=lambda accuracy: accuracy.range_max))
    return (Accuracy(range_max=rated, reading_pct=0.05, range_pct=0.05),)


def smallest_holding(ranges: Sequence[Range], value: float) -> Range:
    """Return the smallest range that holds `value`, the greatest when none does."""
    return next((r for r in ranges if abs(value) <= r.max * (1 + 1e-9)), ranges[-1])
