"""The search for an edge: where a load, a line or a resistance stops holding.

A sequence asks what to try next and tells what came of it; bisection halves what is left with
every try. Called by sequences; pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil, log2


@dataclass(frozen=True, slots=True)
class Bracket:
    """Two values between which the edge lies: one `holds`, one `fails`; either may be greater."""

    holds: float
    fails: float

    @property
    def low(self) -> float:
        """The lesser end."""
        return min(self.holds, self.fails)

    @property
    def high(self) -> float:
        """The greater end."""
        return max(self.holds, self.fails)

    @property
    def middle(self) -> float:
        """What to try next, and in the end the best guess of the edge."""
        return 0.5 * (self.holds + self.fails)

    @property
    def width(self) -> float:
        """How much is left to be searched."""
        return self.high - self.low

    def told(self, value: float, *, holds: bool) -> Bracket:
        """The bracket once it is known whether `value` holds."""
        return replace(self, holds=value) if holds else replace(self, fails=value)

    def is_narrow(self, within: float, share: float = 0.0) -> bool:
        """True once it is as narrow as `within`, or as `share` of its middle."""
        return self.width <= max(within, share * abs(self.middle), 1e-12)

    def tries_left(self, within: float) -> int:
        """How many bisections it takes until it is as narrow as `within`."""
        return max(0, ceil(log2(self.width / within))) if self.width > 0.0 else 0


def outwards(first: float, most: float, ratio: float = 1.4) -> Iterator[float]:
    """Values to try until one fails: `first`, each `ratio` times the one before, at last `most`.

    With 1.4 an edge up to 2.7 times `first` is known to 1 % after ten tries, bisection included.
    """
    value = first
    while value < most:
        yield value
        value *= ratio
    yield most
