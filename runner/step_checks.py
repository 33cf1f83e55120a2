"""What the fields of a step may hold: looked at before a step is planned, journaled or done.

Called by the engine on every step a sequence yields, on paper and on the bench. It knows
types and the signs a unit allows; what bench and module may carry is checked in `ratings`.
"""

from __future__ import annotations

import dataclasses
import math
import reprlib
from collections.abc import Iterator
from functools import cache
from types import NoneType
from typing import Any, Literal, TypeGuard, get_args, get_origin, get_type_hints

from runner.steps import Step

MOST_SAMPLES = 100_000_000
_STEPS = get_args(Step)


def is_step(value: object) -> TypeGuard[Step]:
    """Whether this is one of the steps themselves; a class of one's own is none."""
    return type(value) in _STEPS


def step_mistake(step: Step) -> str:
    """What is wrong with a step's fields: found and allowed; empty when nothing is."""
    return "; ".join(
        f"{type(step).__name__}: {name}: found {shown(value)}, allowed is {allowed}"
        for name, value, allowed in _mistakes(step)
    )


def shown(value: object) -> str:
    """The repr of somebody's own object: cut to a readable length, and never an error."""
    short = reprlib.Repr()
    short.maxstring = short.maxother = 120
    short.maxlong = 40
    return short.repr(value)


def _mistakes(step: Step) -> Iterator[tuple[str, object, str]]:
    hints = _hints(type(step).__name__)
    for field in dataclasses.fields(step):
        value = getattr(step, field.name)
        allowed = _allowed(field.name, hints[field.name], value)
        if allowed:
            yield field.name, value, allowed


@cache
def _hints(name: str) -> dict[str, Any]:
    return get_type_hints(next(kind for kind in _STEPS if kind.__name__ == name))


def _allowed(name: str, hint: Any, value: object) -> str:
    """What the field may hold, in words, if it does not hold that; else nothing."""
    if get_origin(hint) is Literal:
        choices = get_args(hint)
        return "" if value in choices else f"one of {', '.join(map(repr, choices))}"
    kinds = get_args(hint) or (hint,)
    if value is None and NoneType in kinds:
        return ""
    if str in kinds:
        return "" if isinstance(value, str) else "a text"
    if bool in kinds:
        return "" if isinstance(value, bool) else "True or False"
    if int in kinds:
        fits = type(value) is int and 1 <= value <= MOST_SAMPLES
        return "" if fits else f"a whole number, 1 to {MOST_SAMPLES}"
    return "" if _fits(name, value) else _number_wanted(name)


def _fits(name: str, value: object) -> bool:
    """A plain finite number; a time or a change of temperature is not negative."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return False
    try:
        return math.isfinite(value) and (value >= 0.0 or not _is_length(name))
    except OverflowError:  # a whole number no float can hold
        return False


def _is_length(name: str) -> bool:
    return name.endswith(("_s", "_k"))


def _number_wanted(name: str) -> str:
    sign = ", 0 or more" if _is_length(name) else ""
    return f"a finite number{sign} (float(...) makes one of other kinds)"
