"""Start-up: whether the module starts into what hangs on it, and how long that takes.

The load is armed first, then the supply is switched on, at the least, the nominal and the
greatest line: without load, into a resistance of the rated current, into a constant current of
it. Then the same into full load from a supply that is held at a current limit: a module that
cannot climb pulls the line down and latches there. Last, off for a moment and on again.

A start that does not come within the time is switched off and told. What flows in the first
milliseconds is told only as far as the readings are fast enough; the true inrush wants a scope.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    UP_SHARE,
    Found,
    Note,
    Option,
    Part,
    PowerDown,
    PowerUp,
    Setup,
    Start,
    Steps,
    Tare,
    Trace,
    Wait,
    came_back,
    wiring_audit,
)


def sequence(
    setup: Setup,
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: least, nominal, greatest", "V", 0.0)
    ] = (),
    load_a: Annotated[float, Option("load to start into; 0: rated", "A", 0.0)] = 0.0,
    watch_s: Annotated[float, Option("a start has to come within this", "s", 0.1, 60.0)] = 2.0,
    every_s: Annotated[float, Option("time between readings", "s", 0.005)] = 0.02,
    rest_s: Annotated[float, Option("off between two starts", "s", 0.1)] = 2.0,
    limits_a: Annotated[
        tuple[float, ...], Option("limits of the supply; left out: 1.5 and 0.8 of need", "A", 0.05)
    ] = (),
    restarts_s: Annotated[tuple[float, ...], Option("times off before a restart", "s", 0.0)] = (
        0.1,
        1.0,
        10.0,
    ),
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Start into every load at every line, from limited supplies, and again after a gap."""
    module = setup.module
    full_a = load_a or module.iout_rated_a
    full_ohm = module.vout_set_v / full_a
    lines = lines_v or (module.line_min_v, module.line_nominal_v, module.line_max_v)
    up_v = UP_SHARE * module.vout_set_v
    yield Note("full line and full load at once, again and again: cover the module")
    tared = (yield Tare()) if tare else None
    if audit:
        yield PowerUp(module.line_min_v)
        yield from wiring_audit(setup, tared)
        yield PowerDown()
    for line_v in lines:
        for into, ohm in (("no load", None), ("a resistance", full_ohm), ("a current", None)):
            drawn_a = full_a if into == "a current" else 0.0
            yield Wait(rest_s)
            yield from started(Start(line_v, drawn_a, ohm, None, watch_s, every_s), into, up_v)

    line_v = module.line_nominal_v
    need_a = full_a * module.vout_set_v / line_v
    for limit_a in limits_a or (round(1.5 * need_a, 3), round(0.8 * need_a, 3)):
        yield Wait(rest_s)
        into = f"a resistance, supply limit {limit_a:g} A"
        yield from started(Start(line_v, 0.0, full_ohm, limit_a, watch_s, every_s), into, up_v)

    for off_s in restarts_s:
        yield Start(line_v, 0.0, full_ohm, None, watch_s, every_s)
        yield PowerDown()
        yield Wait(off_s)
        into = f"a resistance, {off_s:g} s after it was switched off"
        yield from started(Start(line_v, 0.0, full_ohm, None, watch_s, every_s), into, up_v)


def started(start: Start, into: str, up_v: float) -> Part[None]:
    """One start: the time until the output is up, or that it never was; ends switched off."""
    seen: Trace = yield start
    moment = came_back(seen.t_s, seen.vout_v, up_v)
    at = (start.line_v, seen.iout_a[-1])
    text = f"into {into}; most input current read {max(seen.iin_a):.3f} A"
    if moment is not None:
        low_s, high_s = moment.before_s - seen.began_s, moment.after_s - seen.began_s
        yield Found("start_up_s", 0.5 * (low_s + high_s), low_s, high_s, "s", *at, None, text)
    else:
        limited = seen.supply_mode[-1] == "CC"
        why = (
            f"the supply is held in its limit at {seen.vin_v[-1]:.2f} V" if limited else "it tries"
        )
        never = f"into {into}: no start within {start.watch_s:g} s, {why}"
        waited_s = seen.t_s[-1] - seen.began_s
        yield Found("start_up_s", None, waited_s, None, "s", *at, None, never)
        yield Note(f"{start.line_v:g} V: {never}")
    yield PowerDown()
