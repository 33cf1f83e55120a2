"""What a sequence found: a result with the bracket it was found in, and what it is worth.

The value rests on one instrument's reading and on the search that found it: the bracket counts
as rectangular (JCGM 100:2008, 4.3.7), beside the instrument's own. Called by the reports and
the judging of claims; pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from runner.analysis.accuracy import ROOT_3, Range
from runner.analysis.sampling import Mean
from runner.analysis.uncertainty import Source, Uncertain

ENDINGS = {"temp_c": "°C", "c": "°C", "v": "V", "a": "A", "w": "W", "s": "s", "k": "K"}
"""What a result's name may end in, and the unit it stands for."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One result: `quantity` in `unit`, its bracket, and where it was found [V], [A], [°C].

    `number` counts the results of a run from 1. `measured` is None where there is no value, or
    where its instrument states no accuracy; `rests_on` is the reading it was found with.
    """

    number: int
    quantity: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    line_v: float
    iout_a: float
    ambient_temp_c: float | None
    text: str
    rests_on: str
    measured: Uncertain | None = None


def words_of(quantity: str) -> tuple[str, str]:
    """A result's name as people say it, and its unit: empty where the name ends in none."""
    for ending, unit in ENDINGS.items():
        if quantity.endswith(f"_{ending}"):
            return quantity.removesuffix(f"_{ending}").replace("_", " "), unit
    return quantity.replace("_", " "), ""


def finding(number: int, args: Mapping[str, Any], offset: float = 0.0) -> Finding:
    """A result as its step says it, less the `offset` that its ammeter was tared with."""
    value, low, high = (
        None if args[name] is None else args[name] - offset for name in ("value", "low", "high")
    )
    return Finding(
        number,
        args["quantity"],
        args["unit"],
        value,
        low,
        high,
        args["line_v"],
        args["iout_a"],
        args["ambient_temp_c"],
        args["text"],
        args.get("rests_on", ""),
    )


def worth_of(found: Finding, own: Range | None) -> Uncertain | None:
    """The value with its uncertainty: of the reading at the value, and of the bracket.

    None without a value, without an instrument whose accuracy is known, and for a time or a
    count that no bracket bounds.
    """
    if found.value is None:
        return None
    half = half_width(found)
    if found.rests_on and own is None:
        return None
    if not found.rests_on and not half:
        return None
    value = Uncertain(found.value)
    if own is not None:
        single = Mean(found.value, 0.0, None, 0.0, 1, 1.0)
        value = own.reading(found.value, single, found.number)
    if not half:
        return value
    bracket = Source(f"bracket of {found.quantity}, result {found.number}", shape="rectangular")
    return value + Uncertain(0.0, {bracket: half / ROOT_3})


def half_width(found: Finding) -> float:
    """How far the true value may be from the one told, by the bracket alone; 0 without one."""
    if found.value is None or found.low is None or found.high is None:
        return 0.0
    return max(found.value - found.low, found.high - found.value)
