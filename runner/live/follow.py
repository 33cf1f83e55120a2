"""Follows a journal from its folder: the records that are new since the last look.

For whoever watches a run from any machine that sees the folder. Every record is verified
by the chain of checksums; a last line that is not whole yet is waited for. A look reads at
most `CHUNK_BYTES`, however long the run. Opens files for reading only.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from runner import journal
from runner.errors import BadInput

CHUNK_BYTES = 1 << 20
"""Most that one look reads [bytes]; no record of ours is longer."""
TAIL_BYTES = 1 << 16


def folder_of_run(path: Path) -> Path:
    """`path`, if it is a run folder. Raises BadInput."""
    if not path.is_dir():
        raise BadInput(f"{path}: there is no such folder; name the folder a run was started with")
    if not (path / journal.FILE_NAME).is_file() and not (path / "inputs").is_dir():
        raise BadInput(
            f"{path}: is no run folder, it holds no {journal.FILE_NAME}; "
            "name the folder that `ampworth run` made (--out, or one below ./runs)"
        )
    return path


class Follower:
    """A place in a journal that only moves forward."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / journal.FILE_NAME
        self.behind_bytes = 0
        self._offset = self._n = 0
        self._sum = ""

    @property
    def read_bytes(self) -> int:
        """How much of the journal was read and is good."""
        return self._offset

    def poll(self) -> list[dict[str, Any]]:
        """The records since the last poll; more are waiting while `behind_bytes` is not 0.

        Nothing when there is no journal yet. Raises BadInput for a line that does not follow
        from the one before, and for a journal that was cut or taken away.
        """
        try:
            with _open(self.path) as file:
                size = os.fstat(file.fileno()).st_size
                self._check_size(size)
                file.seek(self._offset)
                chunk = file.read(CHUNK_BYTES)
        except FileNotFoundError:
            self._check_size(0)
            return []
        except OSError as error:
            raise BadInput(f"{self.path}: cannot read the journal: {error.strerror}") from error
        if len(chunk) == CHUNK_BYTES and b"\n" not in chunk:
            raise journal.damaged(self.path, self._n)
        records = list(self._records(chunk))
        self.behind_bytes = max(0, size - self._offset) if len(chunk) == CHUNK_BYTES else 0
        return records

    def _check_size(self, size: int) -> None:
        if size < self._offset:
            raise BadInput(
                f"{self.path}: the journal became shorter ({size} bytes, "
                f"{self._offset} were read); "
                "it was replaced or cut. Follow it anew"
            )

    def _records(self, chunk: bytes) -> Iterator[dict[str, Any]]:
        *lines, _torn = chunk.split(b"\n")
        for line in lines:
            record, checksum = journal.verify(line + b"\n", self._sum)
            if record is None or record.get("n") != self._n:
                raise journal.damaged(self.path, self._n)
            journal.check_record(self.path, record)
            self._sum, self._n = checksum, self._n + 1
            self._offset += len(line) + 1
            yield record


@dataclass(frozen=True, slots=True)
class Glance:
    """First and last record of a journal, for a list of runs; None where there is none yet.

    The last record is verified against the line before it, not back to the beginning.
    """

    first: dict[str, Any] | None
    last: dict[str, Any] | None


def glance(folder: Path) -> Glance:
    """Look at the two ends of a journal; costs the same for any length.

    Raises BadInput when one of them is damaged.
    """
    path = folder / journal.FILE_NAME
    try:
        with _open(path) as file:
            head = file.readline(CHUNK_BYTES)
            size = os.fstat(file.fileno()).st_size
            file.seek(max(0, size - TAIL_BYTES))
            tail = file.read(TAIL_BYTES)
    except FileNotFoundError:
        return Glance(None, None)
    except OSError as error:
        raise BadInput(f"{path}: cannot read the journal: {error.strerror}") from error
    if not head.endswith(b"\n"):
        return Glance(None, None)
    first, _ = journal.verify(head, "")
    if first is None:
        raise journal.damaged(path, 0)
    return Glance(first, _last(path, tail, first))


def _last(path: Path, tail: bytes, first: dict[str, Any]) -> dict[str, Any]:
    lines = tail[: tail.rfind(b"\n") + 1].splitlines(keepends=True)[-2:]
    if len(lines) < 2:  # one line, or a last one as long as the tail
        return first
    before = lines[0].rpartition(b'"sum": "')[2][:16].decode("ascii", "replace")
    record, _ = journal.verify(lines[1], before)
    if record is None:
        raise BadInput(f"{path}: the last record is damaged")
    return record


def _open(path: Path) -> BinaryIO:
    """Open for reading, never through a link: the folder may be somebody else's."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_BINARY", 0)
    return os.fdopen(os.open(path, flags | getattr(os, "O_NONBLOCK", 0)), "rb")
