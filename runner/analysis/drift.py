"""Whether a point that was repeated has moved by more than its uncertainty and its heat explain.

The two readings share the gains and offsets of their instruments, which cancel in the
difference, so that far less is seen than either is known to. Pure; called by the reports.
"""

from __future__ import annotations

from dataclasses import dataclass

from runner.analysis.uncertainty import Source, Uncertain

COVERAGE = 0.99
"""Of the interval a drift has to leave: several repeats are looked at in every run."""

GROWTH_PER_K = 0.003
"""What a warmer module loses more, middle of 0 to 0.6 %/K (common practice, no source)."""
GROWTH_HALF_PER_K = 0.0035
"""Half of a rectangle about it, in which a linear regulator lies too: its loss does not grow."""


@dataclass(frozen=True, slots=True)
class Drift:
    """What a loss [W] moved by, what heat explains of it, and U of the rest for 99 %."""

    moved_w: float
    by_heat_w: float
    warmer_k: float
    expanded_u_w: float

    @property
    def rest_w(self) -> float:
        """What heat does not explain [W]."""
        return self.moved_w - self.by_heat_w

    @property
    def is_drift(self) -> bool:
        """True where the rest is beyond its uncertainty."""
        return abs(self.rest_w) > self.expanded_u_w


def drift_of_loss(
    first_w: Uncertain, later_w: Uncertain, first_c: Uncertain, later_c: Uncertain
) -> Drift:
    """Compare a loss [W] with the first one, each with its spot's temperature [°C]."""
    source = Source("growth of the loss with heat", "module", shape="rectangular")
    growth = Uncertain(GROWTH_PER_K, {source: GROWTH_HALF_PER_K / 3.0**0.5})
    moved, warmer = later_w - first_w, later_c - first_c
    by_heat = first_w * growth * warmer
    rest = moved - by_heat
    expanded_u_w, _ = rest.expanded(COVERAGE, shapes=True)
    return Drift(moved.value, by_heat.value, warmer.value, expanded_u_w)
