"""What the steps that look for a limit may ask for: pure checks, on paper and on the bench.

Called by `plan` before a bench is opened, and by `outputs` and `perform` at the step itself.
What a bench and a module may carry is in `ratings`; here are a trace's length, a resistance,
a start from off, and a result that contradicts itself.
"""

from __future__ import annotations

import re

from runner.errors import BadInput
from runner.ratings import Allowed
from runner.steps import Follow, Found, Resist, Start, Step

MOST_READINGS = 5000
"""Of one trace, so that its record in the journal stays one that can be followed."""
FASTEST_S = 0.005
"""No bench reads every box faster [s]; common practice, no source."""


def check_trace(step: Step, duration_s: float, every_s: float) -> None:
    """Refuse a trace that is longer or finer than one may be."""
    if every_s < FASTEST_S:
        raise BadInput(f"{step!r}: every_s: found {every_s!r}, allowed: {FASTEST_S:g} s or more")
    if duration_s / every_s > MOST_READINGS:
        raise BadInput(
            f"{step!r}: asks for {duration_s / every_s:.0f} readings; allowed: at most "
            f"{MOST_READINGS}; read less often, or follow in several steps"
        )


def check_resistance(step: Step, load_ohm: float) -> None:
    """Refuse a resistance that is none."""
    if not load_ohm > 0.0:
        raise BadInput(
            f"{step!r}: load_ohm: found {load_ohm!r}, allowed: above 0 ohm; "
            "the load's least resistance stands for a short circuit"
        )


def check_start(step: Start, supply_is_on: bool, may: Allowed) -> None:
    """Refuse a start that is none: the supply on already, two loads, too great a limit."""
    if supply_is_on:
        raise BadInput(f"the sequence yielded {step!r} with the supply on; PowerDown comes first")
    if step.load_ohm is not None:
        check_resistance(step, step.load_ohm)
        if step.iout_a != 0.0:
            raise BadInput(f"{step!r}: found iout_a and load_ohm; allowed: one of the two")
    limit_a = step.limit_a
    if limit_a is not None and not 0.0 < limit_a <= may.supply_limit_a * (1.0 + 1e-9):
        raise BadInput(
            f"{step!r}: limit_a: found {limit_a!r}, allowed: above 0 to "
            f"{may.supply_limit_a:.4g} A, the greatest current limit of this bench"
        )
    check_trace(step, step.watch_s, step.every_s)


def check_found(step: Found) -> None:
    """Refuse a result without a name, or whose value is not in its own bracket."""
    if not re.fullmatch(r"[a-z][a-z0-9_]*", step.quantity):
        raise BadInput(
            f"{step!r}: quantity: found {step.quantity!r}, allowed: lower-case words and "
            "underscores, such as current_limit_a"
        )
    ordered = [value for value in (step.low, step.value, step.high) if value is not None]
    if ordered != sorted(ordered):
        raise BadInput(f"{step!r}: found low, value, high as {ordered}; allowed: in that order")


def check_by_machine(step: Step, by_hand: bool) -> None:
    """Refuse what no hand is quick enough for, and no eye."""
    if by_hand and isinstance(step, Follow | Resist | Start):
        raise BadInput(
            f"the sequence yielded {step!r}, and a part of this bench is worked by hand or read "
            "by eye: too slow for it; use a bench with an electronic load and meters that the "
            "program reads"
        )
