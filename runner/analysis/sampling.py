"""What the mean of a series of samples is worth, when slow drift makes them depend on another.

Type A evaluation, JCGM 100:2008, 4.2. Samples go by one at a time and are not kept: memory is
the same for ten as for a million. Called by the reports; pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

MOST_BLOCKS = 64
"""Means of blocks that are kept; once there are as many, neighbours are merged in pairs."""


@dataclass(frozen=True, slots=True)
class Mean:
    """A mean, its standard uncertainty and degrees of freedom, and how many samples count.

    `sd` is the standard deviation of the samples, `effective` the number of independent ones that
    would give the same uncertainty. `u` is None for a single sample: it says nothing about its
    own scatter.
    """

    value: float
    sd: float
    u: float | None
    dof: float
    samples: int
    effective: float


class Series:
    """Takes samples one by one; knows their mean and what it is worth."""

    __slots__ = ("_blocks", "_count", "_size", "_squares", "_sum", "_total", "n")

    def __init__(self) -> None:
        self.n, self._size, self._count, self._sum = 0, 1, 0, 0.0
        self._total, self._squares = 0.0, 0.0
        self._blocks: list[float] = []

    def add(self, value: float) -> None:
        """Take one sample."""
        self.n += 1
        step = value - self._total
        self._total += step / self.n
        self._squares += step * (value - self._total)
        self._sum += value
        self._count += 1
        if self._count == self._size:
            self._blocks.append(self._sum / self._size)
            self._count, self._sum = 0, 0.0
            if len(self._blocks) == MOST_BLOCKS:
                self._merge()

    def _merge(self) -> None:
        pairs = zip(self._blocks[::2], self._blocks[1::2], strict=True)
        self._blocks = [0.5 * (first + second) for first, second in pairs]
        self._size *= 2

    def mean(self) -> Mean:
        """The mean so far; see `mean_of_blocks` for what is said of its uncertainty.

        Raises ValueError without a sample.
        """
        if self.n == 0:
            raise ValueError("no sample was taken: there is no mean")
        if self.n == 1:
            return Mean(self._total, 0.0, None, 0.0, 1, 1.0)
        u, dof = mean_of_blocks(self._blocks)
        variance = self._squares / (self.n - 1)
        effective = variance / u**2 if u > 0.0 else float(self.n)
        count = min(effective, float(self.n))
        return Mean(self._total, math.sqrt(variance), u, dof, self.n, count)


def mean_of_blocks(blocks: list[float]) -> tuple[float, float]:
    """Standard uncertainty and degrees of freedom of the mean of at least two equal blocks.

    s / sqrt(m_eff) with m_eff = m (1 - r) / (1 + r), r the lag-1 autocorrelation of the m blocks:
    the effective number of a first-order autoregressive series (Thiébaux and Zwiers, J. Climate
    Appl. Meteor. 23, 1984, 800; from memory). Short dependence vanishes inside the blocks, slow
    drift remains between them. An r below what independent blocks reach in 95 of 100 cases is
    taken as none, so that a few clean samples keep n - 1 degrees of freedom (4.2.6).
    """
    m = len(blocks)
    mean = math.fsum(blocks) / m
    offs = [block - mean for block in blocks]
    squares = math.fsum(off * off for off in offs)
    if squares == 0.0:
        return 0.0, m - 1.0
    r = math.fsum(a * b for a, b in pairwise(offs)) / squares
    effective = m * (1.0 - r) / (1.0 + r) if r > chance_autocorrelation(m) else float(m)
    effective = max(1.0, effective)
    return math.sqrt(squares / (m - 1) / effective), max(1.0, effective - 1.0)


def chance_autocorrelation(m: int) -> float:
    """The lag-1 autocorrelation that m independent values stay below in 95 % of cases.

    (-1 + 1.645 sqrt(m - 2)) / (m - 1): Anderson, Ann. Math. Stat. 13, 1942, p. 1 (from memory).
    """
    return (-1.0 + 1.645 * math.sqrt(m - 2)) / (m - 1) if m > 2 else 1.0


MOST_DECIMALS = 9


class ZeroSeries(Series):
    """Samples of a current that is known to be nought: a tare.

    Beside the mean it knows the step of the display, as far as the samples show it, and whether
    the box showed a minus sign: one that shows nothing below nought hides its offset.
    """

    __slots__ = ("_decimals", "_least", "_minus")

    def __init__(self) -> None:
        super().__init__()
        self._least, self._minus, self._decimals = math.inf, False, 0

    def add(self, value: float) -> None:
        """Take one sample."""
        super().add(value)
        self._least = min(self._least, value)
        self._minus = self._minus or math.copysign(1.0, value) < 0.0  # -0.0 is a sign, too
        text = f"{value:.{MOST_DECIMALS}f}".rstrip("0")
        self._decimals = max(self._decimals, len(text) - text.index(".") - 1)

    @property
    def step(self) -> float:
        """One digit of the last decimal that any sample used, same unit."""
        return 10.0**-self._decimals

    @property
    def shows_offset(self) -> bool:
        """False when the least sample is a plain nought: the box may cut off what is below."""
        return self._minus or self._least > 0.0
