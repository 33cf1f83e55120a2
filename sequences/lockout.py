"""Lockout: the line at which the module stops, and the line at which it starts again.

With a light load, the line is bisected down from the least of the module to where the output is
gone; each line is approached from a running module. Then it is bisected up from there to where
the output comes, each line approached from a stopped one. An output that follows the line down is
dropout, not lockout: the module still runs. The difference of the two is the hysteresis; a module
without any hangs on and off on a weak line. At last it is started at its least line, at once.

Some modules have no lockout and run down to a few volts, with a switch that is half on and hot:
the light load keeps that harmless.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from runner import (
    UP_SHARE,
    Bracket,
    Draw,
    Follow,
    Found,
    GiveUp,
    Option,
    Part,
    PowerDown,
    PowerUp,
    SetLine,
    Setup,
    Start,
    Steps,
    Tare,
    Trace,
    Wait,
    came_back,
    late_mean,
    runs,
    wiring_audit,
)


@dataclass(frozen=True, slots=True)
class Light:
    """The light load [A], how long each line is watched [s], and what the output is set to [V]."""

    load_a: float
    watch_s: float
    vout_set_v: float
    steps_up: bool


def sequence(
    setup: Setup,
    load_a: Annotated[float, Option("light load; 0: 5 % of rated", "A", 0.0)] = 0.0,
    lowest_v: Annotated[float, Option("lowest line tried", "V", 0.5)] = 1.0,
    within_v: Annotated[float, Option("bracket it by this", "V", 0.005, 2.0)] = 0.05,
    watch_s: Annotated[
        float, Option("time at each line; longer than the module waits to start", "s", 0.2, 60.0)
    ] = 1.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Find where it stops, where it starts, and how long a start takes."""
    module = setup.module
    steps_up = module.vout_set_v > module.line_max_v
    light = Light(load_a or 0.05 * module.iout_rated_a, watch_s, module.vout_set_v, steps_up)
    tared = (yield Tare()) if tare else None
    yield PowerUp(module.line_min_v)
    if audit:
        yield from wiring_audit(setup, tared)
    yield Draw(light.load_a)
    top_v, up = yield from at_line(module.line_min_v, light)
    if not up:
        yield GiveUp(f"the module does not run at {module.line_min_v:g} V, its least line")
    bottom_v, up = yield from at_line(lowest_v, light)
    if up:
        at = (bottom_v, light.load_a)
        said = f"none found: it still runs at {lowest_v:g} V, the lowest line tried"
        yield Found("lockout_stop_line_v", None, None, bottom_v, "V", *at, None, said, "vin_v")
    else:
        ends = Bracket(top_v, bottom_v)
        stop = yield from searched(ends, within_v, light, rising=False)
        start = yield from searched(ends, within_v, light, rising=True)
        yield from told(stop, start, light)
    yield from started(module.line_min_v, light)
    yield PowerDown()


def told(stop: Bracket, start: Bracket, light: Light) -> Part[None]:
    """Both edges and what lies between them, which the edges bound."""
    for name, edge in (("lockout_stop_line_v", stop), ("lockout_start_line_v", start)):
        ends = (edge.middle, edge.low, edge.high)
        yield Found(name, *ends, "V", edge.middle, light.load_a, None, "", "vin_v")
    low_v, high_v = start.low - stop.high, start.high - stop.low
    at = (start.middle, light.load_a)
    yield Found("lockout_hysteresis_v", 0.5 * (low_v + high_v), low_v, high_v, "V", *at)


def searched(ends: Bracket, within_v: float, light: Light, *, rising: bool) -> Part[Bracket]:
    """Bisection by the line as measured, each approached running (down) or stopped (up)."""
    bracket = ends
    for _ in range(bracket.tries_left(within_v) + 2):
        if bracket.is_narrow(within_v):
            break
        yield from at_line(ends.low if rising else ends.high, light)
        vin_v, up = yield from at_line(bracket.middle, light)
        bracket = bracket.told(vin_v, holds=up)
    return bracket


def at_line(line_v: float, light: Light) -> Part[tuple[float, bool]]:
    """One line for a moment: the line as read [V], and whether the module runs there."""
    yield SetLine(line_v, wait=False)
    seen: Trace = yield Follow(light.watch_s, 0.05)
    after_s = 0.6 * light.watch_s
    vin_v, vout_v = (late_mean(seen.t_s, v, after_s) for v in (seen.vin_v, seen.vout_v))
    return vin_v, runs(vin_v, vout_v, light.vout_set_v, steps_up=light.steps_up)


def started(line_v: float, light: Light) -> Part[None]:
    """Off, then on at the least line into the light load: how long until the output is up."""
    yield PowerDown()
    yield Wait(2.0)
    seen: Trace = yield Start(line_v, iout_a=light.load_a, watch_s=max(2.0, light.watch_s))
    moment = came_back(seen.t_s, seen.vout_v, UP_SHARE * light.vout_set_v)
    at = (line_v, light.load_a)
    if moment is None:
        yield Found("start_up_s", None, seen.t_s[-1] - seen.began_s, None, "s", *at)
        return
    low_s, high_s = moment.before_s - seen.began_s, moment.after_s - seen.began_s
    yield Found("start_up_s", 0.5 * (low_s + high_s), low_s, high_s, "s", *at)
