"""Dropout: the lowest line at which the output is still held, at each load, and back again.

At each load the output at the module's nominal line is the reference; the line is then bisected
down to where the output has fallen by 2 % of it, each line approached from above. Then the same
from below, where the output comes back: the two differ by the hysteresis. The line asks for
more current the lower it is; where the supply comes to its own limit that load is left out.

Below dropout some modules pass the line through with uncontrolled ripple; what they feed sees it.
A diode in front moves the whole curve up by its drop. Nothing here goes above nominal line.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated

from runner import (
    DROPOUT_SHARE,
    Bracket,
    Draw,
    Follow,
    Found,
    GiveUp,
    Note,
    Option,
    Part,
    PowerDown,
    PowerUp,
    Release,
    SetLine,
    Settle,
    Setup,
    Steps,
    Tare,
    Trace,
    late_mean,
    wiring_audit,
)

FALLS = 1.0 - DROPOUT_SHARE


@dataclass(frozen=True, slots=True)
class Look:
    """The means of a short trace [V], [A], and whether the supply was in its current limit."""

    vin_v: float
    vout_v: float
    iout_a: float
    is_limited: bool


@dataclass(frozen=True, slots=True)
class Search:
    """How narrow the edge is bracketed [V], and how long each line is watched [s].

    Lines are tried as they are set: a supply reads them with an error of its own, which may be
    wider than the bracket. `read_v` holds what was read at each.
    """

    nominal_v: float
    lowest_v: float
    within_v: float
    watch_s: float
    read_v: dict[float, float] = field(default_factory=dict)

    def as_read(self, lines: Bracket) -> Bracket:
        """A bracket of lines that were tried, as they were read."""
        return Bracket(self.read_v[lines.holds], self.read_v[lines.fails])


def sequence(
    setup: Setup,
    loads_a: Annotated[
        tuple[float, ...], Option("loads; left out: 25, 50, 100 % of rated", "A", 0.0)
    ] = (),
    lowest_v: Annotated[
        float, Option("lowest line tried; 0: nine tenths of the output", "V", 0.0)
    ] = 0.0,
    within_v: Annotated[float, Option("bracket it by this", "V", 0.005, 2.0)] = 0.05,
    watch_s: Annotated[float, Option("time at each line", "s", 0.2, 60.0)] = 0.5,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Find the dropout line and its hysteresis at each load."""
    module = setup.module
    nominal_v = module.line_nominal_v
    lowest = max(0.5, lowest_v or 0.9 * module.vout_set_v)
    rated_a = module.iout_rated_a
    if lowest >= nominal_v:
        yield GiveUp(
            f"the lowest line tried, {lowest:g} V, is not below the nominal line, {nominal_v:g} V: "
            "a module that steps up does not drop out so; `lockout` finds its least line"
        )
    tared = (yield Tare()) if tare else None
    yield PowerUp(nominal_v)
    if audit:
        yield from wiring_audit(setup, tared)
    for load_a in loads_a or (0.25 * rated_a, 0.5 * rated_a, rated_a):
        yield SetLine(nominal_v)
        yield Draw(load_a)
        yield Settle()
        reference = yield from looked(watch_s)
        yield from dropout(load_a, reference, Search(nominal_v, lowest, within_v, watch_s))
        yield SetLine(nominal_v, wait=False)
        yield Release()
    yield PowerDown()


def dropout(load_a: float, reference: Look, search: Search) -> Part[None]:
    """Where the output is lost going down, and where it is back going up, at one load."""
    lowest_v, search.read_v[search.nominal_v] = search.lowest_v, reference.vin_v
    bottom = yield from tried(lowest_v, search)
    if bottom.is_limited:
        yield Note(f"{load_a:g} A: the supply is at its limit at {lowest_v:g} V; nothing is found")
        return
    if holds(bottom, reference):
        at = (bottom.vin_v, reference.iout_a)
        said = f"output held down to {lowest_v:g} V, the lowest line tried"
        yield Found("dropout_line_v", None, None, bottom.vin_v, "V", *at, None, said, "vin_v")
        return
    down = yield from falling(Bracket(search.nominal_v, lowest_v), reference, search)
    up = None if down is None else (yield from rising(down, reference, search))
    if down is None or up is None:
        yield Note(f"{load_a:g} A: the supply came to its limit on the way; nothing is found")
        return
    said = f"output down by {100 * FALLS:.0f} %"
    for name, bracket, text in (
        ("dropout_line_v", search.as_read(down), said),
        ("dropout_recovery_line_v", search.as_read(up), "output back, line rising"),
    ):
        at = (bracket.middle, reference.iout_a)
        ends = (bracket.middle, bracket.low, bracket.high)
        yield Found(name, *ends, "V", *at, None, text, "vin_v")


def falling(bracket: Bracket, reference: Look, search: Search) -> Part[Bracket | None]:
    """Bisection, each line approached from where the output is held.

    None where the supply limits.
    """
    is_lost = True
    while not bracket.is_narrow(search.within_v):
        if is_lost:
            yield from at_line(search.nominal_v, 0.2)
        seen = yield from tried(bracket.middle, search)
        if seen.is_limited:
            return None
        is_lost = not holds(seen, reference)
        bracket = bracket.told(bracket.middle, holds=not is_lost)
    return bracket


def rising(down: Bracket, reference: Look, search: Search) -> Part[Bracket | None]:
    """Where the output comes back: a little above where it was lost, then further, then between.

    Each line is approached from where the output is lost; None where the supply limits.
    """
    bracket, step_v = Bracket(search.nominal_v, down.low), search.within_v
    while not bracket.is_narrow(search.within_v):
        line_v = min(bracket.middle, bracket.low + step_v)
        yield from at_line(down.low - search.within_v, 0.2)
        seen = yield from tried(line_v, search)
        if seen.is_limited:
            return None
        bracket = bracket.told(line_v, holds=holds(seen, reference))
        step_v *= 2.0
    return bracket


def tried(line_v: float, search: Search) -> Part[Look]:
    """One line of the search, and what was read at it."""
    seen = yield from at_line(line_v, search.watch_s)
    search.read_v[line_v] = seen.vin_v
    return seen


def at_line(line_v: float, watch_s: float) -> Part[Look]:
    """One line, for a moment; a line that the supply cannot hold is seen, not waited for."""
    yield SetLine(line_v, wait=False)
    look = yield from looked(watch_s)
    return look


def looked(watch_s: float) -> Part[Look]:
    """The means of what is read once the line has moved."""
    seen: Trace = yield Follow(watch_s, 0.05)
    settle_s = 0.5 * watch_s
    vin_v, vout_v, iout_a = (
        late_mean(seen.t_s, values, settle_s) for values in (seen.vin_v, seen.vout_v, seen.iout_a)
    )
    return Look(vin_v, vout_v, iout_a, seen.supply_mode[-1] == "CC")


def holds(seen: Look, reference: Look) -> bool:
    """Whether the output is still what it was, but for the share that counts as dropped out."""
    return seen.vout_v >= DROPOUT_SHARE * reference.vout_v
