"""Reverse polarity: does what stands in front of the module hold when its line is reversed?

A person tests the input with an ohmmeter first. The module is seen to work, the supply is proven
off, and the person swaps its two leads: a bench supply has one polarity. Then the line comes up
backwards at 50 mA at most, 1 V first, never for longer than 5 s; the supply at its limit means
that something conducts: there is no protection, and it goes no further. Leads right again, the
module has to work as before.

Without a protection in the module file this is refused. `--destructive yes` goes on with real
current, and sacrifices the unit: it asks for a typed word, and the death is recorded.
Cautions: eye protection and a shield, capacitors burst when reversed; fuse in the line; module on
something that does not burn; nobody leaves. Cannot be run unattended.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from runner import (
    Ask,
    BadInput,
    Done,
    Found,
    GiveUp,
    Note,
    Option,
    Part,
    PowerDown,
    Setup,
    Start,
    Steps,
    Tare,
    Tared,
    Trace,
    Wait,
    late_mean,
)

OFF_V = 0.5
"""A line below this is off."""
CONDUCTS = 0.2
"""Of the current limit: what takes more conducts; at room temperature a diode leaks less (common
practice, no source)."""
WORKS = 0.9
"""Of its set output: a module that gives this works."""
LOCKED_OUT_V = 2.0
"""No module works at this line: an output that follows it is a switch that is shorted."""


@dataclass(frozen=True, slots=True)
class Seen:
    """The end of a start as it was read [V], [A], and whether the supply limited it.

    `taken_a` is the current less what the ammeter shows at none; the reports tare the others.
    """

    line_v: float
    iin_a: float
    vout_v: float
    greatest_a: float
    taken_a: float
    is_limited: bool


def sequence(
    setup: Setup,
    line_v: Annotated[float, Option("greatest line, reversed; 0: nominal", "V", 0.0)] = 0.0,
    first_v: Annotated[float, Option("first line, reversed", "V", 0.5, 2.0)] = 1.0,
    limit_a: Annotated[float, Option("current limit, reversed", "A", 0.01, 0.1)] = 0.05,
    hold_s: Annotated[float, Option("time reversed, each time", "s", 0.5, 5.0)] = 5.0,
    destructive: Annotated[bool, Option("sacrifice this unit: real current as well")] = False,
    destructive_a: Annotated[float, Option("its current limit", "A", 0.1)] = 2.0,
    destructive_s: Annotated[float, Option("and its time", "s", 0.5, 60.0)] = 10.0,
) -> Steps:
    """Prove it off, swap, reverse it gently, perhaps in earnest, swap back, see what lives."""
    module, line = setup.module, line_v or setup.module.line_nominal_v
    kind = module.protection.kind
    if kind == "none" and not destructive:
        raise BadInput(
            "reverse_polarity: the module file names nothing that stands in front of the module "
            "([protection] kind = none): reversed it conducts and may die. Fit a protection and "
            "name it there, or sacrifice a unit with --destructive yes"
        )
    yield Ask(first_look(kind), typed="open" if kind in ("schottky", "p-channel") else "")
    tared: Tared = yield Tare()
    if not (yield from works(setup, tared, "before")):
        yield GiveUp("the module gives no output with its leads right: there is nothing to test")

    yield from proven_off()
    yield Ask(SWAP, typed="swapped", polarity="reversed")
    blocks = yield from gently(
        setup, tared, sorted({first_v, 2.0 * first_v, line}), limit_a, hold_s
    )
    if destructive:
        yield from in_earnest(setup, tared, line, destructive_a, destructive_s)

    yield from proven_off()
    yield Ask("the supply is off: lay its leads right again", typed="right", polarity="normal")
    lives = yield from works(setup, tared, "after")
    yield Note(verdict(kind, blocks=blocks, lives=lives))


SWAP = (
    "the supply is off. Swap its two leads where they meet the protection, sense wires with them, "
    "so that its plus lies on the module's minus; nothing else is connected to the line. They stay "
    "so until you are asked to lay them right, also if the run ends before"
)


def first_look(kind: str) -> str:
    """What the person does before anything is switched on."""
    said = (
        "eye protection on, module behind a shield and on something that does not burn. With all "
        "leads off, an ohmmeter or its diode range (10 mA at most) across the input, plus on minus"
    )
    if kind in ("schottky", "p-channel"):
        return (
            f"{said}: it has to read open, a capacitor conducts for a moment only; else type stop"
        )
    if kind == "fuse-and-clamp":
        return f"{said}: it reads a diode, 0.3 to 1 V: that is the clamp"
    return f"{said}: it reads a diode, 0.3 to 2 V, where the module conducts backwards"


# ----------------------------------------------------------------------------- reversed


def gently(
    setup: Setup, tared: Tared, lines_v: list[float], limit_a: float, hold_s: float
) -> Part[bool]:
    """The line backwards at a low current limit, rising; ends at the first that conducts."""
    seen: Seen | None = None
    for line_v in lines_v:
        seen = yield from started(line_v, tared, limit_a, hold_s)
        yield PowerDown()
        if seen.vout_v > (1.0 - WORKS) * setup.module.vout_set_v:
            yield GiveUp(
                f"the output is at {seen.vout_v:.2f} V: the module works, so the leads are not "
                "swapped; nothing was reversed"
            )
        if seen.is_limited or seen.taken_a > CONDUCTS * limit_a:
            said = f"conducts at {line_v:g} V reversed"
            yield from current_found(line_v, said, low=seen.iin_a)
            return False
        yield Wait(1.0)
    if seen is not None:
        said = f"blocks up to {seen.line_v:g} V reversed"
        yield from current_found(seen.line_v, said, value=seen.iin_a)
    return True


def current_found(
    line_v: float, said: str, value: float | None = None, low: float | None = None
) -> Part[None]:
    """What flowed with the line reversed."""
    yield Found(
        "reverse_current_a", value, low, None, "A", line_v, 0.0, text=said, rests_on="iin_a"
    )


def in_earnest(
    setup: Setup, tared: Tared, line_v: float, limit_a: float, lasts_s: float
) -> Part[None]:
    """The line backwards with real current; a typed word is asked for, with the unit's name."""
    yield from proven_off()
    unit = setup.module.unit
    yield Ask(
        f"now {line_v:g} V backwards with up to {limit_a:g} A for {lasts_s:g} s. {unit} may burn, "
        "burst or die: it is lost for any use. Shield closed, eyes protected, hands off, fuse in "
        "the line",
        typed=f"destroy {unit}",
    )
    seen = yield from started(line_v, tared, limit_a, lasts_s)
    yield PowerDown()
    ended = "in current limit" if seen.is_limited else "not limited by the supply"
    said = f"in earnest for {lasts_s:g} s, {ended}"
    yield from current_found(line_v, said, value=seen.greatest_a)


# ------------------------------------------------------------------------------ forward


def works(setup: Setup, tared: Tared, when: str) -> Part[bool]:
    """Whether the module gives its output at nominal line, gently started; told as a result.

    At a line no module works at an output that follows it is a switch that is shorted: then the
    nominal line stays off, it would stand on the output.
    """
    module = setup.module
    low = yield from started(LOCKED_OUT_V, tared, 0.1, 1.0)
    yield PowerDown()
    lives, seen = False, low
    if low.vout_v < 0.5 * LOCKED_OUT_V:
        seen = yield from started(module.line_nominal_v, tared, 0.25, 2.0)
        yield PowerDown()
        lives = WORKS * module.vout_set_v <= seen.vout_v <= module.vout_set_v / WORKS
    said = f"{when}: works"
    if not lives:
        shorted = low.vout_v >= 0.5 * LOCKED_OUT_V
        said = f"{when}: DEAD, " + ("its switch is shorted" if shorted else "no output")
    at = (seen.line_v, 0.0)
    yield Found("output_v", seen.vout_v, None, None, "V", *at, text=said, rests_on="vout_v")
    return lives


def started(line_v: float, tared: Tared, limit_a: float, lasts_s: float) -> Part[Seen]:
    """The line on for a while, no load, and how it ended; the supply is still on."""
    seen: Trace = yield Start(line_v, limit_a=limit_a, watch_s=lasts_s, every_s=0.05)
    late_s = 0.5 * lasts_s
    iin_a = late_mean(seen.t_s, seen.iin_a, late_s)
    vout_v = late_mean(seen.t_s, seen.vout_v, late_s)
    is_limited = seen.supply_mode[-1] == "CC"
    return Seen(line_v, iin_a, vout_v, max(seen.iin_a), iin_a - tared.iin_a, is_limited)


def proven_off() -> Part[None]:
    """Ends the run where the line is not seen to be off: nobody touches its leads then."""
    done: Done = yield Wait(3.0)
    if abs(done.reading.vin_v) > OFF_V:
        yield GiveUp(
            f"the line is still at {done.reading.vin_v:.2f} V with the supply off: do not touch "
            "the leads; find what feeds it"
        )


def verdict(kind: str, *, blocks: bool, lives: bool) -> str:
    """What the test came to."""
    held = f"protection {kind} {'blocks' if blocks else 'DOES NOT BLOCK'}"
    if kind == "fuse-and-clamp" and not blocks:
        held = (
            "the clamp conducts, as it should; whether the fuse opens first only real current tells"
        )
    if kind == "none":
        held = f"without protection the module {'blocks' if blocks else 'conducts'}"
    return f"{held}; the module {'works as before' if lives else 'is DEAD'}"
