"""Overload: how long the module carries more than its rating, and what its heat does then.

At the nominal line the load is set above the rating and held, and the output and the hot spot are
watched. It ends when the output falls, at the hot spot's limit, or after the time that was given.
A module that protects itself shuts down: at which temperature is told, then the load is taken off
until the output comes back, and at which temperature that is. Below the current limit only: find
that first, with `current_limit`.

The interlocks stop the run at the bench's own limits; a thermal shutdown above them is not
reached, nor wanted. Whatever stands near the module gets hot: cover it, and stay with it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from runner import (
    KNEE_SHARE,
    Draw,
    Follow,
    Found,
    GiveUp,
    Note,
    Option,
    Part,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Release,
    Settle,
    Setup,
    Steps,
    Tare,
    Trace,
    came_back,
    fell,
    wiring_audit,
)

CHUNK_S, EVERY_S = 10.0, 0.2
FELL = "the output fell"


@dataclass(frozen=True, slots=True)
class Hot:
    """A temperature between two readings [°C], None without a thermometer."""

    low_c: float | None
    high_c: float | None


@dataclass(frozen=True, slots=True)
class Held:
    """How long a load was carried [s], between two readings; why it ended; how hot it was."""

    low_s: float
    high_s: float
    why: str
    hot: Hot


def sequence(
    setup: Setup,
    load_a: Annotated[
        float, Option("load; 0: 120 % of rated, within limits.iout_max_a", "A", 0.0)
    ] = 0.0,
    line_v: Annotated[float, Option("line voltage; 0: nominal", "V", 0.0)] = 0.0,
    at_most_s: Annotated[float, Option("longest time at it", "s", 1.0, 36000.0)] = 1800.0,
    cool_at_most_s: Annotated[
        float, Option("longest wait for the output to come back", "s", 1.0, 36000.0)
    ] = 1800.0,
    stop_above_c: Annotated[
        float, Option("hot spot to end at; 0: the module's limit", "°C", 0.0)
    ] = 0.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Hold an overload until something gives, then see the module come back."""
    module = setup.module
    line = line_v or module.line_nominal_v
    load = load_a or min(1.2 * module.iout_rated_a, module.limits.iout_max_a)
    hot_c = stop_above_c or module.limits.hot_spot_max_temp_c
    yield Note("overloads the module until it is hot: cover it, stay with it")
    tared = (yield Tare()) if tare else None
    yield PowerUp(line)
    if audit:
        yield from wiring_audit(setup, tared)
    yield Settle()
    empty: Point = yield Read("fast", 5, 0.05, "no load")
    least_v = KNEE_SHARE * empty.vout_v
    at = (line, load, empty.ambient_temp_c)

    held = yield from carried(load, least_v, hot_c, at_most_s)
    is_open = held.why.startswith("still held")
    value_s = None if is_open else 0.5 * (held.low_s + held.high_s)
    high_s = None if is_open else held.high_s
    yield Found("overload_held_s", value_s, held.low_s, high_s, "s", *at, held.why)
    if held.why == FELL:
        yield from warm("thermal_shutdown_temp_c", held.hot, at)
        yield from cooled(least_v, cool_at_most_s, at)
    yield PowerDown()


def carried(load_a: float, least_v: float, hot_c: float, at_most_s: float) -> Part[Held]:
    """Hold the load in pieces, each looked at."""
    yield Draw(load_a)
    began_s: float | None = None
    t_s = 0.0
    while True:
        seen: Trace = yield Follow(min(CHUNK_S, at_most_s - t_s), EVERY_S)
        began_s = seen.began_s if began_s is None else began_s
        if seen.vout_v[0] < least_v:
            now_s = seen.t_s[0] - began_s
            first = Hot(None, seen.hot_spot_temp_c[0])
            return Held(max(0.0, t_s), now_s, fallen(seen, t_s), first)
        moment = fell(seen.t_s, seen.vout_v, least_v)
        if moment is not None:
            temps_c = seen.hot_spot_temp_c
            ends = (moment.before_s - began_s, moment.after_s - began_s)
            return Held(*ends, FELL, between(temps_c, moment.before, moment.after))
        t_s = seen.t_s[-1] - began_s
        last_c = seen.hot_spot_temp_c[-1]
        if last_c is not None and last_c > hot_c:
            why = f"still held, ended at a hot spot above {hot_c:.0f} °C"
            return Held(t_s, t_s, why, Hot(last_c, last_c))
        if t_s >= at_most_s - EVERY_S:
            return Held(t_s, t_s, "still held", Hot(last_c, last_c))


def fallen(seen: Trace, t_s: float) -> str:
    """Why an output is gone at a piece's first reading: at once means the current limit."""
    return "fell at once: this is the current limit" if t_s == 0.0 else FELL


def between(temps_c: tuple[float | None, ...], before: int, after: int) -> Hot:
    """The hot spot at two readings, the lesser first."""
    ends = sorted(c for c in (temps_c[before], temps_c[after]) if c is not None)
    return Hot(ends[0], ends[-1]) if ends else Hot(None, None)


def warm(name: str, hot: Hot, at: tuple[float, float, float | None]) -> Part[None]:
    """A temperature as a result, where a thermometer is on the hot spot."""
    if hot.low_c is None or hot.high_c is None:
        return
    ends = (0.5 * (hot.low_c + hot.high_c), hot.low_c, hot.high_c)
    yield Found(name, *ends, "°C", *at, "", "hot_spot_temp_c")


def cooled(level_v: float, at_most_s: float, at: tuple[float, float, float | None]) -> Part[None]:
    """The load off until the output is back by itself: after how long, and how hot."""
    yield Release()
    began_s: float | None = None
    t_s = 0.0
    while t_s < at_most_s:
        seen: Trace = yield Follow(min(CHUNK_S, at_most_s - t_s), EVERY_S)
        began_s = seen.began_s if began_s is None else began_s
        moment = came_back(seen.t_s, seen.vout_v, level_v)
        if moment is not None:
            low_s, high_s = moment.before_s - began_s, moment.after_s - began_s
            low_s = min(low_s, high_s)
            yield Found("thermal_recovery_s", 0.5 * (low_s + high_s), low_s, high_s, "s", *at)
            back = between(seen.hot_spot_temp_c, moment.before, moment.after)
            yield from warm("thermal_restart_temp_c", back, at)
            return
        t_s = seen.t_s[-1] - began_s
    yield GiveUp(f"the output was not back {at_most_s:g} s after the load was taken off")
