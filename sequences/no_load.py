"""No load: what the module takes from the line when nothing is drawn from it.

The load is off, the output regulated; after a while for the module to come to rest (indicators
and dividers count) the input current is averaged over many readings, at each line. At such
currents the ammeter's offset is most of the answer: it is tared with all off just before, and
a supply's own readback is rarely good enough; give a meter on its low range the role iin.
With `--standby yes` a person then switches the module off by its own enable input.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated

from runner import (
    Ask,
    Found,
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
    Wait,
)

HOURS_A_MONTH = 24.0 * 365.25 / 12.0


def sequence(
    setup: Setup,
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: least, nominal, greatest", "V", 0.0)
    ] = (),
    rest_s: Annotated[float, Option("rest before it is read", "s", 0.0, 3600.0)] = 30.0,
    samples: Annotated[int, Option("readings averaged", at_least=2)] = 100,
    every_s: Annotated[float, Option("time between readings", "s", 0.0)] = 0.1,
    standby: Annotated[
        bool, Option("ask for the module to be disabled, and read that too")
    ] = False,
) -> Steps:
    """Tare, power up without load, read at each line; then disabled, if asked for."""
    module = setup.module
    lines = lines_v or (module.line_min_v, module.line_nominal_v, module.line_max_v)
    tared = yield Tare(samples=max(20, samples), every_s=every_s)
    yield PowerUp(lines[0])
    reading = Read("fast", samples, every_s, "no load")
    for line_v in lines:
        point = yield from rested(line_v, rest_s, reading)
        yield from told("no_load_current_a", point, tared.iin_a)
    if standby:
        yield from disabled(module.vout_set_v, module.line_nominal_v, rest_s, reading, tared.iin_a)
    yield PowerDown()


def rested(line_v: float, rest_s: float, reading: Read) -> Part[Point]:
    """One line: rest, then read."""
    yield SetLine(line_v)
    yield Wait(rest_s)
    yield Settle()
    point: Point = yield reading
    return point


def disabled(
    vout_set_v: float, line_v: float, rest_s: float, reading: Read, zero_a: float
) -> Part[None]:
    """The nominal line with the module switched off by its own enable input."""
    yield SetLine(line_v)
    yield Ask("Switch the module off by its own enable input; leave the line as it is.")
    point = yield from rested(line_v, rest_s, replace(reading, label="standby"))
    if point.vout_v > 0.5 * vout_set_v:
        yield Note(f"the output is still {point.vout_v:.2f} V: no standby current is told")
        return
    yield from told("standby_current_a", point, zero_a)


def told(quantity: str, point: Point, zero_a: float) -> Part[None]:
    """The current, and what it would take from a battery."""
    iin_a = point.iin_a - zero_a
    said = f"{iin_a * point.vin_v:.3f} W; a battery gives up {iin_a * HOURS_A_MONTH:.2f} Ah a month"
    at = (point.vin_v, 0.0, point.ambient_temp_c)
    yield Found(quantity, point.iin_a, None, None, "A", *at, said, "iin_a")
