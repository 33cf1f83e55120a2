"""Derating: soaks at several loads and ambients, for the greatest load each ambient allows.

On the grid the load goes up at each ambient and line; at each load the module is soaked
until its hot spot settles or its end is known, then read. With `--soaks few` quick points map
the loss first, and each soak is put where it takes most off the doubt of the greatest loads.
A soak that passes the module's own hot-spot limit, or surely would, ends that line there: a
greater load would only be hotter. Takes hours on a real bench; few soaks take one or two.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Annotated

from runner import (
    SOAK_RULES,
    Ask,
    Draw,
    Note,
    Option,
    Part,
    Point,
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
    Wanted,
    next_soak,
    wiring_audit,
)

MAP_SHARES = (0.1, 0.25, 0.5, 0.75, 1.0)
"""Of rated: the quick points that map the loss at each line."""
OVER = 1.1
"""Of rated: the greatest load that few soaks look at where no loads are given."""
FIRST_SHARE = 0.6
"""Of rated: the first of few soaks, at the nominal line; it tells how warm the others get."""


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
    predict_k: Annotated[
        float, Option("end a soak once its end is known so well at 95 %; 0: wait it out", "K", 0)
    ] = 1.0,
    prove: Annotated[
        bool, Option("wait the first soak out; if its end was not as foretold, all of them")
    ] = True,
    soaks: Annotated[
        str, Option("every load of the grid, or the few that tell most", choices=("grid", "few"))
    ] = "grid",
    worth_at_c: Annotated[
        tuple[float, ...], Option("few: airs to know the load for; left out: those measured", "°C")
    ] = (),
    worth_u_a: Annotated[
        float, Option("few: enough when soaks leave this doubt (95 %); 0: 2 % of rated", "A", 0.0)
    ] = 0.0,
    most_soaks: Annotated[int, Option("few: at most, in each air", at_least=1, at_most=99)] = 8,
    air_by_hand: Annotated[
        bool, Option("ask somebody to bring the air to each ambient; there is no chamber")
    ] = False,
) -> Steps:
    """Soak every load at every line and ambient that the limits allow, or few of them."""
    module = setup.module
    lines = lines_v or (module.line_min_v, module.line_nominal_v, module.line_max_v)
    rated_a = module.iout_rated_a
    loads = tuple(sorted(loads_a or (0.25 * rated_a, 0.5 * rated_a, 0.75 * rated_a, rated_a)))
    too_hot_c = module.limits.hot_spot_max_temp_c
    way = Way(
        Soak(
            "hot_spot_temp_c", within_k, over_s, at_most_s, too_hot_c, soak_rule, predict_k, prove
        ),
        samples,
        every_s,
    )
    most_a = max(loads_a) if loads_a else min(OVER * rated_a, module.limits.iout_max_a)
    asked_c = worth_at_c or ambients_c
    wanted = Wanted(lines, asked_c, too_hot_c, most_a, worth_u_a or 0.02 * rated_a)
    taken = Taken()

    tared = (yield Tare()) if tare else None
    yield PowerUp(lines[0])
    if audit:
        yield from wiring_audit(setup, tared)
    for ambient_c in ambients_c or (None,):
        if ambient_c is not None:
            yield Release()
            if air_by_hand:
                yield Ask(f"Bring the air around the module to {ambient_c:g} °C and hold it there.")
            yield SetAmbient(ambient_c)
        if soaks == "few":
            yield from few(setup, wanted, way, taken, most_soaks)
        else:
            yield from grid(lines, loads, way)
    yield PowerDown()


@dataclass(slots=True)
class Way:
    """How each load is soaked and read; `soak` changes once a prediction was put to the proof."""

    soak: Soak
    samples: int
    every_s: float


@dataclass(slots=True)
class Taken:
    """What few soaks are chosen by: all points, the soaks, and where one was stopped."""

    points: list[Point] = field(default_factory=list)
    soaks: list[tuple[Point, Soaked]] = field(default_factory=list)
    too_hot: list[tuple[float, float]] = field(default_factory=list)


def grid(lines: tuple[float, ...], loads: tuple[float, ...], way: Way) -> Part[None]:
    """Every load at every line, each line up to the first load that is too hot."""
    for line_v in lines:
        yield SetLine(line_v)
        for load_a in loads:
            soaked, _, _ = yield from soaked_point(load_a, way)
            if soaked.stopped:
                yield Note(f"no further than {load_a:g} A at {line_v:g} V: too hot")
                break


def few(setup: Setup, wanted: Wanted, way: Way, taken: Taken, most_soaks: int) -> Part[None]:
    """Map the loss, soak once, then where it tells most until the doubt is small enough."""
    module = setup.module
    if not taken.points:
        yield from loss_map(wanted.lines_v, module.iout_rated_a, taken)
    line_v, load_a = module.line_nominal_v, FIRST_SHARE * module.iout_rated_a
    for _ in range(most_soaks):
        yield SetLine(line_v)
        soaked, fast, point = yield from soaked_point(load_a, way)
        taken.points += [fast, point]
        if soaked.stopped:
            taken.too_hot.append((line_v, load_a))
            yield Note(f"no further than {load_a:g} A at {line_v:g} V: too hot")
        else:
            taken.soaks.append((point, soaked))
        air_c = point.ambient_temp_c
        if air_c is None:
            yield Note("no ambient thermometer: no soak can be chosen")
            return
        found = next_soak(taken.points, taken.soaks, wanted.at(air_c), air_c, taken.too_hot)
        if found is None:
            return
        yield Note(
            f"next soak {found.iout_a:g} A at {found.line_v:g} V: the greatest load at "
            f"{found.doubt_line_v:g} V, {found.doubt_ambient_c:.1f} °C is known within "
            f"{found.expanded_u_a:.3f} A; {found.expected_u_a:.3f} A is expected"
        )
        line_v, load_a = found.line_v, found.iout_a


def loss_map(lines: tuple[float, ...], rated_a: float, taken: Taken) -> Part[None]:
    """Quick points over line and load, while the module is cool."""
    for line_v in lines:
        yield SetLine(line_v)
        for share in MAP_SHARES:
            yield Draw(round(share * rated_a, 6))
            yield Settle()
            point: Point = yield Read("fast", 10, 0.1, "loss map")
            taken.points.append(point)
        yield Release()


def soaked_point(load_a: float, way: Way) -> Part[tuple[Soaked, Point, Point]]:
    """One load: a fast point on the way, a soak, and the soaked point that counts."""
    yield Draw(load_a)
    yield Settle()
    fast: Point = yield Read("fast", 10, 0.1, "before soak")
    soaked: Soaked = yield way.soak
    if soaked.proved is not None:
        believed_k = way.soak.predict_k if soaked.proved else 0.0
        way.soak = replace(way.soak, predict_k=believed_k, prove=False)
    point: Point = yield Read("soaked", way.samples, way.every_s, "soak")
    return soaked, fast, point
