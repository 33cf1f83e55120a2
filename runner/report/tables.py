"""Writes readings.csv, efficiency.csv, derating.csv and budget.csv of a run, from its journal.

Called at the end of a run and by `ampworth report`: the same journal gives the same
bytes. A file appears whole or not at all, and samples are streamed. What cannot be
written says so with a reason; it must not print.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import chain, compress
from pathlib import Path
from typing import Any

from runner import journal
from runner.analysis.derating import CannotDerateError, DeratedLoad
from runner.analysis.findings import Finding
from runner.report.budget import budget_rows, in_percent
from runner.report.columns import (
    BUDGET,
    DERATING,
    EFFICIENCY,
    FINDINGS,
    READINGS,
    Column,
    header,
    row,
    there,
)
from runner.report.files import replacing, write_rows
from runner.report.findings import finding_rows, findings_of
from runner.report.measured import MeasuredRun, measure
from runner.report.record import Record, RunRecord, SetPoints, gather
from runner.report.rows import (
    derated_loads,
    derated_loads_u,
    derating_row,
    efficiency_rows,
    reading_row,
)
from runner.report.story import Story

READINGS_FILE, EFFICIENCY_FILE, DERATING_FILE = "readings.csv", "efficiency.csv", "derating.csv"
BUDGET_FILE, FINDINGS_FILE = "budget.csv", "findings.csv"


@dataclass(frozen=True, slots=True)
class Tables:
    """The files written, by name, why others were left out, and what they were made from."""

    written: dict[str, Path]
    left_out: dict[str, str]
    record: RunRecord
    measured: MeasuredRun
    derated: tuple[DeratedLoad, ...]
    derated_u_a: tuple[float | None, ...]
    story: Story
    findings: tuple[Finding, ...] = ()


def write_tables(run: Path) -> Tables:
    """Make the tables of the run folder `run` anew, from its journal.

    Raises BadInput when the journal is missing, damaged or not a run's, StorageError when
    the folder cannot be written. A table that does not apply (any more) is not there.
    """
    return tables_of(journal.read(run / journal.FILE_NAME), run)


def tables_of(records: Iterable[Record], folder: Path) -> Tables:
    """Make the tables of these journal records in `folder`; see `write_tables`."""
    story = Story()
    record = _write_readings(story.following(records), folder / READINGS_FILE)
    measured = measure(record)
    derated, no_derating = _derated(record)
    derated_u_a = tuple(derated_loads_u(record, measured, derated))
    left_out = {
        READINGS_FILE: "" if record.samples else "the run ended before its first sample",
        EFFICIENCY_FILE: "" if record.points else _no_points(record),
        DERATING_FILE: no_derating,
        BUDGET_FILE: _no_budget(measured),
    }
    _write(folder / EFFICIENCY_FILE, EFFICIENCY, efficiency_rows(record, measured.points), record)
    pairs = zip(derated, derated_u_a, strict=True)
    derating_rows = (derating_row(record, load, u_a) for load, u_a in pairs)
    _write(folder / DERATING_FILE, DERATING, derating_rows, record)
    write_rows(folder / BUDGET_FILE, BUDGET, budget_rows(record, measured.points))
    for name in left_out:
        if left_out[name]:
            (folder / name).unlink(missing_ok=True)
    written = {name: folder / name for name in left_out if not left_out[name]}
    left_out = {name: why for name, why in left_out.items() if why}
    found = findings_of(record)
    written |= _findings(folder / FINDINGS_FILE, record, found)
    return Tables(written, left_out, record, measured, derated, derated_u_a, story, found)


def _no_points(record: RunRecord) -> str:
    whole = bool(record.findings) and record.end is not None and record.end["ending"] == "done"
    return "this sequence takes no points" if whole else "the run ended before its first point"


def _findings(path: Path, record: RunRecord, found: tuple[Finding, ...]) -> dict[str, Path]:
    """Write the results of a sequence that tells any; of others nothing is missed."""
    if not found:
        path.unlink(missing_ok=True)
        return {}
    write_rows(path, FINDINGS, finding_rows(record, found))
    return {path.name: path}


def _no_budget(measured: MeasuredRun) -> str:
    """Why there is no uncertainty budget; empty where there is one."""
    if any(in_percent(point) for point in measured.points):
        return ""
    reasons = "; ".join(dict.fromkeys(measured.unknown.values()))
    return reasons or "no point has both powers measured"


def _derated(record: RunRecord) -> tuple[tuple[DeratedLoad, ...], str]:
    """The derating, or none and the reason."""
    try:
        return tuple(derated_loads(record)), ""
    except CannotDerateError as error:
        return (), str(error)


def _write(
    path: Path, columns: Sequence[Column], rows: Iterable[Sequence[Any]], record: RunRecord
) -> None:
    """Write a table with the columns that this bench has."""
    kept = there(columns, record.bench.get("roles") or {})
    write_rows(path, tuple(compress(columns, kept)), (tuple(compress(one, kept)) for one in rows))


def _write_readings(records: Iterable[Record], path: Path) -> RunRecord:
    """The first record, the run's own, says which columns there are."""
    following = iter(records)
    first = next(following, None)
    bench = (first or {}).get("bench") or {}
    kept = there(READINGS, bench.get("roles") or {})
    columns = tuple(compress(READINGS, kept))
    with replacing(path) as file:
        file.write(header(columns))

        def on_sample(setpoints: SetPoints, sample: Record) -> None:
            values = compress(reading_row(setpoints, sample), kept)
            file.write(row(columns, list(values)))

        return gather(chain(() if first is None else (first,), following), on_sample)
