"""The results of a run's sequence with their uncertainties, and their rows and short table.

From the `Found` steps of the journal; the instrument behind each is that of the points. Opens
no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from typing import Any

from runner.analysis.accuracy import Range, lead, ranges
from runner.analysis.findings import Finding, finding, words_of, worth_of
from runner.analysis.uncertainty import Uncertain
from runner.report.budget import COVERAGE
from runner.report.measured import LEADS, greatest_seen
from runner.report.record import RunRecord
from runner.report.rounding import with_u

EFFICIENCY_GUESS = 0.85
"""For the current in the line's leads, where a result tells only the load's."""


def findings_of(record: RunRecord) -> tuple[Finding, ...]:
    """Every result, tared where its ammeter was, with what it is worth."""
    stated = ranges(record.bench, greatest_seen(record))
    return tuple(
        _finding(record, number, args, stated.get(args.get("rests_on", "")))
        for number, args in enumerate(record.findings, start=1)
    )


def _finding(record: RunRecord, number: int, args: Any, stated: Range | str | None) -> Finding:
    zero = record.tares.zeros.get(args.get("rests_on", ""))
    found = finding(number, args, zero.mean.value if zero else 0.0)
    own = stated if isinstance(stated, Range) else None
    if own is not None and found.rests_on in record.tares.beyond:
        own = own.beyond(record.tares.beyond[found.rests_on])
    if own is not None and zero is not None:
        own = own.tared(zero.mean, zero.step)
    measured = worth_of(found, own)
    if measured is not None:
        measured += Uncertain(0.0, _lead_parts(record, found))
    return replace(found, measured=measured)


def _lead_parts(record: RunRecord, found: Finding) -> dict[Any, float]:
    """What a corrected lead drop leaves in doubt, at about the current that flowed."""
    corrected = record.run.get("sources", {}).get(found.rests_on) == "corrected"
    if found.rests_on not in LEADS or not corrected:
        return {}
    role = LEADS[found.rests_on][0]
    box = record.bench.get("roles", {}).get(role, role)
    known = lead(record.bench.get("instruments", {}).get(box, {}), box)
    i_a = found.iout_a
    if role == "supply" and found.line_v > 0.0:
        i_a *= record.module["vout_set_v"] / (EFFICIENCY_GUESS * found.line_v)
    return {} if known is None else {source: u * i_a for source, u in known.parts.items()}


def finding_rows(record: RunRecord, found: Iterable[Finding]) -> Iterator[list[Any]]:
    """One row a result, in the order of `columns.FINDINGS`."""
    for one in found:
        k = None if one.measured is None else one.measured.expanded(COVERAGE, shapes=True).k
        yield [
            record.run["run_id"],
            record.module.get("unit"),
            one.number,
            one.quantity,
            one.value,
            one.unit or None,
            None if one.measured is None else one.measured.u,
            k,
            one.low,
            one.high,
            one.line_v,
            one.iout_a,
            one.ambient_temp_c,
            one.rests_on or None,
            one.text or None,
        ]


HEADER = ("result", "value", "bracket", "line V", "load A", "air °C", "remark")


def short_rows(found: Iterable[Finding]) -> tuple[tuple[str, ...], ...]:
    """Each result as cells of text, its value with U for 95 %."""
    return tuple(
        (
            words_of(one.quantity)[0],
            _value(one),
            _bracket(one),
            f"{one.line_v:.4g}",
            f"{one.iout_a:.3g}",
            "-" if one.ambient_temp_c is None else f"{one.ambient_temp_c:.1f}",
            one.text or "-",
        )
        for one in found
    )


def _value(one: Finding) -> str:
    if one.value is None:
        return "-"
    if one.measured is None:
        return f"{one.value:.4g} {one.unit}"
    expanded_u = one.measured.expanded(COVERAGE, shapes=True).expanded_u
    return f"{with_u(one.value, expanded_u)} {one.unit}"


def _bracket(one: Finding) -> str:
    if one.low is None and one.high is None:
        return "-"
    if one.high is None:
        return f"above {one.low:.4g}"
    return f"below {one.high:.4g}" if one.low is None else f"{one.low:.4g} to {one.high:.4g}"
