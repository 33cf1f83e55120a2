"""Burn-in: hours at load, with a short sweep now and then, to see whether the module moves.

The module works at its load; every so often a reference point and a short sweep are read, with
the module as warm as it is. What the reference has moved by, beyond its uncertainty and what
heat explains, is told in the summary. On-off cycles are done at the end of each period if asked
for. It finds what was badly assembled, not wear: capacitors and cores take thousands of hours.

Choose the load from the derating, at the hottest air it will see, not from what is printed on
it. It runs for hours: see that nothing near can burn, and that the watchdog has been tried.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    Draw,
    Found,
    Note,
    Option,
    Part,
    Point,
    PowerDown,
    PowerUp,
    Read,
    SetAmbient,
    SetLine,
    Settle,
    Setup,
    Soak,
    Steps,
    Tare,
    Wait,
    wiring_audit,
)


def sequence(
    setup: Setup,
    hours: Annotated[float, Option("how long", "h", 0.01, 10_000.0)] = 24.0,
    every_h: Annotated[float, Option("between two short sweeps", "h", 0.01)] = 4.0,
    load_a: Annotated[float, Option("load; 0: 80 % of rated", "A", 0.0)] = 0.0,
    line_v: Annotated[float, Option("line voltage; 0: nominal", "V", 0.0)] = 0.0,
    ambient_c: Annotated[float, Option("air, needs a chamber; 0: the room's", "°C", 0.0)] = 0.0,
    cycles: Annotated[int, Option("on-off cycles after each period", at_least=0)] = 0,
    off_s: Annotated[float, Option("off in each cycle", "s", 0.1)] = 10.0,
    samples: Annotated[int, Option("readings averaged in a point", at_least=1)] = 20,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Warm up, then work, look, and work on."""
    module = setup.module
    line, load = line_v or module.line_nominal_v, load_a or 0.8 * module.iout_rated_a
    too_hot_c = module.limits.hot_spot_max_temp_c
    yield Note("hot for hours: see that nothing near can burn, and that the watchdog was tried")
    tared = (yield Tare()) if tare else None
    yield PowerUp(line)
    if audit:
        yield from wiring_audit(setup, tared)
        yield SetLine(line)
    if ambient_c:
        yield SetAmbient(ambient_c)
    yield Draw(load)
    soaked = yield Soak(stop_above_c=too_hot_c)
    if soaked.stopped:
        yield Note(f"{load:g} A is too much for a burn-in: {soaked.reading.hot_spot_temp_c:.1f} °C")
        yield PowerDown()
        return
    yield Read("soaked", samples, 0.1, "soak")
    yield from looked(load, samples)
    burnt_s = left_s = 3600.0 * hours
    while left_s > 0.0:
        period_s = min(3600.0 * every_h, left_s)
        yield Wait(period_s)
        yield from looked(load, samples)
        left_s -= period_s
        if cycles and left_s > 0.0:
            yield from cycled(cycles, line, load, off_s)
            yield Soak(stop_above_c=too_hot_c)
    at = (line, load, soaked.reading.ambient_temp_c)
    yield Found("burn_in_s", burnt_s, burnt_s, burnt_s, "s", *at, f"{hours:g} h")
    yield PowerDown()


def looked(load_a: float, samples: int) -> Part[None]:
    """The reference at the working load, then a short sweep that hardly cools the module."""
    yield Settle()
    yield Read("fast", samples, 0.1, "reference")
    for share in (0.75, 0.5, 0.25, 0.1):
        yield Draw(share * load_a)
        yield Settle()
        point: Point = yield Read("fast", samples, 0.1, "up")
        if point.flags:
            yield Note(f"{share * load_a:g} A: {', '.join(point.flags)}")
    yield Draw(load_a)


def cycled(cycles: int, line_v: float, load_a: float, off_s: float) -> Part[None]:
    """Off and on again, under load."""
    for _ in range(cycles):
        yield PowerDown()
        yield Wait(off_s)
        yield PowerUp(line_v)
        yield Draw(load_a)
