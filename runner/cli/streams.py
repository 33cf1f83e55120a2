"""Standard output and standard error that neither end a run nor hide how it ended.

The console command readies both before anything is printed. Progress goes to standard
error and may be lost: a closed terminal or a full disk must not end a night's work. The
result goes to standard output: a reader that has gone (`| head`) is no error, anything
else that keeps it from being written is said.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterator
from typing import Any, TextIO, cast

from runner.errors import StorageError


class Lossy:
    """A text stream whose writing never fails: what cannot be written is lost."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write, or lose, the text."""
        with contextlib.suppress(OSError, ValueError):  # ValueError: somebody closed it
            self._stream.write(text)
        return len(text)

    def flush(self) -> None:
        """Hand on what was written, as far as it goes."""
        with contextlib.suppress(OSError, ValueError):
            self._stream.flush()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def ready() -> None:
    """Make both streams fit to be printed to, whatever they were started with."""
    sys.stdout, sys.stderr = _there(sys.stdout), _there(sys.stderr)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a terminal or file that has no degree sign
            stream.reconfigure(errors="replace")
    sys.stderr = cast(TextIO, Lossy(sys.stderr))


def _there(stream: TextIO | None) -> TextIO:
    """The stream, or one to nowhere for a program started with the stream closed."""
    return open(os.devnull, "w", encoding="utf-8") if stream is None else stream  # noqa: PTH123


@contextlib.contextmanager
def result() -> Iterator[None]:
    """Around the printing of a result. Raises StorageError when it cannot be written."""
    try:
        yield
        sys.stdout.flush()
    except (BrokenPipeError, SystemExit):  # rich makes the second of the first
        _to_nowhere()
    except OSError as error:
        _to_nowhere()
        raise StorageError(
            f"standard output cannot be written: {error.strerror}; nothing else is lost, "
            "`ampworth report RUN` shows the result of a run again"
        ) from error


def _to_nowhere() -> None:
    """Let what still waits to be written go nowhere, or the interpreter fails at its end."""
    with contextlib.suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())
        os.close(nowhere)
