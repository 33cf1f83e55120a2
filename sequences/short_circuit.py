"""Short circuit: the output is shorted for a moment, and longer only if that went well.

A person at the terminal is asked first. The load's least resistance is the short: half a second,
then the load is taken off and the output has to come back by itself. With `--lasts-s` the short
is repeated for that long, and ended early at the hot spot's limit. At last the module is started
into the short. A module that is not made for it may die of this: its switch then often shorts,
and the whole line stands on the output. Know what your load does with that.

Cautions: eye protection on; module on a tray that does not burn, covered, capacitors can vent;
fuse in the line; nobody reaches in while the supply is on. Cannot be run unattended.
"""

from __future__ import annotations

from typing import Annotated

from runner import (
    DROPOUT_SHARE,
    Ask,
    Done,
    Follow,
    Found,
    GiveUp,
    Note,
    Option,
    Part,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Release,
    Resist,
    Settle,
    Setup,
    Start,
    Steps,
    Tare,
    Trace,
    Wait,
    beyond,
    came_back,
    late_mean,
    wiring_audit,
)

CHUNK_S = 5.0
START_S = 1.0
"""How long the module is started into the short."""


def sequence(
    setup: Setup,
    line_v: Annotated[float, Option("line voltage; 0: nominal", "V", 0.0)] = 0.0,
    short_ohm: Annotated[float, Option("the load's least resistance", "ohm", 0.001, 5.0)] = 0.1,
    brief_s: Annotated[float, Option("the first short", "s", 0.2, 1.0)] = 0.5,
    lasts_s: Annotated[float, Option("the second one; 0: none", "s", 0.0, 60.0)] = 0.0,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Short the output briefly, then as long as asked, then start into a short."""
    module = setup.module
    line = line_v or module.line_nominal_v
    longest_s = max(brief_s, lasts_s, START_S)
    yield Ask(
        f"the output is going to be shorted for up to {longest_s:g} s: eye protection on, module "
        "covered and on something that does not burn"
    )
    tared = (yield Tare()) if tare else None
    yield PowerUp(line)
    if audit:
        yield from wiring_audit(setup, tared)
    yield Settle()
    empty: Point = yield Read("fast", 5, 0.05, "no load")

    yield Resist(short_ohm)
    seen: Trace = yield Follow(brief_s, 0.02)
    yield from back(empty, seen)
    yield from told("short_circuit", seen, short_ohm, empty)
    if lasts_s > 0.0:
        yield from held_short(short_ohm, lasts_s, module.limits.hot_spot_max_temp_c, empty)

    yield PowerDown()
    yield Wait(2.0)
    seen = yield Start(line, load_ohm=short_ohm, watch_s=START_S)
    yield from back(empty, seen)
    yield from told("start_into_short", seen, short_ohm, empty)
    yield PowerDown()


def told(name: str, seen: Trace, short_ohm: float, empty: Point) -> Part[None]:
    """The current into the short; of one that comes in pulses no mean is told."""
    short = beyond(short_ohm, seen.t_s, seen.vout_v, seen.iout_a)
    at = (empty.line_set_v, short.iout_a, empty.ambient_temp_c)
    if short.pulsed:
        said = "in pulses: it has no mean"
        greatest_a = max(seen.iout_a)
        yield Found(f"{name}_a", None, None, greatest_a, "A", *at, said, "iout_a")
        return
    late = [a for t, a in zip(seen.t_s, seen.iout_a, strict=True) if t - seen.t_s[0] >= 0.1]
    low_a, high_a = min(late), max(late)
    yield Found(f"{name}_a", short.iout_a, low_a, high_a, "A", *at, "", "iout_a")


def held_short(short_ohm: float, lasts_s: float, hot_c: float, empty: Point) -> Part[None]:
    """The long short, in pieces, each looked at; the hot spot at its limit ends it early."""
    yield Resist(short_ohm)
    held_s, current_a, said = 0.0, 0.0, "the whole time"
    while held_s < lasts_s - 1e-9:
        piece_s = min(CHUNK_S, lasts_s - held_s)
        seen: Trace = yield Follow(piece_s, 0.1)
        held_s += piece_s
        current_a = late_mean(seen.t_s, seen.iout_a)
        last_c = seen.hot_spot_temp_c[-1]
        if last_c is not None and last_c > hot_c:
            said = f"ended at a hot spot of {last_c:.0f} °C"
            break
    yield from back(empty, seen)
    at = (empty.line_set_v, current_a, empty.ambient_temp_c)
    yield Found("short_circuit_held_s", held_s, held_s, held_s, "s", *at, said)


def back(empty: Point, short: Trace) -> Part[None]:
    """The load off: how long the output takes to be back. Ends the run where it stays away.

    The short ended somewhere between its last reading and the first one after it.
    """
    done: Done = yield Release()
    seen: Trace = yield Follow(3.0, 0.02)
    moment = came_back(seen.t_s, seen.vout_v, DROPOUT_SHARE * empty.vout_v)
    at = (empty.line_set_v, 0.0, empty.ambient_temp_c)
    if moment is None:
        yield Note("the output did not come back within 3 s: the line is switched off and on")
        yield from cycled(empty)
        yield Found("recovery_s", None, 3.0, None, "s", *at, "only with the line off and on")
        return
    low_s = max(0.0, moment.before_s - done.reading.t_s)
    high_s = moment.after_s - short.t_s[-1]
    yield Found("recovery_s", 0.5 * (low_s + high_s), low_s, high_s, "s", *at)


def cycled(empty: Point) -> Part[None]:
    """The line off and on; a module that does not start any more ends the run."""
    yield PowerDown()
    yield Wait(2.0)
    yield PowerUp(empty.line_set_v)
    seen: Trace = yield Follow(2.0, 0.05)
    if came_back(seen.t_s, seen.vout_v, DROPOUT_SHARE * empty.vout_v) is None:
        yield GiveUp("the output did not come back with the line switched off and on: dead?")
