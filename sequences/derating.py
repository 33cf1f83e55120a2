"""Derating: soaks at several loads and ambients, for the greatest load each ambient allows.

At each ambient and line voltage the load goes up; at each load the module is soaked
until its hot spot settles, then read. A soak that passes the module's own hot-spot
limit ends that line: a greater load would only be hotter. Takes hours on a real bench.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    SOAK_RULES,
    Draw,
    Note,
    Option,
    Part,
    PowerDown,
    PowerUp,
    Read,
    Release,
    SetAmbient,
    SetLine,
    Settle,
    Setup,
    Soak,
    Soaked,
    Steps,
    Tare,
    wiring_audit,
)


def sequence(
    setup: Setup,
    ambients_c: Annotated[
        tuple[float, ...], Option("air temperatures, needs a chamber; left out: the room", "°C")
    ] = (),
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: least, nominal, greatest", "V", 0.0)
    ] = (),
    loads_a: Annotated[
        tuple[float, ...], Option("loads; left out: 25, 50, 75, 100 % of rated", "A", 0.0)
    ] = (),
    within_k: Annotated[float, Option("soaked when moving less than this", "K", 0.05)] = 0.5,
    over_s: Annotated[float, Option("over this time", "s", 1.0)] = 300.0,
    at_most_s: Annotated[float, Option("longest soak", "s", 1.0)] = 5400.0,
    samples: Annotated[int, Option("readings averaged in a point", at_least=1)] = 20,
    every_s: Annotated[float, Option("time between readings", "s", 0.0)] = 0.5,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
    soak_rule: Annotated[
        str, Option("judge each soak by a published rule", choices=SOAK_RULES)
    ] = "trend",
) -> Steps:
    """Soak every load at every line and ambient that the limits allow."""
    module = setup.module
    lines = lines_v or (module.line_min_v, module.line_nominal_v, module.line_max_v)
    rated_a = module.iout_rated_a
    loads = sorted(loads_a or (0.25 * rated_a, 0.5 * rated_a, 0.75 * rated_a, rated_a))
    too_hot_c = module.limits.hot_spot_max_temp_c
    soak = Soak("hot_spot_temp_c", within_k, over_s, at_most_s, too_hot_c, soak_rule)

    tared = (yield Tare()) if tare else None
    yield PowerUp(lines[0])
    if audit:
        yield from wiring_audit(setup, tared)
    for ambient_c in ambients_c or (None,):
        if ambient_c is not None:
            yield Release()
            yield SetAmbient(ambient_c)
        for line_v in lines:
            yield SetLine(line_v)
            for load_a in loads:
                soaked = yield from soaked_point(load_a, soak, samples, every_s)
                if soaked.stopped:
                    yield Note(f"no further than {load_a:g} A at {line_v:g} V: too hot")
                    break
    yield PowerDown()


def soaked_point(load_a: float, soak: Soak, samples: int, every_s: float) -> Part[Soaked]:
    """One load: a fast point on the way, a soak, and the soaked point that counts."""
    yield Draw(load_a)
    yield Settle()
    yield Read("fast", 10, 0.1, "before soak")
    soaked: Soaked = yield soak
    yield Read("soaked", samples, every_s, "soak")
    return soaked
