"""Reads the record of a run's wire, line by line, as `runner/wire_record.py` wrote it.

Called by `offline`. Whatever is in the file, it gives lines or raises one BadInput.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from errno import ENOENT
from pathlib import Path

from runner.errors import BadInput
from runner.wire_record import SECONDS, SLEPT, STOP, TIME_OF_DAY, TYPED, from_cell

LONGEST_BYTES = 200_000
"""Of one line: the longest reply a link takes, every byte escaped, and room."""
LONGEST_S = 1e9
FROM_OUTSIDE = frozenset({SECONDS, TIME_OF_DAY, SLEPT, TYPED, STOP})
OF_A_LINK = frozenset("><~*!")


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the record; `number` counts from 1, `way` is as in `drivers.wire.Record`."""

    number: int
    t_s: float
    instrument: str
    way: str
    text: str

    def __str__(self) -> str:
        """As a person is shown it."""
        return shown(self.instrument, self.way, self.text)


def shown(instrument: str, way: str, text: str) -> str:
    """What happened, on one line."""
    return f"{instrument} {way} {text}".strip()


def recorded_lines(path: Path) -> Iterator[Line]:
    """The lines of a record. A last one without its end is left out: it was being written.

    Raises BadInput, naming file and line, for a file or a line that no run has written.
    """
    try:
        if not path.is_file():  # a pipe of that name would be waited for
            raise FileNotFoundError(ENOENT, "there is no such file")
        file = path.open("rb")
    except OSError as error:
        raise BadInput(
            f"{path}: the record of the wire cannot be read: {error.strerror}; without it there "
            "is nothing to replay offline (`--on BENCH` needs none)"
        ) from error
    with file:
        number = 0
        while line := file.readline(LONGEST_BYTES):
            number += 1
            if line.endswith(b"\n"):
                yield _line(path, number, line[:-1])
            elif len(line) == LONGEST_BYTES:
                raise _no_line(path, number, f"more than {LONGEST_BYTES} bytes")


def _line(path: Path, number: int, raw: bytes) -> Line:
    try:
        t_s, instrument, way, cell = raw.decode("utf-8").split("\t")
        line = Line(number, float(t_s), instrument, way, from_cell(cell))
        if way == TIME_OF_DAY:
            _check_moment(line.text)
    except ValueError:
        raise _no_line(path, number, repr(raw[:60])) from None
    known = FROM_OUTSIDE if not instrument else OF_A_LINK
    if way not in known or not 0.0 <= line.t_s < LONGEST_S:
        raise _no_line(path, number, repr(raw[:60]))
    return line


def _check_moment(text: str) -> None:
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None or not 1970 < moment.year < 9000:
        raise ValueError(text)


def _no_line(path: Path, number: int, found: str) -> BadInput:
    return BadInput(
        f"{path}, line {number}: found {found}, which is no line of a wire record (time, "
        "instrument, direction and text with tabs between); restore the file from a copy"
    )
