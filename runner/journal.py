"""The journal of a run: one append-only file, and the only source of every output.

JSON lines. Each line carries its number and a checksum chained to the line before,
so that a changed, lost or swapped line is found and named. The engine writes it; the
reports read it. A torn last line (the power went) is tolerated, nothing else is.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Protocol

from runner.clock import Clock, stamp
from runner.errors import BadInput, StorageError

FORMAT = 1
FILE_NAME = "journal.jsonl"
_SUM_KEY = ', "sum": "'
_END = '"}\n'


class Writer(Protocol):
    """What the engine needs of a journal."""

    def write(self, kind: str, *, sync: bool = True, **values: Any) -> None:
        """Append one record."""
        ...


class Journal:
    """An open journal. `write` returns once the record is on the disk.

    Samples and outcomes are the exception (`sync=False`): they are handed to the operating
    system at once, so a killed program loses none, and reach the disk with the next step's
    record, before anything else is sent to an instrument.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.path = folder / FILE_NAME
        self._clock = clock
        self._n = self._size = 0
        self._sum = ""
        try:
            self._file = self.path.open("xb", buffering=0)
        except OSError as error:
            raise StorageError(f"cannot create {self.path}: {error.strerror}") from error

    def write(self, kind: str, *, sync: bool = True, **values: Any) -> None:
        """Append one record of `kind`; raise StorageError when it cannot be stored."""
        head = {
            "n": self._n,
            "kind": kind,
            "t_s": round(self._clock.now_s(), 6),
            "utc": stamp(self._clock.utc()),
        }
        body = json.dumps(head | values, allow_nan=False)[:-1]
        checksum = _checksum(self._sum, body)
        line = f"{body}{_SUM_KEY}{checksum}{_END}".encode()
        try:
            _write_all(self._file.fileno(), line)
            if sync:
                os.fsync(self._file.fileno())
        except OSError as error:
            self._cut_back()
            raise StorageError(
                f"cannot write {self.path}: {error.strerror}; what was written is intact"
            ) from error
        self._n, self._size, self._sum = self._n + 1, self._size + len(line), checksum

    def _cut_back(self) -> None:
        """Take half a record away: room on the disk may come back before the run has ended."""
        with contextlib.suppress(OSError):
            self._file.truncate(self._size)
            self._file.seek(self._size)

    def close(self) -> None:
        """Close the file; what was written is on the disk."""
        self._file.close()


def _write_all(descriptor: int, line: bytes) -> None:
    while line:
        line = line[os.write(descriptor, line) :]


def _checksum(before: str, body: str) -> str:
    return hashlib.blake2b(f"{before}{body}".encode(), digest_size=8).hexdigest()


def read(path: Path) -> Iterator[dict[str, Any]]:
    """The verified records of a journal, in order, as they are read.

    A last line that is incomplete is left out: the program died while writing it.
    Raises BadInput, naming file and line, for any other damage.
    """
    if not path.is_file():
        raise BadInput(f"{path}: cannot read the journal: there is no such file")
    return _records(path)


def _records(path: Path) -> Iterator[dict[str, Any]]:
    before = ""
    for number, line, is_last in _lines(path):
        record, checksum = verify(line, before)
        if record is None or record.get("n") != number:
            if is_last and not line.endswith(b"\n"):
                return
            raise damaged(path, number)
        before = checksum
        _check_format(path, record)
        yield record


def _check_format(path: Path, record: dict[str, Any]) -> None:
    if record["kind"] == "run" and record.get("format", FORMAT) != FORMAT:
        raise BadInput(
            f"{path}: found a journal of format {record['format']!r}, this version reads format "
            f"{FORMAT}; use the version of ampworth that made it (run.json names it)"
        )


def _lines(path: Path) -> Iterator[tuple[int, bytes, bool]]:
    try:
        file = path.open("rb")
    except OSError as error:
        raise BadInput(f"{path}: cannot read the journal: {error.strerror}") from error
    with file:
        number, line = 0, file.readline()
        while line:
            following = file.readline()
            yield number, line, not following
            number, line = number + 1, following


def damaged(path: Path, number: int) -> BadInput:
    """The error for a line that does not follow; `number` records before it are good."""
    return BadInput(
        f"{path}, line {number + 1}: the record is damaged (its checksum does not follow "
        f"from the line before); {number} records before it are good. "
        "Restore the file from a copy; nothing is computed from a damaged journal"
    )


def verify(line: bytes, before: str) -> tuple[dict[str, Any] | None, str]:
    """The record of a line and its checksum; None where it does not follow from `before`."""
    body, key, rest = line.decode("utf-8", "replace").rpartition(_SUM_KEY)
    checksum = rest.removesuffix(_END)
    if not key or checksum == rest or checksum != _checksum(before, body):
        return None, before
    record: dict[str, Any] = json.loads(f"{body}}}")
    return (record if "kind" in record else None), checksum
