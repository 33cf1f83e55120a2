"""What a module does beyond its limits, told from readings of its output.

Which kind of current limit it has, when an output fell and when it came back, whether it runs
at all. The shapes of limits are common practice, no source. Called by sequences; pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import Literal

LimitKind = Literal[
    "constant-current", "foldback", "constant-power", "hiccup", "latch-off", "collapse", "none"
]

KNEE_SHARE = 0.95
"""The knee is where the output has fallen to this share of what it was (common practice)."""
DROPOUT_SHARE = 0.98
"""Dropped out is an output that has fallen by 2 % (common practice; some take 100 mV)."""
FOLDS_SHARE = 0.10
"""A limit whose current moves by more than this share from the knee to a short is no constant
current (common practice, no source)."""
UP_SHARE = 0.95
"""A started output has come to this share of its set voltage (common practice, no source)."""
RUNS_SHARE = 0.3
"""A module runs while its output is above this share of its set voltage, or of its line where
that is lower: one in dropout follows the line, one that is locked out gives nothing."""
PULSE_SHARE = 0.5
"""Readings that fall below this share of their greatest, and rise again, come in pulses."""
LEAST_PULSES = 2
READINGS_A_PERIOD = 4
"""A period is told from at least so many readings of it; faster ones are only seen to pulse."""
DEAD_SHARE = 0.02


@dataclass(frozen=True, slots=True)
class Beyond:
    """An output beyond its knee: mean voltage [V] and current [A] at a load [ohm].

    `pulsed` marks an output that comes and goes: its means mean nothing. `period_s` [s] is None
    where the readings are too few to tell it.
    """

    load_ohm: float
    vout_v: float
    iout_a: float
    pulsed: bool
    period_s: float | None = None


def beyond(
    load_ohm: float,
    t_s: Sequence[float],
    vout_v: Sequence[float],
    iout_a: Sequence[float],
    settle_s: float = 0.1,
) -> Beyond:
    """The readings at one load as one value; the first `settle_s` [s] are on the way there."""
    kept = [k for k, t in enumerate(t_s) if t - t_s[0] >= settle_s] or [len(t_s) - 1]
    volts, amps, times = ([series[k] for k in kept] for series in (vout_v, iout_a, t_s))
    starts = _rises(times, amps)
    pulsed = len(starts) >= LEAST_PULSES
    return Beyond(
        load_ohm,
        sum(volts) / len(volts),
        sum(amps) / len(amps),
        pulsed,
        _period_s(starts, times) if pulsed else None,
    )


def _rises(t_s: Sequence[float], values: Sequence[float]) -> list[float]:
    """When the readings rose through half of their range, after having been well below it."""
    most, least = max(values), min(values)
    if most <= 0.0 or least > PULSE_SHARE * most:
        return []
    level = 0.5 * (most + least)
    pairs = zip(pairwise(values), t_s[1:], strict=True)
    return [t for (before, after), t in pairs if before < level <= after]


def _period_s(starts: Sequence[float], t_s: Sequence[float]) -> float | None:
    """The mean of what lies between two rises; where a pulse fell between readings, not that."""
    apart_s = [after - before for before, after in pairwise(starts)]
    whole_s = [one for one in apart_s if one <= 1.5 * median(apart_s)]
    period_s = sum(whole_s) / len(whole_s)
    every_s = (t_s[-1] - t_s[0]) / (len(t_s) - 1)
    return period_s if period_s >= READINGS_A_PERIOD * every_s else None


def kind_of_limit(
    knee_a: float, vout_v: float, points: Sequence[Beyond], *, recovers: bool
) -> LimitKind:
    """Which kind of limit it is, from loads beyond the knee at `knee_a` [A] and `vout_v` [V].

    A line through the knee and what lies beyond it tells the current into a short: much less
    than at the knee is foldback, much more is constant power. `recovers` is whether the output
    came back by itself once the load was gone. Pulses faster than the readings look like a
    foldback or a collapse: nothing in the readings tells them apart.
    """
    past = [point for point in points if point.vout_v < KNEE_SHARE * vout_v]
    if not past:
        return "none"
    if not recovers:
        return "latch-off"
    if any(point.pulsed for point in past):
        return "hiccup"
    if all(
        point.vout_v < DEAD_SHARE * vout_v and point.iout_a < DEAD_SHARE * knee_a for point in past
    ):
        return "collapse"
    short_a = short_circuit_a(knee_a, vout_v, past)
    if short_a < (1.0 - FOLDS_SHARE) * knee_a:
        return "foldback"
    return "constant-power" if short_a > (1.0 + FOLDS_SHARE) * knee_a else "constant-current"


def short_circuit_a(knee_a: float, vout_v: float, points: Sequence[Beyond]) -> float:
    """The current into a short [A]: a least-squares line through the knee, at no voltage."""
    falls_v = [vout_v - point.vout_v for point in points]
    moves_a = [point.iout_a - knee_a for point in points]
    slope = sum(v * a for v, a in zip(falls_v, moves_a, strict=True)) / sum(v * v for v in falls_v)
    return knee_a + slope * vout_v


# ----------------------------------------------------------------------- in time


@dataclass(frozen=True, slots=True)
class Moment:
    """When something happened: between two readings, by their number and their time [s]."""

    before: int
    after: int
    before_s: float
    after_s: float


def fell(t_s: Sequence[float], vout_v: Sequence[float], level_v: float) -> Moment | None:
    """When the output first fell below `level_v` [V], for two readings at least; None if never."""
    for k in range(1, len(t_s)):
        lasts = k + 1 == len(t_s) or vout_v[k + 1] < level_v
        if vout_v[k] < level_v <= vout_v[k - 1] and lasts:
            return Moment(k - 1, k, t_s[k - 1], t_s[k])
    return None


def came_back(t_s: Sequence[float], vout_v: Sequence[float], level_v: float) -> Moment | None:
    """When the output rose above `level_v` [V] to stay there; None if it did not.

    An output that was there from the first reading came back before it.
    """
    below = [k for k, v in enumerate(vout_v) if v < level_v]
    if not below:
        return Moment(0, 0, t_s[0], t_s[0])
    last = below[-1]
    return Moment(last, last + 1, t_s[last], t_s[last + 1]) if last + 1 < len(t_s) else None


def late_mean(t_s: Sequence[float], values: Sequence[float], after_s: float = 0.2) -> float:
    """The mean of the readings `after_s` [s] and more after the first; of the last if none is."""
    kept = [value for t, value in zip(t_s, values, strict=True) if t - t_s[0] >= after_s]
    return sum(kept) / len(kept) if kept else values[-1]


def runs(vin_v: float, vout_v: float, vout_set_v: float, *, steps_up: bool = False) -> bool:
    """Whether a module converts at all, dropped out or not, or is locked out.

    One that steps up passes its line when it does not convert: its output is then below it.
    """
    if steps_up:
        return vout_v > vin_v
    return vout_v > RUNS_SHARE * min(vin_v, vout_set_v)
