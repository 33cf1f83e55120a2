"""What a soak has seen so far, and when it is over: settled by its rule, too hot, or lost.

The performer feeds it one reading after the other. It reads no clock and no instrument.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from runner.analysis.stability import Trace
from runner.settle import rule_named, soak_rest, still_to_rise_k, thermal_change
from runner.steps import Reading, Soak, Soaked

LOG_S = 10.0
"""Between two readings that are journaled and judged while something is waited for [s]."""
RISING_OVER = 3
"""Readings over which a temperature must have risen to be called rising."""


@dataclass(slots=True)
class Soaking:
    """The trace of one soak."""

    step: Soak
    start_s: float
    times_s: list[float] = field(default_factory=list)
    rises_k: list[float] = field(default_factory=list)
    pins_w: list[float] = field(default_factory=list)
    temps_c: list[float] = field(default_factory=list)

    @property
    def every_s(self) -> float:
        """Time between two readings [s]: the rule's own, or ours."""
        rule = rule_named(self.step.rule)
        return LOG_S if rule is None else rule.every_s

    def add(self, reading: Reading, temp_c: float, air_c: float) -> None:
        """Take a reading with the temperature that is soaked and the air around it [°C]."""
        self.times_s.append(reading.t_s)
        self.rises_k.append(temp_c - air_c)
        self.pins_w.append(reading.vin_v * reading.iin_a)
        self.temps_c.append(temp_c)

    def is_too_hot(self, temp_c: float) -> bool:
        """Above the stop and still rising: a module that cools from the load before may pass."""
        stop_c, back = self.step.stop_above_c, max(1, round(RISING_OVER * LOG_S / self.every_s))
        if stop_c is None or len(self.temps_c) <= back:
            return False
        return temp_c > stop_c and temp_c >= self.temps_c[-back]

    def outcome(self, reading: Reading, air_c: float, lost: bool) -> Soaked | None:
        """How the soak ended, or None while it goes on."""
        step, elapsed_s = self.step, reading.t_s - self.start_s
        limit_k = None if step.stop_above_c is None else step.stop_above_c - air_c
        trace = Trace(self.times_s, self.rises_k, self.pins_w, limit_k)
        stopped = lost or self.is_too_hot(self.temps_c[-1])
        settled = not stopped and soak_rest(step, trace).settled
        if not (settled or stopped or elapsed_s >= step.at_most_s):
            return None
        change_k = thermal_change(self.times_s, self.rises_k, step.over_s)
        left_k = still_to_rise_k(trace, step.over_s)
        return Soaked(settled, stopped, elapsed_s, change_k, reading, left_k)
