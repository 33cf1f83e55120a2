"""What a claim comes to: parts with a value each, or the reason why there is none.

The words that all kinds of claims share: conditions, what a claim does not state, and the case
they are judged in. Called by the kinds of claims; pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from runner.analysis.decision import Tolerance
from runner.analysis.derating import Limits
from runner.analysis.findings import Finding
from runner.analysis.holding import Kind
from runner.analysis.judged_points import At, Evidence, Found, Missing

Claim = Mapping[str, Any]
"""One claim of a module file, as the journal keeps it."""

ELECTRICAL_FIRST: tuple[Kind, ...] = ("fast", "soaked")
WARM_FIRST: tuple[Kind, ...] = ("soaked", "fast")


@dataclass(frozen=True, slots=True)
class Case:
    """What claims are judged on: the points, the module file, the limits of a load, and what
    the sequence found."""

    evidence: Evidence
    module: Mapping[str, Any]
    limits: Limits
    findings: tuple[Finding, ...] = ()

    @property
    def rated_a(self) -> float:
        """The load the module is said to carry [A]."""
        return float(self.module["iout_rated_a"])

    @property
    def vout_set_v(self) -> float:
        """What the output is set to [V]."""
        return float(self.module["vout_set_v"])


@dataclass(frozen=True, slots=True)
class Part:
    """One thing to decide: a value in `unit` against a tolerance, or why there is no value.

    `conditions` are those it is judged at; `notes` tell what was assumed or has to be known.
    `flattered` tells why a value is better than the claim's conditions would make it: then it
    can fail, but not pass.
    """

    what: str
    where: At
    conditions: str
    unit: str
    tolerance: Tolerance | None
    found: Found | Missing
    notes: tuple[str, ...] = ()
    flattered: str = ""


def claimed(claim: Claim, case: Case, load_a: float) -> tuple[At, tuple[str, ...]]:
    """The conditions of a claim, and what it does not state: line, load or ambient.

    `load_a` [A] stands for a load that is not stated; the line is then the nominal one.
    """
    notes = []
    line_v, stated_a = claim.get("vin_v"), claim.get("iout_a")
    if line_v is None:
        line_v = case.module["line_nominal_v"]
        notes.append(f"line not stated: nominal {line_v:g} V")
    if stated_a is None and load_a > 0.0 and "iout_a" in claim:
        notes.append(f"load not stated: {load_a:g} A")
    where = At(line_v, load_a if stated_a is None else stated_a, claim.get("ambient_temp_c"))
    return where, tuple(notes)


def part(
    what: str,
    unit: str,
    tolerance: Tolerance,
    where: At,
    found: Found | Missing,
    notes: tuple[str, ...] = (),
    factor: float = 1.0,
) -> Part:
    """A part whose value is `factor` times what was found, with its conditions in words."""
    if isinstance(found, Found):
        found = replace(found, value=factor * found.value)
        notes = (*notes, *_remarks(where, found))
    return Part(what, where, _conditions(where, found), unit, tolerance, found, notes)


def _conditions(where: At, found: Found | Missing) -> str:
    air_c = found.ambient_c if isinstance(found, Found) else where.ambient_c
    words = [f"{where.line_v:g} V", f"{where.load_a:g} A"]
    if air_c is not None:
        words.append(f"{air_c:.3g} °C")
    if isinstance(found, Found):
        words.append(found.kind)
    return ", ".join(words)


def _remarks(where: At, found: Found) -> Iterator[str]:
    if where.ambient_c is None:
        air_c = found.ambient_c
        yield "ambient not stated" if air_c is None else f"ambient not stated: {air_c:.1f} °C"
    if found.interpolated:
        yield "interpolated between points, the interpolation is in U"
