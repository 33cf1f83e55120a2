"""When a quantity has come to rest: the trend of a trace, and the rules of published methods.

`settle.py` asks for electrical rest and for a rule by its name. Pure: traces in, judgements
out. The standards were not at hand; each rule says how its wording is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

STUDENT_95 = (
    *(12.71, 4.30, 3.18, 2.78, 2.57, 2.45, 2.36, 2.31, 2.26, 2.23),
    *(2.20, 2.18, 2.16, 2.14, 2.13, 2.12, 2.11, 2.10, 2.09, 2.09),
)
"""Student's t for 95 % and 1 to 20 degrees of freedom (JCGM 100:2008, Table G.2); above 20
that of 20 serves, 6 % too large at most."""

STEP_S = 1e-6
"""What a reading may miss its time by without missing its window [s]."""


# -------------------------------------------------------------------------- the trend


@dataclass(frozen=True, slots=True)
class Trend:
    """What a least-squares line through a trace moves over its length, in the values' unit.

    `u` is the standard error of that from the scatter about the line; `t` widens it to 95 %.
    """

    moved: float
    u: float
    t: float

    @property
    def doubt(self) -> float:
        """Half the 95 % interval of `moved`."""
        return self.t * self.u


def trend_of(times_s: Sequence[float], values: Sequence[float]) -> Trend:
    """The trend of a trace; without scatter when there are fewer than three readings."""
    n = len(times_s)
    if n < 2:
        return Trend(0.0, 0.0, 0.0)
    mean_t, mean_v = math.fsum(times_s) / n, math.fsum(values) / n
    ages = [t - mean_t for t in times_s]
    spread = math.fsum(age * age for age in ages)
    if spread == 0.0:
        return Trend(0.0, 0.0, 0.0)
    off = [v - mean_v for v in values]
    slope = math.fsum(age * v for age, v in zip(ages, off, strict=True)) / spread
    length_s = times_s[-1] - times_s[0]
    if n < 3:
        return Trend(slope * length_s, 0.0, 0.0)
    left = math.fsum((v - slope * age) ** 2 for age, v in zip(ages, off, strict=True))
    u = math.sqrt(left / (n - 2) / spread) * length_s
    return Trend(slope * length_s, u, STUDENT_95[min(n - 2, len(STUDENT_95)) - 1])


def residual_k(moved_k: float, over_s: float, time_constant_s: float) -> float:
    """How far a single-exponential warm-up still is from its end [K].

    It moved `moved_k` [K] in the last `over_s` [s]: left = moved / (e^(over/tau) - 1).
    """
    return moved_k / math.expm1(over_s / time_constant_s)


# -------------------------------------------------------------------------- the rules


@dataclass(frozen=True, slots=True)
class Trace:
    """A soak so far: time since its start, temperature rise above ambient, input power.

    `limit_k` is the rise at which the part would be at its limit, where one is known.
    """

    times_s: Sequence[float]
    rises_k: Sequence[float]
    pins_w: Sequence[float]
    limit_k: float | None = None

    @property
    def age_s(self) -> float:
        """Time since the start [s]."""
        return self.times_s[-1] - self.times_s[0] if self.times_s else 0.0

    def since(self, over_s: float) -> int:
        """Index of the first reading of the last `over_s` [s]."""
        start_s = self.times_s[-1] - over_s - STEP_S
        first = len(self.times_s)
        while first > 0 and self.times_s[first - 1] >= start_s:
            first -= 1
        return first

    def rise_at(self, ago_s: float) -> float:
        """The rise `ago_s` [s] ago [K], of the reading nearest to then."""
        then_s = self.times_s[-1] - ago_s
        last = len(self.times_s) - 1
        nearest = min(range(self.since(ago_s + 60.0), last + 1), key=lambda k: self._off(k, then_s))
        return self.rises_k[nearest]

    def _off(self, k: int, then_s: float) -> float:
        return abs(self.times_s[k] - then_s)


@dataclass(frozen=True, slots=True)
class Judgement:
    """Whether a trace is at rest; `moved` is what it was judged by, None while too short."""

    settled: bool
    moved: float | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule of a published method: where it stands, how its wording is known, how it judges.

    `moved_unit` is that of `Judgement.moved`; readings are wanted every `every_s` [s].
    """

    name: str
    clause: str
    known: Literal["read in a stored copy", "as quoted by others", "from memory"]
    least_s: float
    moved_unit: Literal["K", "1"]
    judge: Callable[[Trace], Judgement]
    every_s: float = 10.0


def power_drift(trace: Trace, most: float, warm_up_s: float) -> Judgement:
    """Input power within `most` (0..1) of its maximum over 5 min, after `warm_up_s` [s].

    `moved` is the greatest fall below the maximum, as a share of it.
    """
    if trace.age_s < warm_up_s + 300.0 - STEP_S:
        return Judgement(False)
    seen = trace.pins_w[trace.since(300.0) :]
    greatest_w = max(seen)
    drift = 1.0 - min(seen) / greatest_w if greatest_w > 0.0 else 0.0
    return Judgement(drift <= most, drift)


def power_slope(trace: Trace) -> Judgement:
    """Input power over the second two thirds of at least 15 min: its slope a line through it.

    Below 1 % an hour, or 10 mW an hour up to 1 W; `moved` is a share of the mean, an hour.
    """
    if trace.age_s < 900.0 - STEP_S:
        return Judgement(False)
    first = trace.since(trace.age_s * 2.0 / 3.0)
    times_s, pins_w = trace.times_s[first:], trace.pins_w[first:]
    mean_w = math.fsum(pins_w) / len(pins_w)
    slope_w_per_h = trend_of(times_s, pins_w).moved / (times_s[-1] - times_s[0]) * 3600.0
    most_w_per_h = 0.010 if mean_w <= 1.0 else 0.01 * mean_w
    return Judgement(
        abs(slope_w_per_h) < most_w_per_h, slope_w_per_h / mean_w if mean_w > 0.0 else 0.0
    )


def slow_rise(trace: Trace) -> Judgement:
    """Less than 3 K in 30 min; or 1 K in 5 min while at least 10 % of the rise below its limit."""
    if trace.age_s < 300.0 - STEP_S:
        return Judgement(False)
    now_k = trace.rises_k[-1]
    in_5_min_k = now_k - trace.rise_at(300.0)
    far_below = trace.limit_k is not None and now_k <= 0.9 * trace.limit_k
    if far_below and abs(in_5_min_k) < 1.0:
        return Judgement(True, in_5_min_k)
    if trace.age_s < 1800.0 - STEP_S:
        return Judgement(False, in_5_min_k)
    in_30_min_k = now_k - trace.rise_at(1800.0)
    return Judgement(abs(in_30_min_k) < 3.0, in_30_min_k)


def three_readings(trace: Trace) -> Judgement:
    """Less than 1 K between any two of three readings 5 min apart; `moved` is the greatest."""
    if trace.age_s < 600.0 - STEP_S:
        return Judgement(False)
    readings_k = [trace.rise_at(ago_s) for ago_s in (600.0, 300.0, 0.0)]
    apart_k = max(readings_k) - min(readings_k)
    return Judgement(apart_k < 1.0, apart_k)


RULES: dict[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule(
            "10-cfr-430-z",
            "10 CFR 430 Subpart B Appendix Z (as amended 2022), 5(a)(1): 30 min at load, then "
            "5 min in which the input power drifts no more than 5 % from the maximum seen",
            "read in a stored copy",
            2100.0,
            "1",
            lambda trace: power_drift(trace, 0.05, 1800.0),
        ),
        Rule(
            "10-cfr-430-z-next-load",
            "10 CFR 430 Subpart B Appendix Z (as amended 2022), 5(a)(1): the 5 min alone, for "
            "each load after the first",
            "read in a stored copy",
            300.0,
            "1",
            lambda trace: power_drift(trace, 0.05, 0.0),
        ),
        Rule(
            "10-cfr-430-z-multiple",
            "10 CFR 430 Subpart B Appendix Z (as amended 2022), 5(b), several outputs: 30 min at "
            "load, then 5 min in which the input power drifts no more than 1 %",
            "read in a stored copy",
            2100.0,
            "1",
            lambda trace: power_drift(trace, 0.01, 1800.0),
        ),
        Rule(
            "iec-62301",
            "IEC 62301:2011 (edition 2), 5.3.2: over the second two thirds of at least 15 min "
            "the input power moves less than 1 % an hour, or 10 mW an hour up to 1 W",
            "from memory",
            900.0,
            "1",
            power_slope,
            1.0,  # sampled at least once a second, from memory too
        ),
        Rule(
            "iec-62368-1",
            "IEC 62368-1 (edition not seen), B.1.6: less than 3 K in 30 min, or less than 1 K in "
            "5 min while at least 10 % below the limit",
            "as quoted by others",
            300.0,
            "K",
            slow_rise,
        ),
        Rule(
            "iec-61810-7",
            "IEC 61810-7 (edition not seen): less than 1 K between any two of three readings "
            "5 min apart",
            "as quoted by others",
            600.0,
            "K",
            three_readings,
        ),
    )
}
