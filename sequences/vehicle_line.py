"""Vehicle line: the conditions of a vehicle's supply that a bench supply can make.

Range: the output at both ends of a range code. Slow fall and rise at 0.5 V/min, with where the
output goes and comes back. Long over-voltage, jump start and the cranking profile by level, each
under load. The values are those of ISO 16750-2, some of them from memory: `runner/analysis/
vehicle.py` says which; check them against the edition you work to.

A bench supply makes no load dump, no fast transients and no ripple: what this sequence passes
says nothing of those. A cranking profile is refused unless the bench file states step rates of
the supply (rise_v_per_s, fall_v_per_s) that it can be made with. Isolate from the vehicle.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    CRANKING_LEVELS,
    JUMP_START,
    OVER_VOLTAGE,
    RANGES_V,
    SLOW_V_PER_S,
    BadInput,
    Draw,
    Follow,
    Found,
    Held,
    Note,
    Option,
    Part,
    PowerDown,
    PowerUp,
    SetLine,
    Settle,
    Setup,
    Steps,
    Tare,
    Trace,
    Wait,
    cranking,
    function_class,
    steepest_v_per_s,
    wiring_audit,
)

LOWEST_V = 0.5
"""A bench supply is not taken lower than this [V]: it counts as no line."""
SLOW_STEP_V = 0.25


def sequence(
    setup: Setup,
    code: Annotated[str, Option("range code", choices=("none", *RANGES_V))] = "none",
    load_a: Annotated[float, Option("load; 0: half of rated", "A", 0.0)] = 0.0,
    slow: Annotated[bool, Option("slow fall and rise, 0.5 V/min: takes hours")] = False,
    over_voltage: Annotated[bool, Option("long over-voltage, one hour")] = False,
    jump_start: Annotated[bool, Option("jump start, 24 V for a minute; 12 V nets")] = False,
    crank: Annotated[
        str, Option("cranking profile by level; 12 V nets", choices=("none", *CRANKING_LEVELS))
    ] = "none",
    crank_from_v: Annotated[float, Option("line before cranking", "V", 6.0)] = 12.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Each condition that was asked for, in the order of its severity."""
    module = setup.module
    load = load_a or 0.5 * module.iout_rated_a
    net_v = 24 if code in "EFGH" or module.line_nominal_v > 18.0 else 12
    if code == crank == "none" and not (slow or jump_start or over_voltage):
        raise BadInput(
            "vehicle_line: no condition is asked for; say which, as in --code F, --slow yes, "
            "--crank II, --jump-start yes or --over-voltage yes"
        )
    if crank != "none":
        check_slew(setup, crank, crank_from_v)
    if jump_start or over_voltage:
        yield Note("holds the line above what the module is used to: cover it, capacitors can vent")
    tared = (yield Tare()) if tare else None
    yield PowerUp(module.line_nominal_v)
    if audit:
        yield from wiring_audit(setup, tared)
    yield SetLine(module.line_nominal_v)
    yield Draw(load)
    yield Settle()
    if code != "none":
        for line_v in RANGES_V[code]:
            yield from held(setup, Held(f"range code {code}, {line_v:g} V", line_v, 10.0), load)
    if slow:
        yield from slow_fall_and_rise(setup, load)
    if crank != "none":
        yield from cranked(setup, crank, crank_from_v, load)
    if jump_start:
        yield from held(setup, JUMP_START, load)
    if over_voltage:
        yield from held(setup, OVER_VOLTAGE[net_v], load)
    yield Note("not tested: load dump, fast transients, ripple on the line, reverse voltage")
    yield PowerDown()


def check_slew(setup: Setup, level: str, start_v: float) -> None:
    """Refuse a profile that this supply cannot make."""
    fall, rise = steepest_v_per_s(cranking(level, start_v), start_v)
    supply = setup.bench.supply
    for name, has, wants in (
        ("fall_v_per_s", supply.fall_v_per_s, fall),
        ("rise_v_per_s", supply.rise_v_per_s, rise),
    ):
        if has is None or has < wants:
            raise BadInput(
                f"cranking level {level} asks the supply for a {name} of {wants:.0f} V/s; the "
                f"bench file states {'none' if has is None else f'{has:g} V/s'}. Measure it into "
                "this load and state it, or use a supply made for such profiles"
            )


def held(setup: Setup, condition: Held, load_a: float) -> Part[None]:
    """One line for its time, then the nominal line again: how the output bore it."""
    module = setup.module
    most_v = module.limits.line_abs_max_v
    if condition.line_v > most_v:
        yield Note(f"not done: {condition.name}, above line_abs_max_v of {most_v:g} V")
        return
    yield SetLine(condition.line_v, wait=False)
    during: Trace = yield Follow(min(condition.duration_s, 60.0), 0.1)
    if condition.duration_s > 60.0:
        yield Wait(condition.duration_s - 60.0)
    late: Trace = yield Follow(1.0, 0.05)
    yield SetLine(module.line_nominal_v)
    after: Trace = yield Follow(2.0, 0.05)
    seen_v = during.vout_v + late.vout_v + after.vout_v
    yield from told(setup, condition.name, seen_v, condition.line_v, load_a)


def slow_fall_and_rise(setup: Setup, load_a: float) -> Part[None]:
    """From the least line to none and back: where the output goes, and where it comes again."""
    least_v = setup.module.line_min_v
    steps = int((least_v - LOWEST_V) / SLOW_STEP_V)
    down = [round(least_v - SLOW_STEP_V * k, 4) for k in range(1, steps + 1)]
    yield SetLine(least_v)
    lost = yield from ramped(setup, [least_v, *down], load_a, "vehicle_slow_fall_line_v", up=False)
    if lost:
        rising = [*down[::-1], least_v]
        yield from ramped(setup, rising, load_a, "vehicle_slow_rise_line_v", up=True)
    yield SetLine(setup.module.line_nominal_v)


def ramped(
    setup: Setup, lines_v: list[float], load_a: float, quantity: str, *, up: bool
) -> Part[bool]:
    """A slow ramp, looked at every quarter volt; tells the first line with the output as asked."""
    least_v = setup.module.vout_least_v
    before_v, found = lines_v[0], False
    for line_v in lines_v:
        yield SetLine(line_v, SLOW_V_PER_S, wait=False)
        seen: Trace = yield Follow(0.5, 0.05)
        vin_v = seen.vin_v[-1]
        if (seen.vout_v[-1] >= least_v) is up and not found:
            low_v, high_v = sorted((before_v, vin_v))
            middle = (0.5 * (low_v + high_v), low_v, high_v)
            yield Found(quantity, *middle, "V", vin_v, load_a, None, "at 0.5 V/min", "vin_v")
            found = True
        before_v = vin_v
    if not found:
        said = "the output never came back" if up else "the output never went"
        yield Found(quantity, None, None, None, "V", before_v, load_a, None, said)
    return found


def cranked(setup: Setup, level: str, start_v: float, load_a: float) -> Part[None]:
    """The profile once, leg by leg as fast as the supply goes; how the output bore it."""
    yield SetLine(start_v, wait=False)
    seen_v: tuple[float, ...] = ()
    for leg in cranking(level, start_v):
        yield SetLine(leg.line_v, wait=False)
        leg_seen: Trace = yield Follow(leg.hold_s, 0.005 if leg.hold_s < 0.1 else 0.05)
        seen_v += leg_seen.vout_v
    yield SetLine(setup.module.line_nominal_v, wait=False)
    after: Trace = yield Follow(2.0, 0.05)
    yield from told(setup, f"cranking level {level}", seen_v + after.vout_v, start_v, load_a)


def told(
    setup: Setup, name: str, vout_v: tuple[float, ...], line_v: float, load_a: float
) -> Part[None]:
    """The least output during a condition and the functional status that follows."""
    module = setup.module
    status = function_class(vout_v, module.vout_least_v, module.vout_most_v)
    text = f"{name}: status {status}"
    least = (min(vout_v), None, None)
    yield Found("vehicle_least_vout_v", *least, "V", line_v, load_a, None, text, "vout_v")
