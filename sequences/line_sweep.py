"""Line sweep: efficiency and output against the line, at a light, a half and the full load.

At each load the line goes up from the module's least to its greatest and each point is settled
and averaged, fast, near room temperature; half load at the nominal line is repeated before and
after, to show drift. Up, never down: the lower the line, the more current it asks for, and a
supply that comes to its own limit pulls the line down and latches. Such a line is noted and left.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    Draw,
    Note,
    Option,
    Part,
    Point,
    PowerDown,
    PowerUp,
    Read,
    SetLine,
    Settle,
    Setup,
    Steps,
    Tare,
    wiring_audit,
)


def sequence(
    setup: Setup,
    loads_a: Annotated[
        tuple[float, ...], Option("loads; left out: 10, 50, 100 % of rated", "A", 0.0)
    ] = (),
    points: Annotated[int, Option("number of lines", at_least=2, at_most=1000)] = 11,
    least_v: Annotated[float, Option("lowest line; 0: the module's least", "V", 0.0)] = 0.0,
    most_v: Annotated[float, Option("highest line; 0: the module's greatest", "V", 0.0)] = 0.0,
    samples: Annotated[int, Option("readings averaged in a point", at_least=1)] = 10,
    every_s: Annotated[float, Option("time between readings", "s", 0.0)] = 0.1,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Sweep the line up at each load."""
    module = setup.module
    low_v, high_v = least_v or module.line_min_v, most_v or module.line_max_v
    lines_v = [round(low_v + (high_v - low_v) * k / (points - 1), 4) for k in range(points)]
    rated_a = module.iout_rated_a
    half = (module.line_nominal_v, 0.5 * rated_a, samples, every_s, "reference")

    tared = (yield Tare()) if tare else None
    yield PowerUp(low_v)
    if audit:
        yield from wiring_audit(setup, tared)
    yield from at(*half)
    for load_a in loads_a or (0.1 * rated_a, 0.5 * rated_a, rated_a):
        for line_v in lines_v:
            point = yield from at(line_v, load_a, samples, every_s, "line")
            if point.supply_mode == "CC":
                yield Note(
                    f"{load_a:g} A at {line_v:g} V: the supply is at its limit, {point.iin_a:.3f} A"
                )
    yield from at(*half)
    yield PowerDown()


def at(line_v: float, load_a: float, samples: int, every_s: float, label: str) -> Part[Point]:
    """One line, one load: set, settle, read. The load comes off before the line goes down."""
    yield Draw(0.0)
    yield SetLine(line_v)
    yield Draw(load_a)
    yield Settle()
    point: Point = yield Read("fast", samples, every_s, label)
    return point
