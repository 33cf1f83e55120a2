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
from runner.record_shape import misshapen

FORMAT = 1
FILE_NAME = "journal.jsonl"
_SUM_KEY = ', "sum": "'
_END = '"}\n'
_FROM_KEY = b'"from_n": '


def _no_number(name: str) -> Any:
    raise ValueError(f"{name} is no number that JSON knows")


_DECODER = json.JSONDecoder(parse_constant=_no_number)


class Writer(Protocol):
    """What the engine needs of a journal; `count` is the number the next record gets."""

    @property
    def count(self) -> int:
        """How many records there are."""
        ...

    def write(self, kind: str, *, sync: bool = True, **values: Any) -> None:
        """Append one record."""
        ...


class Journal:
    """An open journal. `write` returns once the record is on the disk.

    Samples and outcomes are the exception (`sync=False`): they are handed to the operating
    system at once, so a killed program loses none, and reach the disk with the next step's
    record, before anything else is sent to an instrument.
    """

    def __init__(self, folder: Path, clock: Clock, *, go_on: bool = False) -> None:
        """Begin a journal, or `go_on` with one that was cut: half a last record is taken away.

        Raises StorageError, and BadInput for a journal that is damaged before its end.
        """
        self.path = folder / FILE_NAME
        self._clock = clock
        self._n, self._size, self._sum = _whole(self.path) if go_on else (0, 0, "")
        try:
            self._file = self.path.open("r+b" if go_on else "xb", buffering=0)
            if go_on:
                self._file.truncate(self._size)
                self._file.seek(self._size)
        except OSError as error:
            raise StorageError(f"cannot create {self.path}: {error.strerror}") from error

    @property
    def count(self) -> int:
        """How many records there are."""
        return self._n

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
    """The verified records of a journal that stand, in order, as they are read.

    A last line that is incomplete is left out: the program died while writing it. So is what
    a later record sets aside: a `resumed` one all from its `from_n` on, which is done again,
    an `invalid` one the samples of a step that were taken again. Raises BadInput, naming file
    and line, for any other damage.
    """
    if not path.is_file():
        raise BadInput(f"{path}: cannot read the journal: there is no such file")
    return _standing(path)


def _standing(path: Path) -> Iterator[dict[str, Any]]:
    ranges = _set_aside(path)
    for record in _records(path):
        if not any(
            first <= record["n"] < end
            and record["kind"] not in ("resumed", "invalid")
            and (all_of_it or record["kind"] == "sample")
            for first, end, all_of_it in ranges
        ):
            yield record


def _set_aside(path: Path) -> list[tuple[int, int, bool]]:
    """Ranges of record numbers that were set aside, and whether more than samples was.

    Line by line: a mapped file would count as memory of this process, all of a night's journal.
    """
    ranges = []
    with path.open("rb") as file:
        for line in file:
            if _FROM_KEY not in line or not line.endswith(b"\n"):  # the last one may be torn
                continue
            with contextlib.suppress(ValueError, KeyError, TypeError, RecursionError):
                # Whether it follows is verified when it is read.
                record = json.loads(line)
                if record["kind"] in ("resumed", "invalid") and not misshapen(record):
                    ranges.append((record["from_n"], record["n"], record["kind"] == "resumed"))
    return ranges


def _whole(path: Path) -> tuple[int, int, str]:
    """Number, bytes and last checksum of the whole records of a journal."""
    count, size, checksum = 0, 0, ""
    for number, line, is_last in _lines(path):
        record, follows = verify(line, checksum)
        if record is None or record.get("n") != number:
            if is_last and not line.endswith(b"\n"):
                break
            raise damaged(path, number)
        count, size, checksum = count + 1, size + len(line), follows
    return count, size, checksum


def _records(path: Path) -> Iterator[dict[str, Any]]:
    before = ""
    for number, line, is_last in _lines(path):
        record, checksum = verify(line, before)
        if record is None or record.get("n") != number:
            if is_last and not line.endswith(b"\n"):
                return
            raise damaged(path, number)
        before = checksum
        check_record(path, record)
        yield record


def check_record(path: Path, record: dict[str, Any]) -> None:
    """Raise BadInput for a record that follows from the line before, and is none of ours."""
    wrong = misshapen(record)
    if wrong:
        raise BadInput(
            f"{path}, line {record['n'] + 1}: this version cannot read the record: {wrong}. Was it "
            "written by a newer one? Read it with the version that made it (run.json names it)"
        )
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
    try:
        record = _DECODER.decode(f"{body}}}")
    except (ValueError, RecursionError):
        return None, before
    return (record if isinstance(record, dict) and "kind" in record else None), checksum
