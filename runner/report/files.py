"""Writes a table or a text as a whole or not at all.

Used by everything in the reports that makes a file. It must not print.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any, TextIO

from runner.errors import StorageError
from runner.report.columns import Column, header, row


def write_rows(path: Path, columns: Sequence[Column], rows: Iterable[Sequence[Any]]) -> None:
    """Write a CSV anew. Raises StorageError."""
    with replacing(path) as file:
        file.write(header(columns))
        file.writelines(row(columns, values) for values in rows)


@contextlib.contextmanager
def replacing(path: Path) -> Iterator[TextIO]:
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
