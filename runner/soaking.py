"""What a soak has seen so far, and when it is over: settled by its rule, its end predicted,
too hot, running away, or lost.

The performer feeds it one reading after the other. It reads no clock and no instrument.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from runner.analysis.stability import Trace
from runner.settle import rule_named, soak_rest, still_to_rise_k, thermal_change
from runner.steps import Reading, Soak, Soaked

if TYPE_CHECKING:  # numpy and scipy are loaded when a soak is to be foretold, not before
    from runner.analysis.warming import End, WarmUp

LOG_S = 10.0
"""Between two readings that are journaled and judged while something is waited for [s]."""
RISING_OVER = 3
"""Readings over which a temperature must have risen to be called rising."""
PREDICT_EVERY_S, PREDICT_UNTIL_S = 2.0, 1800.0
"""Between two readings while an end is looked for, and how long it is so closely [s]."""
FIRST_LOOK_S, LOOK_S, LOOK_SHARE = 180.0, 30.0, 0.1
"""An end is looked for from here on [s], then after so long or this share of the soak."""
SURE = 0.99
LOOKS = 2
"""An end must be known well enough in so many looks one after the other, since the first one may
be luck; a soak is stopped when in as many its end is above the limit, or nowhere, this surely."""


@dataclass(slots=True)
class Soaking:
    """The trace of one soak."""

    step: Soak
    start_s: float
    times_s: list[float] = field(default_factory=list)
    rises_k: list[float] = field(default_factory=list)
    pins_w: list[float] = field(default_factory=list)
    temps_c: list[float] = field(default_factory=list)
    plosses_w: list[float] = field(default_factory=list)
    airs_c: list[float] = field(default_factory=list)
    cases_k: list[float] = field(default_factory=list)
    capacitors_k: list[float] = field(default_factory=list)
    end: End | None = None
    look_s: float = FIRST_LOOK_S
    foreseen: int = 0
    told: End | None = None
    running_away: int = 0

    @property
    def every_s(self) -> float:
        """Time between two readings [s]: the rule's own, or ours."""
        rule = rule_named(self.step.rule)
        if rule is not None:
            return rule.every_s
        return PREDICT_EVERY_S if self._predicts and self._age_s < PREDICT_UNTIL_S else LOG_S

    def add(self, reading: Reading, temp_c: float, air_c: float) -> None:
        """Take a reading with the temperature that is soaked and the air around it [°C]."""
        self.times_s.append(reading.t_s)
        self.rises_k.append(temp_c - air_c)
        self.pins_w.append(reading.vin_v * reading.iin_a)
        self.temps_c.append(temp_c)
        self.airs_c.append(air_c)
        if reading.vout_v is not None and reading.iout_a is not None:
            self.plosses_w.append(self.pins_w[-1] - reading.vout_v * reading.iout_a)
        if reading.case_temp_c is not None:
            self.cases_k.append(reading.case_temp_c - air_c)
        if reading.capacitor_temp_c is not None:
            self.capacitors_k.append(reading.capacitor_temp_c - air_c)

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
        settled = not stopped and self._rule_counts() and soak_rest(step, trace).settled
        predicted, note = False, ""
        if not (settled or stopped):
            self._look_ahead(limit_k)
            stopped, note = self._runs_away()
            predicted = not stopped and self._is_told()
        if not (settled or stopped or predicted or elapsed_s >= step.at_most_s):
            return None
        change_k = thermal_change(self.times_s, self.rises_k, step.over_s)
        left_k = still_to_rise_k(trace, step.over_s)
        values = (settled or predicted, stopped, elapsed_s, change_k, reading, left_k)
        if self.told is not None and settled:
            return self._proof(Soaked(*values), self.told)
        return self._foretold(Soaked(*values)) if predicted else Soaked(*values, note=note)

    # ------------------------------------------------------------------ the end ahead

    @property
    def _predicts(self) -> bool:
        """Whether an end is looked for; a loss that is not measured drives no fit."""
        measured = len(self.plosses_w) == len(self.times_s)
        return self.step.predict_k > 0.0 and rule_named(self.step.rule) is None and measured

    def _rule_counts(self) -> bool:
        """Whether rest by the rule ends the soak: not while an end may still be foretold.

        A module that comes from another load may turn round, and stand still without being done.
        A soak too short to be foretold is judged by its rule alone.
        """
        if not self._predicts or self.told is not None or self._age_s >= PREDICT_UNTIL_S:
            return True
        if self.step.at_most_s <= FIRST_LOOK_S:
            return True
        end = self.end
        return end is not None and bool(end.why) and end.seen >= 1.0

    @property
    def _age_s(self) -> float:
        return self.times_s[-1] - self.times_s[0] if self.times_s else 0.0

    @property
    def _seen(self) -> WarmUp:
        from runner.analysis.warming import WarmUp

        return WarmUp(self.times_s, self.rises_k, self.plosses_w, self.airs_c)

    def _is_told(self) -> bool:
        """Whether the soak may end here; one that proves goes on, and keeps what was foretold."""
        if self.foreseen >= LOOKS and self.step.prove and self.told is None:
            self.told, self.look_s = self.end, math.inf
        return self.foreseen >= LOOKS and not self.step.prove

    def _proof(self, soaked: Soaked, told: End) -> Soaked:
        """The outcome of a soak waited out, beside what was foretold of it."""
        moved_k = abs(soaked.change_k or 0.0)  # a soak that moves so much may have as much to go
        rises_k = self.rises_k[-RISING_OVER:]
        off_k = sum(rises_k) / len(rises_k) - told.rise_k
        proved = -2.0 * told.u_k - 2.0 * moved_k <= off_k <= 2.0 * told.u_k
        how = "as foretold" if proved else "not as foretold: wait soaks out, a slower stage is seen"
        note = (
            f"soak ended {off_k:+.1f} K from the {told.rise_k:.1f} K foretold with "
            f"U = {2.0 * told.u_k:.1f} K, {how}"
        )
        return replace(soaked, proved=proved, note=note)

    def _is_foreseen(self) -> bool:
        """Whether the end just looked for is known well enough."""
        end = self.end
        return end is not None and not end.why and 2.0 * end.u_k <= self.step.predict_k

    def _look_ahead(self, limit_k: float | None) -> None:
        """Look for the end where it is time to."""
        age_s = self._age_s
        if not self._predicts or age_s < self.look_s:
            return
        from runner.analysis.warming import predicted_end

        self.look_s = age_s + max(LOOK_S, LOOK_SHARE * age_s)
        self.end = predicted_end(self._seen, *([] if limit_k is None else [limit_k]))
        self.foreseen = self.foreseen + 1 if self._is_foreseen() else 0
        self.running_away = self.running_away + 1 if self._is_hopeless() else 0

    def _is_hopeless(self) -> bool:
        """Whether the end is above the limit, or nowhere; a rise that falls is neither."""
        end = self.end
        rising = self.rises_k[-1] > self.rises_k[len(self.rises_k) // 2]
        return end is not None and rising and end.hopeless >= SURE

    def _runs_away(self) -> tuple[bool, str]:
        """Whether to stop here, and why in words."""
        end = self.end
        if end is None or self.running_away < LOOKS:
            return False, ""
        spot = self.step.quantity.removesuffix("_temp_c").replace("_", " ")
        what = f"it would pass the {self.step.stop_above_c} °C it is stopped at"
        if end.without >= SURE:
            what = "the loss grows faster than the heat goes away, a thermal runaway"
        elif math.isfinite(end.rise_k):
            what += f", and end {end.rise_k:.0f} K above the air"
        return True, f"soak stopped with the {spot} at {self.temps_c[-1]:.1f} °C: {what}"

    def _foretold(self, soaked: Soaked) -> Soaked:
        """The outcome with the end ahead in it, those of case and capacitor too where read."""
        end = self.end
        if end is None:
            return soaked
        case_rise_k, case_u_k = self._end_beside("case_temp_c", self.cases_k)
        can_rise_k, can_u_k = self._end_beside("capacitor_temp_c", self.capacitors_k)
        return replace(
            soaked,
            end_rise_k=end.rise_k,
            end_u_k=end.u_k,
            end_loss_ratio=end.loss_ratio,
            end_case_rise_k=case_rise_k,
            end_case_u_k=case_u_k,
            end_capacitor_rise_k=can_rise_k,
            end_capacitor_u_k=can_u_k,
        )

    def _end_beside(
        self, quantity: str, rises_k: list[float]
    ) -> tuple[float, float] | tuple[None, None]:
        """End and doubt [K] of a thermometer beside the one that is soaked; none if not read."""
        from runner.analysis.warming import end_beside

        if self.step.quantity == quantity or len(rises_k) != len(self.times_s):
            return None, None
        return end_beside(self._seen, rises_k) or (None, None)
