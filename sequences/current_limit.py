"""Current limit: at which load the output stops holding, and what the module does beyond.

At each line the load goes up by large steps from the rated one, until the output has fallen by
5 % of what it was without a load: the knee. Bisection narrows it down; every overload lasts a
moment, then the load is taken off until the output is back. Beyond the knee the module is loaded
with resistances, which pull no limit to zero as a constant current would: the current they draw
tells constant current, foldback and constant power apart, and pulses tell hiccup.

No load goes above limits.iout_max_a of the module file: raise it there if this module may be
pushed further. A cheap module's limit may lie far above what is printed on it; its inductor may
saturate first. `--hot yes` looks for the knee once more after a soak. Cover the module.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Annotated

from runner import (
    DROPOUT_SHARE,
    KNEE_SHARE,
    Beyond,
    Bracket,
    Draw,
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
    SetLine,
    Settle,
    Setup,
    Soak,
    Steps,
    Tare,
    Trace,
    Wait,
    beyond,
    came_back,
    kind_of_limit,
    outwards,
    wiring_audit,
)

TRIED = ((0.7, 0.0131), (0.4, 0.0167), (0.15, 0.02))
"""Resistances beyond the knee, of the one that draws it, and how often each is read [s]: pulses
faster than the readings show another period with another spacing, true ones show the same."""
SAME_PERIOD = 0.05
LEAST_OHM = 0.1
WARMER_K, COOLS_K = 5.0, 0.3
"""So much warmer than without a load, an output that stays away may be a thermal shutdown; it is
waited for while the hot spot falls by so much in a piece of the time."""
COOL_PIECE_S, COOL_PIECES = 30.0, 40
LEAST_SHARE = 0.05
"""A module that does not even hold this share of its rated load has no knee to look for."""
LIGHT_SHARE, RISES_AT_MOST = 0.1, 0.15
"""Without a load some outputs rise, by this share at most: at this share of the rated load it is
known where the output stands (common practice, no source)."""
ENDED = {"VOUT_LOW", "LOAD_UNREGULATED"}


@dataclass(frozen=True, slots=True)
class Care:
    """How each load is tried, and where the search ends."""

    rated_a: float
    most_a: float
    within: float
    dwell_s: float
    watch_s: float
    hot_spot_max_temp_c: float


@dataclass(frozen=True, slots=True)
class Knee:
    """Where the output fell: the bracket of loads [A], and the greatest that held."""

    bracket: Bracket
    held: Point


def sequence(
    setup: Setup,
    lines_v: Annotated[
        tuple[float, ...], Option("line voltages; left out: nominal", "V", 0.0)
    ] = (),
    most_a: Annotated[
        float, Option("greatest load tried; 0: limits.iout_max_a of the module", "A", 0.0)
    ] = 0.0,
    within_pct: Annotated[
        float, Option("the knee is known once it is bracketed by this", "%", 0.05, 20.0)
    ] = 1.0,
    dwell_s: Annotated[float, Option("longest time at a load before it is read", "s", 0.1)] = 0.4,
    watch_s: Annotated[
        float, Option("how long each resistance beyond the knee is watched", "s", 0.3, 60.0)
    ] = 2.0,
    hot: Annotated[bool, Option("look again after a soak at three quarters of rated")] = False,
    tare: Annotated[bool, Option("take the offsets of the ammeters first, all off")] = True,
    audit: Annotated[bool, Option("prove the wiring at low power first")] = True,
) -> Steps:
    """Find the knee at each line, cold and if asked hot, and tell the kind of limit."""
    module = setup.module
    lines = lines_v or (module.line_nominal_v,)
    care = Care(
        module.iout_rated_a,
        most_a or module.limits.iout_max_a,
        within_pct / 100.0,
        dwell_s,
        watch_s,
        module.limits.hot_spot_max_temp_c,
    )
    yield Note("overloads the module for moments: cover it, nothing that burns beneath it")
    tared = (yield Tare()) if tare else None
    yield PowerUp(lines[0])
    if audit:
        yield from wiring_audit(setup, tared)
    for line_v in lines:
        yield SetLine(line_v)
        yield from limit(care, "")
    if hot:
        yield Draw(0.75 * module.iout_rated_a)
        yield Soak(stop_above_c=care.hot_spot_max_temp_c)
        yield from limit(care, "_hot")
    yield PowerDown()


def limit(care: Care, when: str) -> Part[None]:
    """The knee at the present line, what lies beyond it, and how the module comes back."""
    empty = yield from standing(care)
    knee = yield from searched(empty, care)
    if knee is None:
        return
    held, bracket = knee.held, knee.bracket
    at = (held.line_set_v, held.iout_a, held.ambient_temp_c)
    low_a = held.iout_a  # as measured; the load that failed was set that much higher
    high_a = low_a + bracket.fails - held.iout_set_a
    knee_a = 0.5 * (low_a + high_a)
    said = f"output down by {100 * (1 - KNEE_SHARE):.0f} %"
    yield Found(f"current_limit{when}_a", knee_a, low_a, high_a, "A", *at, said, "iout_a")
    if when:
        return
    points, recovers = [], True
    for share, every_s in TRIED:
        load_ohm = max(LEAST_OHM, share * KNEE_SHARE * empty.vout_v / knee_a)
        one, back = yield from resisted(load_ohm, every_s, empty, care)
        points.append(one)
        recovers = recovers and back
    kind = kind_of_limit(knee_a, empty.vout_v, points, recovers=recovers)
    yield Found("current_limit_kind", None, None, None, "", *at, described(kind, points))


def standing(care: Care) -> Part[Point]:
    """The output without a load, and at the voltage that it holds once a little is drawn."""
    empty = yield from tried(0.0, care)
    light = yield from tried(LIGHT_SHARE * care.rated_a, care)
    if ENDED & set(light.flags) or light.vout_v < (1.0 - RISES_AT_MOST) * empty.vout_v:
        return empty  # the knee itself may lie so low
    return replace(empty, vout_v=min(empty.vout_v, light.vout_v))


def described(kind: str, points: list[Beyond]) -> str:
    """The kind of limit; of pulses with their period, their mean readings mean nothing."""
    if kind != "hiccup":
        return kind
    periods_s = [point.period_s for point in points if point.period_s is not None]
    how = "faster than the readings"
    if len(periods_s) > 1 and max(periods_s) <= (1.0 + SAME_PERIOD) * min(periods_s):
        how = f"every {1e3 * sum(periods_s) / len(periods_s):.0f} ms"
    return f"hiccup, {how}; mean readings beyond the knee mean nothing"


def searched(empty: Point, care: Care) -> Part[Knee | None]:
    """Outwards from the rated load until one fails, then bisection; None where none fails."""
    held, fails_a = yield from ends(empty, care)
    if fails_a is None:
        at = (held.line_set_v, held.iout_a, held.ambient_temp_c)
        said = "not reached: no greater load was allowed (limits.iout_max_a) or given"
        yield Found("current_limit_a", None, held.iout_a, None, "A", *at, said, "iout_a")
        yield Release()
        return None
    bracket = Bracket(held.iout_set_a, fails_a)
    while not bracket.is_narrow(0.0, care.within):
        point = yield from tried(bracket.middle, care)
        good = holds(point, empty)
        bracket = bracket.told(point.iout_set_a, holds=good)
        if good:
            held = point
        else:
            yield from recovered(empty)
    yield Release()
    return Knee(bracket, held)


def ends(empty: Point, care: Care) -> Part[tuple[Point, float | None]]:
    """The greatest load that was seen to hold and the least that was not, if any."""
    held, fails_a = empty, None
    for load_a in outwards(min(care.rated_a, care.most_a), care.most_a):
        point = yield from tried(load_a, care)
        if not holds(point, empty):
            fails_a = point.iout_set_a
            yield from recovered(empty)
            break
        held = point
    load_a = (fails_a or 0.0) / 1.4
    while fails_a is not None and held.iout_set_a == 0.0:
        if load_a < LEAST_SHARE * care.rated_a:
            yield GiveUp(f"the output holds not even {load_a:.3g} A: look at the module first")
        point = yield from tried(load_a, care)
        if holds(point, empty):
            held = point
        else:
            fails_a = point.iout_set_a
            yield from recovered(empty)
        load_a /= 1.4
    return held, fails_a


def tried(load_a: float, care: Care) -> Part[Point]:
    """One load for a moment; ends the run where the bench, not the module, is at its limit."""
    yield Draw(load_a)
    yield Settle(at_least_s=min(0.2, care.dwell_s), at_most_s=care.dwell_s)
    point: Point = yield Read("fast", 5, 0.05, "limit")
    if point.supply_mode == "CC":
        yield GiveUp(
            f"the supply is at its own limit, {point.iin_a:.3g} A, with {load_a:.3g} A drawn: "
            "a greater supply, or a higher line, is needed to find the module's"
        )
    hot_c = point.hot_spot_temp_c
    if hot_c is not None and hot_c > care.hot_spot_max_temp_c:
        yield GiveUp(f"the hot spot is at {hot_c:.0f} °C, its limit, with {load_a:.3g} A drawn")
    return point


def holds(point: Point, empty: Point) -> bool:
    """Whether the output is held: above the knee's share of where it stands."""
    return point.vout_v >= KNEE_SHARE * empty.vout_v and not ENDED & set(point.flags)


def resisted(
    load_ohm: float, every_s: float, empty: Point, care: Care
) -> Part[tuple[Beyond, bool]]:
    """A resistance beyond the knee, for a while: what it draws, and whether the output is back."""
    yield Resist(load_ohm)
    seen: Trace = yield Follow(care.watch_s, every_s)
    back = yield from recovered(empty)
    return beyond(load_ohm, seen.t_s, seen.vout_v, seen.iout_a), back


def recovered(empty: Point) -> Part[bool]:
    """Load off until the output is back; where it stays away the line is switched off and on."""
    yield Release()
    level_v = DROPOUT_SHARE * empty.vout_v
    for watch_s in (1.0, 4.0):
        seen: Trace = yield Follow(watch_s, watch_s / 50.0)
        if came_back(seen.t_s, seen.vout_v, level_v) is not None:
            return True
    if (yield from cooled(seen, empty, level_v)):
        return True
    yield Note("the output did not come back by itself: the line is switched off and on")
    yield PowerDown()
    yield Wait(2.0)
    yield PowerUp(empty.line_set_v)
    seen = yield Follow(2.0, 0.05)
    if came_back(seen.t_s, seen.vout_v, level_v) is None:
        yield GiveUp("the output did not come back with the line switched off and on: dead?")
    return False


def cooled(seen: Trace, empty: Point, level_v: float) -> Part[bool]:
    """A module that is warmer than it was may have shut down: it is let cool while it cools."""
    was_c, hot_c = empty.hot_spot_temp_c, seen.hot_spot_temp_c[-1]
    if was_c is None or hot_c is None or hot_c < was_c + WARMER_K:
        return False
    for _ in range(COOL_PIECES):
        seen = yield Follow(COOL_PIECE_S, 0.5)
        if came_back(seen.t_s, seen.vout_v, level_v) is not None:
            yield Note(f"the output came back as the hot spot cooled from {hot_c:.0f} °C")
            return True
        first_c, last_c = seen.hot_spot_temp_c[0] or 0.0, seen.hot_spot_temp_c[-1] or 0.0
        if first_c - last_c < COOLS_K:
            return False
    return False
