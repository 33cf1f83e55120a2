"""When a reading has stopped moving: pure criteria on short traces.

The engine feeds them; they know no clock and no instrument. The rules of published
methods are in `analysis/stability.py` and are asked for by name here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from runner.analysis.stability import RULES, Judgement, Rule, Trace, trend_of
from runner.analysis.thermal import end_temp_c
from runner.errors import BadInput
from runner.steps import Reading, Soak

ELECTRICAL = ("vin_v", "iin_a", "vout_v", "iout_a")
WINDOW = 5
"""Fewest readings an electrical settle is judged on."""

OWN_RULE = "trend"
SOAK_RULES = (OWN_RULE, *RULES)
"""The names a soak's rule may have: our own, then those of published methods."""

_BAND = {"vin_v": 1e-3, "iin_a": 2e-3, "vout_v": 5e-4, "iout_a": 5e-4}  # of the value
_FLOOR = {"vin_v": 5e-3, "iin_a": 2e-3, "vout_v": 2e-3, "iout_a": 2e-3}  # in V or A


# ------------------------------------------------------------------------- electrical


@dataclass(frozen=True, slots=True)
class Rest:
    """Whether all four quantities are at rest; else which are not, and by how much."""

    settled: bool
    why: str = ""


def electrical_rest(trace: Sequence[Reading]) -> Rest:
    """Whether line, output and currents have come to rest, judged on the later half of a trace.

    At rest is a quantity whose trend over the window, its 95 % interval from the scatter
    included, lies within a band: 0.05 to 0.2 percent of the value, at least 2 to 5 mV or mA,
    the order of a bench instrument's resolution (common practice, no source). A trend that is
    surely larger is movement; one lost in the noise is undecided, and as the window grows
    with the trace (at least `WINDOW` readings, then half of all), the noise averages out
    and the transient is left behind. Readings count as independent of one another.
    """
    if len(trace) < WINDOW:
        return Rest(False, f"only {len(trace)} readings")
    window = trace[-max(WINDOW, (len(trace) + 1) // 2) :]
    times_s = [reading.t_s for reading in window]
    read = [name for name in ELECTRICAL if getattr(trace[-1], name) is not None]  # not by eye
    reasons = [_restless(times_s, [getattr(r, name) for r in window], name) for name in read]
    why = ", ".join(reason for reason in reasons if reason)
    return Rest(not why, why)


def electrically_settled(trace: Sequence[Reading]) -> bool:
    """True when `electrical_rest` finds all four quantities at rest."""
    return electrical_rest(trace).settled


def _restless(times_s: Sequence[float], values: Sequence[float], name: str) -> str:
    """Why a quantity is not at rest; empty when it is."""
    band = max(_FLOOR[name], _BAND[name] * abs(values[-1]))
    trend = trend_of(times_s, values)
    moved, doubt = abs(trend.moved), trend.doubt
    if moved + doubt <= band:
        return ""
    unit = "mV" if name.endswith("_v") else "mA"
    how = "moves" if moved - doubt > band else "too noisy to tell: moves"
    return (
        f"{name} {how} {1e3 * trend.moved:+.2g} ± {1e3 * doubt:.2g} {unit} "
        f"in {times_s[-1] - times_s[0]:.2g} s, allowed {1e3 * band:.2g} {unit}"
    )


def trend(times_s: Sequence[float], values: Sequence[float]) -> float:
    """What a least-squares line through the trace moves over its length, in the values' unit."""
    return trend_of(times_s, values).moved


def mains_interval_s(samples: int, every_s: float, mains_hz: float) -> float:
    """The time between samples [s] near `every_s` whose mean is blind to mains ripple.

    `samples` intervals span a whole number of mains periods that shares no factor with
    `samples`: the samples then fall on as many phases, evenly, and the mains and its
    harmonics below the `samples`-th add up to nothing. A plain 0.1 s is five whole
    periods of 50 Hz: every sample meets the same phase and averaging does nothing.
    """
    if samples < 2:
        return every_s
    nearest = max(1, round(samples * every_s * mains_hz))
    periods = next(n for n in range(nearest, nearest + samples + 1) if math.gcd(n, samples) == 1)
    return periods / (mains_hz * samples)


# ---------------------------------------------------------------------------- thermal


def rule_named(name: str) -> Rule | None:
    """The published rule of that name, None for our own. Raises BadInput."""
    if name in SOAK_RULES:
        return RULES.get(name)
    near = get_close_matches(str(name), SOAK_RULES, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise BadInput(f"Soak: rule: found {name!r}; allowed: {', '.join(SOAK_RULES)}{hint}")


def soak_rest(step: Soak, trace: Trace) -> Judgement:
    """Whether a soak is at its end, by the rule it names; `moved` in K, or as a share."""
    rule = rule_named(step.rule)
    if rule is not None:
        return rule.judge(trace)
    change_k = thermal_change(trace.times_s, trace.rises_k, step.over_s)
    return Judgement(change_k is not None and abs(change_k) <= step.within_k, change_k)


def thermal_change(
    times_s: Sequence[float], rises_k: Sequence[float], over_s: float
) -> float | None:
    """What a temperature rise moved over its last `over_s` [s], by its trend [K].

    None while the trace is shorter than `over_s`.
    """
    if not times_s or times_s[-1] - times_s[0] < over_s - 1e-6:
        return None
    first = Trace(times_s, rises_k, ()).since(over_s)
    return trend(times_s[first:], rises_k[first:])


def still_to_rise_k(trace: Trace, over_s: float) -> float | None:
    """How far a rise is from where three equally spaced readings say it ends [K]; information.

    The readings lie `over_s` / 2 [s] apart. None while the trace is too short or the steps
    do not shrink, as at rest, where they are noise.
    """
    if trace.age_s < over_s - 1e-6:
        return None
    end_k = end_temp_c(*(trace.rise_at(ago_s) for ago_s in (over_s, 0.5 * over_s, 0.0)))
    return None if end_k is None else end_k - trace.rises_k[-1]
