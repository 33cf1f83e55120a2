"""The record of a run's wire: what went to every box, and all that came from outside.

`run.py` keeps one a session; `runner/replay/` stands in for the bench with it. Beside the
lines of the links it holds what a replay cannot work out for itself: readings of the clock
that its sleeps do not explain, what a person typed, a request to stop.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from runner.clock import Clock

if TYPE_CHECKING:
    from runner.hand.person import Person

SECONDS, TIME_OF_DAY, SLEPT, TYPED, STOP = "=", "@", "z", '"', "#"
"""Ways of lines that no instrument has: a reading of either clock, the end of a sleep that was
not as long as it should, a line typed, a request to stop."""
LINE, CLOSED = "line ", "closed"
"""What was typed: a line, which follows, or nothing more, the input was closed."""


def as_cell(text: str) -> str:
    """The text on one line, without tabs; `from_cell` gives it back whatever is in it."""
    if text.isprintable() and "\\" not in text:
        return text
    return text.encode("unicode_escape").decode()


def from_cell(cell: str) -> str:
    """The text of a cell. Raises ValueError for what `as_cell` never writes."""
    if "\\" not in cell:
        return cell
    return cell.encode("ascii").decode("unicode_escape")


class WireRecord:
    """Every line sent and received: time, instrument, direction, text; one file a session.

    It never raises: a full disk must not keep an output from being switched off. The
    journal, which is written beside it, says that the disk is full. `clock` is the clock that
    the run has to read.
    """

    def __init__(self, path: Path, clock: Clock) -> None:
        self.clock = NotedClock(clock, self)
        self._file: TextIO | None = None
        with contextlib.suppress(OSError):
            self._file = path.open("w", encoding="utf-8", newline="\n")

    def __call__(self, instrument: str, direction: str, text: str) -> None:
        """Note one line of a link, with the directions of `drivers.wire.Record`."""
        self.put(self.clock.of_a_line_s(), instrument, direction, text)

    def outside(self, way: str, text: str) -> None:
        """Note a line that was typed or a request to stop, where it was taken notice of."""
        self.put(self.clock.known_s, "", way, text)

    def put(self, t_s: float, instrument: str, way: str, text: str) -> None:
        """Write one line; the time [s] in full, since a replay decides by it."""
        if self._file is None:
            return
        try:
            self._file.write(f"{t_s!r}\t{instrument}\t{way}\t{as_cell(text)}\n")
        except OSError:
            self.close()

    def close(self) -> None:
        """Write out what is left, as far as it goes."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                file.close()


class NotedClock:
    """A run's clock. A reading that sleeps and the lines before do not explain is noted.

    On a simulated clock that is next to none, on a real one it is every reading.
    """

    def __init__(self, clock: Clock, record: WireRecord) -> None:
        self._clock, self._record = clock, record
        self._zero_utc: datetime | None = None
        self.known_s = 0.0

    def now_s(self) -> float:
        """Seconds since some start."""
        now_s = self._clock.now_s()
        if now_s != self.known_s:
            self.known_s = now_s
            self._record.put(now_s, "", SECONDS, "")
        return now_s

    def of_a_line_s(self) -> float:
        """Seconds for a line of the record, which is their note."""
        self.known_s = self._clock.now_s()
        return self.known_s

    def utc(self) -> datetime:
        """The time of day."""
        moment, gone = self._clock.utc(), timedelta(seconds=self.known_s)
        if self._zero_utc is None or moment != self._zero_utc + gone:
            self._zero_utc = moment - gone
            self._record.put(self.known_s, "", TIME_OF_DAY, moment.isoformat())
        return moment

    def sleep(self, s: float) -> None:
        """Let `s` [s] pass."""
        self._clock.sleep(s)
        self.known_s += max(0.0, s)
        now_s = self._clock.now_s()
        if now_s != self.known_s:
            self.known_s = now_s
            self._record.put(now_s, "", SLEPT, "")


class NotedPerson:
    """A person whose every line is noted where it was taken."""

    def __init__(self, person: Person, noted: Callable[[str, str], None]) -> None:
        self._person, self._noted = person, noted

    def say(self, text: str) -> None:
        """Show a line that wants no answer."""
        self._person.say(text)

    def ask(self, text: str) -> None:
        """Show a question."""
        self._person.ask(text)

    def line(self) -> str | None:
        """The line that was typed, None while there is none; EOFError when nobody can type."""
        try:
            line = self._person.line()
        except EOFError:
            self._noted(TYPED, CLOSED)
            raise
        if line is not None:
            self._noted(TYPED, f"{LINE}{line}")
        return line
