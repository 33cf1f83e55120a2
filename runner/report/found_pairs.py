"""What two runs found of the same kind and at the same place: pairs, and their differences.

A dropout line with and without a diode in front differs by the diode's drop: the headroom lost.
Called by the comparison; reads no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from runner.analysis.comparison import Difference, differ
from runner.analysis.findings import Finding
from runner.report.findings import findings_of
from runner.report.record import RunRecord
from runner.report.same_box import Renaming

SAME = 0.02
"""Loads, and lines, that differ by less than this of themselves are one."""


@dataclass(frozen=True, slots=True)
class ComparedFinding:
    """One result of both runs, and by how much they differ."""

    a: Finding
    b: Finding
    difference: Difference


def renamed_findings(record: RunRecord, renaming: Renaming) -> tuple[Finding, ...]:
    """The results of a run whose worth is known, resting on the sources runs share."""
    return tuple(
        replace(one, measured=renaming.value(one.measured))
        for one in findings_of(record)
        if one.measured is not None
    )


def found_pairs(a: Sequence[Finding], b: Iterable[Finding]) -> Iterator[ComparedFinding]:
    """Each result of `a` beside the first of `b` that is not taken yet and is of the same place."""
    left = list(b)
    for one in a:
        other = next((other for other in left if _alike(one, other)), None)
        if other is not None and one.measured is not None and other.measured is not None:
            left.remove(other)
            yield ComparedFinding(one, other, differ(one.quantity, one.measured, other.measured))


def _alike(one: Finding, other: Finding) -> bool:
    """Same quantity and place; a line that was looked for is no place, nor is a load."""
    at_line = one.rests_on == "vin_v" or _near(one.line_v, other.line_v)
    at_load = one.rests_on == "iout_a" or _near(one.iout_a, other.iout_a)
    return one.quantity == other.quantity and at_line and at_load


def _near(one: float, other: float) -> bool:
    return abs(one - other) <= SAME * max(abs(one), abs(other))
