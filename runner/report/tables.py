"""Writes readings.csv, efficiency.csv and derating.csv of a run, from its journal alone.

Called at the end of a run and by `ampworth report`: the same journal gives the same
bytes. A file appears whole or not at all, and samples are streamed. What cannot be
written says so with a reason; it must not print.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TextIO

from runner import journal
from runner.analysis.derating import CannotDerateError, DeratedLoad
from runner.errors import StorageError
from runner.report.columns import DERATING, EFFICIENCY, READINGS, Column, header, row
from runner.report.record import Record, RunRecord, SetPoints, gather
from runner.report.rows import derated_loads, derating_row, efficiency_rows, reading_row

READINGS_FILE, EFFICIENCY_FILE, DERATING_FILE = "readings.csv", "efficiency.csv", "derating.csv"


@dataclass(frozen=True, slots=True)
class Tables:
    """The files written, by name, why others were left out, and what they were made from."""

    written: dict[str, Path]
    left_out: dict[str, str]
    record: RunRecord
    derated: tuple[DeratedLoad, ...]


def write_tables(run: Path) -> Tables:
    """Make the tables of the run folder `run` anew, from its journal.

    Raises BadInput when the journal is missing, damaged or not a run's, StorageError when
    the folder cannot be written. A table that does not apply (any more) is not there.
    """
    return tables_of(journal.read(run / journal.FILE_NAME), run)


def tables_of(records: Iterable[Record], folder: Path) -> Tables:
    """Make the tables of these journal records in `folder`; see `write_tables`."""
    record = _write_readings(records, folder / READINGS_FILE)
    derated, no_derating = _derated(record)
    left_out = {
        READINGS_FILE: "" if record.samples else "the run ended before its first sample",
        EFFICIENCY_FILE: "" if record.points else "the run ended before its first point",
        DERATING_FILE: no_derating,
    }
    _write_rows(folder / EFFICIENCY_FILE, EFFICIENCY, efficiency_rows(record))
    derating_rows = (derating_row(record, load) for load in derated)
    _write_rows(folder / DERATING_FILE, DERATING, derating_rows)
    for name in left_out:
        if left_out[name]:
            (folder / name).unlink(missing_ok=True)
    written = {name: folder / name for name in left_out if not left_out[name]}
    return Tables(written, {n: why for n, why in left_out.items() if why}, record, derated)


def _derated(record: RunRecord) -> tuple[tuple[DeratedLoad, ...], str]:
    """The derating, or none and the reason."""
    try:
        return tuple(derated_loads(record)), ""
    except CannotDerateError as error:
        return (), str(error)


def _write_readings(records: Iterable[Record], path: Path) -> RunRecord:
    with _replacing(path) as file:
        file.write(header(READINGS))

        def on_sample(setpoints: SetPoints, sample: Record) -> None:
            file.write(row(READINGS, reading_row(setpoints, sample)))

        return gather(records, on_sample)


def _write_rows(path: Path, columns: tuple[Column, ...], rows: Iterable[list[Any]]) -> None:
    with _replacing(path) as file:
        file.write(header(columns))
        file.writelines(row(columns, values) for values in rows)


@contextlib.contextmanager
def _replacing(path: Path) -> Iterator[TextIO]:
    """A new file that takes the place of `path` once it is whole and on the disk."""
    draft = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        with draft.open("w", encoding="utf-8", newline="\n") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        draft.replace(path)
    except OSError as error:
        raise StorageError(
            f"{path}: cannot be written: {error.strerror}; the journal is intact, make room or "
            "close the file elsewhere, then `ampworth report` makes the tables again"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            draft.unlink(missing_ok=True)
