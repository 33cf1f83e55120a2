"""Minimum load: the least load at which the output keeps its voltage.

Some modules let their output rise, or hunt, when next to nothing is drawn: what hangs on it sees
that at night. At each line the output at half the rated load is the reference. Without a load,
and then by bisection in the load, it is looked for where the output is off by more than given,
or restless. A module that regulates without a load needs none, and it says so.

What is found is the load a bleeder resistor has to draw, always. Heats nothing, abuses nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from runner import (
    Bracket,
    Draw,
    Found,
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
    Steps,
    Tare,
    wiring_audit,
)

SHARES = (0.1, 0.25)
"""Loads, of the rated one, that are tried when the output is off without any."""


@dataclass(frozen=True, slots=True)
class Held:
    """How far the output may be from its reference [of it], and how restless."""

    within: float
    at_most_s: float


def sequence(
    setup: Setup,
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: least and greatest", "V", 0.0)
    ] = (),
    off_by_pct: Annotated[float, Option("an output off by more is not held", "%", 0.1, 25.0)] = 2.0,
    within_a: Annotated[float, Option("bracket it by this; 0: 0.25 % of rated", "A", 0.0)] = 0.0,
    settle_s: Annotated[float, Option("longest settling at a load", "s", 0.3)] = 5.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Find the least load at each line."""
    module = setup.module
    lines = lines_v or (module.line_min_v, module.line_max_v)
    held, rated_a = Held(off_by_pct / 100.0, settle_s), module.iout_rated_a
    tared = (yield Tare()) if tare else None
    yield PowerUp(lines[0])
    if audit:
        yield from wiring_audit(setup, tared)
    for line_v in lines:
        yield SetLine(line_v)
        reference = yield from at_load(0.5 * rated_a, held)
        yield from least_load(reference, held, rated_a, within_a or 0.0025 * rated_a)
        yield Release()
    yield PowerDown()


def least_load(reference: Point, held: Held, rated_a: float, within_a: float) -> Part[None]:
    """The least load at the present line, by bisection from none upwards."""
    empty = yield from at_load(0.0, held)
    at = (empty.line_set_v, 0.0, empty.ambient_temp_c)
    if holds(empty, reference, held):
        said = "none needed: the output is held without a load"
        yield Found("minimum_load_a", 0.0, 0.0, 0.0, "A", *at, said)
        return
    off_pct = 100.0 * (empty.vout_v / reference.vout_v - 1.0)
    good, bad = None, empty
    for share in SHARES:
        point = yield from at_load(share * rated_a, held)
        if holds(point, reference, held):
            good = point
            break
        bad = point
    if good is None:
        yield Note(
            f"the output is off at a quarter of the rated load too, {off_pct:+.1f} % at none"
        )
        return
    bracket = Bracket(good.iout_set_a, bad.iout_set_a)
    while not bracket.is_narrow(within_a):
        point = yield from at_load(bracket.middle, held)
        is_good = holds(point, reference, held)
        bracket = bracket.told(point.iout_set_a, holds=is_good)
        good, bad = (point, bad) if is_good else (good, point)
    low_a, high_a = sorted((bad.iout_a, good.iout_a))  # near each other noise may swap the two
    ends = (0.5 * (low_a + high_a), low_a, high_a)
    said = f"output off by {off_pct:+.1f} % without a load"
    yield Found("minimum_load_a", *ends, "A", *at, said, "iout_a")


def at_load(load_a: float, held: Held) -> Part[Point]:
    """One load, settled and read."""
    yield Draw(load_a)
    yield Settle(at_most_s=held.at_most_s)
    point: Point = yield Read("fast", 10, 0.05, "minimum load")
    return point


def holds(point: Point, reference: Point, held: Held) -> bool:
    """Whether the output is near its reference and at rest."""
    is_near = abs(point.vout_v / reference.vout_v - 1.0) <= held.within
    return is_near and 2.0 * point.sd.get("vout_v", 0.0) <= held.within * reference.vout_v
