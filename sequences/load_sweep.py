"""Load sweep: efficiency against load at each line voltage, and one soak for the heat.

At each line voltage the load goes up point by point, each settled and averaged, until
the greatest load, the current limit or the first broken limit; with `--spacing adaptive`
each load after the first few is placed where the curve is in most doubt. Points are fast,
before the module heats through; a reference point at half load is repeated at start,
middle and end, to show drift. At the end the module is soaked at one load until its
hot spot settles, which gives its thermal resistance and with it a derating table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from runner import (
    SOAK_RULES,
    Draw,
    Note,
    Option,
    Part,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Release,
    SetLine,
    Settle,
    Setup,
    Soak,
    Steps,
    Tare,
    Wait,
    next_load,
    wiring_audit,
)

SPACINGS = ("linear", "log", "adaptive")
FIRST_SHARES = (0.10, 0.25, 0.50, 1.00)
"""Of rated: where an adaptive sweep begins, between its smallest and its greatest load."""
AVERAGED_TOO = 0.75
"""Of rated: with these the mean of four loads is complete, which a claim may be about."""
NEAR_ENOUGH = 0.1
"""A load that was too much is approached by halves until the last that held is so near."""


@dataclass(frozen=True, slots=True)
class Pace:
    """How each point is taken, and the hot spot [°C] at which a sweep goes no further."""

    settle_s: float
    samples: int
    every_s: float
    hot_spot_max_temp_c: float


def sequence(
    setup: Setup,
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: least, nominal, greatest", "V", 0.0)
    ] = (),
    points: Annotated[int, Option("number of load currents", at_least=2, at_most=10_000)] = 22,
    least_a: Annotated[float, Option("smallest load; 0: 5 % of rated", "A", 0.0)] = 0.0,
    most_a: Annotated[float, Option("greatest load; 0: 110 % of rated", "A", 0.0)] = 0.0,
    spacing: Annotated[
        str, Option("of the loads; adaptive: from 8 points on", choices=SPACINGS)
    ] = "linear",
    down: Annotated[bool, Option("sweep down again after up; shows heating")] = False,
    samples: Annotated[int, Option("readings averaged in a point", at_least=1)] = 10,
    every_s: Annotated[float, Option("time between readings", "s", 0.0)] = 0.1,
    settle_s: Annotated[float, Option("least settling time before a point", "s", 0.0)] = 0.3,
    warm_up_s: Annotated[float, Option("at half load before the first point", "s", 0.0)] = 10.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
    soak: Annotated[bool, Option("soak at the end; without it no derating table")] = True,
    soak_a: Annotated[float, Option("load of the soak; 0: 75 % of rated", "A", 0.0)] = 0.0,
    soak_within_k: Annotated[float, Option("soaked when moving less than this", "K", 0.05)] = 0.5,
    soak_over_s: Annotated[float, Option("over this time", "s", 1.0)] = 300.0,
    soak_at_most_s: Annotated[float, Option("longest soak", "s", 1.0)] = 5400.0,
    soak_rule: Annotated[
        str, Option("judge the soak by a published rule", choices=SOAK_RULES)
    ] = "trend",
    predict_k: Annotated[
        float, Option("end the soak once its end is known so well at 95 %; 0: wait it out", "K", 0)
    ] = 1.0,
) -> Steps:
    """Sweep each line, then soak once at the nominal line."""
    module = setup.module
    lines = lines_v or (module.line_min_v, module.line_nominal_v, module.line_max_v)
    greatest_a = most_a or min(1.1 * module.iout_rated_a, module.limits.iout_max_a)
    rated_a = module.iout_rated_a
    loads_a = spaced(least_a or 0.05 * rated_a, greatest_a, points, spacing)
    if spacing == "adaptive":
        first_a = first_loads(loads_a[0], greatest_a, rated_a, averaged=is_averaged(setup))
        loads_a = first_a if points > len(first_a) else loads_a
    asked_a = (AVERAGED_TOO * rated_a, *claimed_loads(setup))
    half_a = 0.5 * rated_a
    reference_v = min(lines, key=lambda line_v: abs(line_v - module.line_nominal_v))
    pace = Pace(settle_s, samples, every_s, module.limits.hot_spot_max_temp_c)

    tared = (yield Tare()) if tare else None
    yield PowerUp(lines[0])
    if audit:
        yield from wiring_audit(setup, tared)
    yield Draw(half_a)
    yield Wait(warm_up_s)
    yield from reference(reference_v, half_a, pace)
    for k, line_v in enumerate(lines):
        yield from curve(line_v, loads_a, points, asked_a, pace, down=down)
        if k + 1 in (len(lines), (len(lines) + 1) // 2):
            yield from reference(reference_v, half_a, pace)

    if soak:
        yield SetLine(module.line_nominal_v)
        yield Draw(soak_a or 0.75 * module.iout_rated_a)
        yield Soak(
            within_k=soak_within_k,
            over_s=soak_over_s,
            at_most_s=soak_at_most_s,
            rule=soak_rule,
            stop_above_c=pace.hot_spot_max_temp_c,
            predict_k=predict_k,
        )
        yield Read("soaked", samples, every_s, "soak")
    yield PowerDown()


def curve(
    line_v: float,
    loads_a: tuple[float, ...],
    points: int,
    asked_a: tuple[float, ...],
    pace: Pace,
    *,
    down: bool,
) -> Part[None]:
    """No load, then up and perhaps down again, at one line; ends with the load off."""
    yield SetLine(line_v)
    yield from reading(0.0, "no load", pace)
    held, refused_a = yield from sweep(loads_a, "up", pace)
    for _ in range(points - len(loads_a)):
        load_a = following(held, refused_a, asked_a)
        if load_a is None:
            break
        more, refused_a = yield from sweep((load_a,), "placed", pace, refused_a)
        held += more
    if down:
        held_a = sorted(point.iout_set_a for point in held)
        yield from sweep(tuple(held_a[::-1]), "down", pace)
    yield Release()


def sweep(
    loads_a: tuple[float, ...], label: str, pace: Pace, refused_a: float = math.inf
) -> Part[tuple[list[Point], float]]:
    """Take each load in turn, no further than the first that is too much.

    Gives the points that held, and the load that was too much, `refused_a` where none was.
    """
    held: list[Point] = []
    for load_a in loads_a:
        point = yield from reading(load_a, label, pace)
        reason = too_much(point, pace)
        if reason:
            yield Note(f"no further than {load_a:g} A at {point.line_set_v:g} V: {reason}")
            yield Release()
            yield Wait(1.0)
            return held, load_a
        held.append(point)
    return held, refused_a


def following(held: list[Point], refused_a: float, asked_a: tuple[float, ...]) -> float | None:
    """The next load of an adaptive sweep: towards one that was too much, else where doubt is."""
    greatest_a = max((point.iout_set_a for point in held), default=0.0)
    if NEAR_ENOUGH * refused_a < refused_a - greatest_a < math.inf:
        return round((greatest_a + refused_a) / 2.0, 6)
    found = next_load(held, asked_a)
    return None if found is None else found.iout_a


def reference(line_v: float, load_a: float, pace: Pace) -> Part[None]:
    """The same point again and again: what it moves by is drift, not the module."""
    yield SetLine(line_v)
    yield from reading(load_a, "reference", pace)


def reading(load_a: float, label: str, pace: Pace) -> Part[Point]:
    """Draw, settle, read: one fast point."""
    yield Draw(load_a)
    yield Settle(at_least_s=pace.settle_s)
    point: Point = yield Read("fast", pace.samples, pace.every_s, label)
    return point


def too_much(point: Point, pace: Pace) -> str:
    """Why a load is beyond what the module or the supply holds; empty while it is not."""
    if point.supply_mode == "CC":
        return f"the supply is at its current limit, {point.iin_a:.3f} A"
    if {"VOUT_LOW", "LOAD_UNREGULATED"} & set(point.flags):
        return f"the output fell to {point.vout_v:.3f} V, the module limits its current"
    hot_spot_c = point.hot_spot_temp_c
    if hot_spot_c is not None and hot_spot_c > pace.hot_spot_max_temp_c:
        return f"the hot spot is at {hot_spot_c:.1f} °C, over {pace.hot_spot_max_temp_c:g} °C"
    return ""


def first_loads(
    least_a: float, most_a: float, rated_a: float, *, averaged: bool = False
) -> tuple[float, ...]:
    """Where an adaptive sweep begins [A]: loads people ask about, from the smallest on."""
    shares = sorted((*FIRST_SHARES, AVERAGED_TOO)) if averaged else FIRST_SHARES
    between = (round(share * rated_a, 6) for share in shares)
    return (least_a, *(load_a for load_a in between if least_a < load_a < most_a), most_a)


def is_averaged(setup: Setup) -> bool:
    """Whether a claim is about the mean of four loads: without one of them it cannot be judged."""
    return any(claim.about == "average-efficiency" for claim in setup.module.claims)


def claimed_loads(setup: Setup) -> tuple[float, ...]:
    """The loads [A] that claims are made at."""
    claims = (getattr(claim, "iout_a", None) for claim in setup.module.claims)
    return tuple(load_a for load_a in claims if load_a)


def spaced(least_a: float, most_a: float, points: int, spacing: str) -> tuple[float, ...]:
    """Load currents [A] from least to most, evenly in amperes or in their logarithm."""
    shares = [k / (points - 1) for k in range(points)]
    if spacing != "linear":
        return tuple(round(least_a * (most_a / least_a) ** share, 6) for share in shares)
    return tuple(round(least_a + (most_a - least_a) * share, 6) for share in shares)
