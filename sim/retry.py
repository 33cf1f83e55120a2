"""Where the bench is heading, and a module that tries and rests by turns.

Values for wiring.py alone: a steady state that moves with the growing loss, and the
timetable of hiccup and of a line that cannot carry the module.
"""

from __future__ import annotations

from dataclasses import dataclass

from sim.circuit import Steady, Terminals

NOWHERE = Terminals()


@dataclass(frozen=True, slots=True)
class Rest:
    """Where the bench is heading: a steady state, and how it moves as the loss grows.

    `slope` is the change of each terminal quantity for a loss grown by its whole self; it
    holds while the loss has grown by less than `drift`.
    """

    steady: Steady
    slope: Terminals = NOWHERE
    growth: float = 1.0
    grows: bool = False
    drift: float = 0.02

    def moved(self, growth_now: float) -> Terminals:
        """The terminals once the loss is `growth_now` times its reference."""
        grown = growth_now - self.growth
        if not self.grows or grown == 0.0:
            return self.steady.at
        pairs = zip(self.steady.at, self.slope, strict=True)
        return Terminals._make(value + slope * grown for value, slope in pairs)


@dataclass(frozen=True, slots=True)
class Retry:
    """A module that tries and rests by turns, from `since_s` on, `try_s` and `rest_s` long [s]."""

    since_s: float
    try_s: float
    rest_s: float
    trying: Rest
    resting: Rest

    def turn(self, t_s: float) -> tuple[Rest, Rest, float]:
        """What holds at `t_s`, what held before, and since when [s]."""
        phase_s = (t_s - self.since_s) % (self.try_s + self.rest_s)
        if phase_s < self.try_s:
            return self.trying, self.resting, t_s - phase_s
        return self.resting, self.trying, t_s - phase_s + self.try_s

    def next_try_s(self, t_s: float) -> float:
        """When it tries again [s]."""
        period_s = self.try_s + self.rest_s
        return t_s + period_s - (t_s - self.since_s) % period_s

    @property
    def share(self) -> float:
        """The part of time spent trying."""
        return self.try_s / (self.try_s + self.rest_s)
