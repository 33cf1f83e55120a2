"""A place in the recorded wire that only moves forward; whatever does not fit it ends the replay.

A link takes it for its `record`: each line it sends, takes or complains of must be the next
one. The stand-ins ask it what came then. One tape for all boxes: their order counts too.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NoReturn

from drivers.wire import NO_REPLY
from runner.attention import AT_THE_JOURNAL
from runner.errors import AmpworthError, BadInput
from runner.replay.recorded_lines import FROM_OUTSIDE, Line, shown
from runner.wire_record import SECONDS, SLEPT, STOP, TIME_OF_DAY


@dataclass(frozen=True, slots=True)
class Mismatch:
    """What was recorded, None at the end of a whole record, and what this version does there."""

    recorded: Line | None
    now: str


@dataclass(frozen=True, slots=True)
class RecordEnds:
    """The record ends while this version goes on; `last` is its last line, `why` what is known."""

    last: int
    why: str = ""


Reason = Mismatch | RecordEnds | AmpworthError


class Halt(BaseException):
    """Ends a replay from within a conversation: no fault of a box, no way out is to be tried."""

    def __init__(self, reason: Reason) -> None:
        super().__init__(str(reason))
        self.reason = reason


class Tape:
    """The recorded wire from here on. Once it has halted it halts whoever asks again."""

    def __init__(self, lines: Iterator[Line]) -> None:
        self._lines = lines
        self._ahead = deque[Line]()
        self._zero_utc: datetime | None = None
        self._halted: Halt | None = None
        self.known_s = 0.0
        self.last = self.sent = 0

    # ------------------------------------------------------------------- what comes next

    def next(self, passed: int = 0) -> Line | None:
        """The next line, or the one `passed` lines behind it, not taken yet; None at the end."""
        if self._halted is not None:
            raise self._halted
        while len(self._ahead) <= passed:
            try:
                line = next(self._lines, None)
            except BadInput as error:
                self.halt(error)
            if line is None:
                return None
            self._ahead.append(line)
        return self._ahead[passed]

    def take(self) -> None:
        """Move past the next line; its time is the time."""
        line = self.next()
        assert line is not None
        self._ahead.popleft()
        self.known_s, self.last = line.t_s, line.number
        self.sent += line.way == ">"

    def next_of_a_link(self) -> Line | None:
        """The next line of a link; what came from outside before it is passed by."""
        while (line := self.next()) is not None and line.way in FROM_OUTSIDE:
            self.take()
            if line.way == STOP and line.text.startswith(AT_THE_JOURNAL):
                self.halt(RecordEnds(self.last, line.text.removeprefix(AT_THE_JOURNAL)))
        return line

    def halt(self, reason: Reason) -> NoReturn:
        """End the replay."""
        self._halted = Halt(reason)
        raise self._halted

    # ------------------------------------------------------------------- what a link does

    def __call__(self, instrument: str, direction: str, text: str) -> None:
        """Take one line of a link, which must be the next."""
        line = self._due(shown(instrument, direction, text))
        if (line.instrument, line.way, line.text) != (instrument, direction, text):
            self.halt(Mismatch(line, shown(instrument, direction, text)))
        self.take()

    def fail_as_then(self, what: str) -> None:
        """Raise what the VISA library raised here; `what` is how its note begins."""
        line = self.next()
        if line is not None and line.way == "!" and line.text.startswith(what):
            raise OSError(line.text.removeprefix(what))

    def reply(self) -> bytes:
        """The bytes that came here. Raises OSError where none did."""
        line = self._due("waits for a reply")
        if line.way == "!" and line.text.startswith(NO_REPLY):
            raise OSError(line.text.removeprefix(NO_REPLY))
        if line.way not in ("<", "~"):
            self.halt(Mismatch(line, "waits for a reply"))
        end = "\n" if line.way == "<" else ""
        return f"{line.text}{end}".encode("latin-1", "replace")

    def _due(self, now: str) -> Line:
        line = self.next_of_a_link()
        if line is None:
            self.halt(RecordEnds(self.last))
        return line

    # ------------------------------------------------------------------- the time of then

    def now_s(self) -> float:
        """The time then [s]: of the last line, later by the sleeps since, or as noted here."""
        line = self.next()
        if line is not None and line.way == SECONDS:
            self.take()
        return self.known_s

    def utc(self) -> datetime:
        """The time of day then."""
        line = self.next()
        if line is not None and line.way == TIME_OF_DAY:
            self.take()
            self._zero_utc = datetime.fromisoformat(line.text) - timedelta(seconds=self.known_s)
        if self._zero_utc is None:
            self.halt(
                BadInput(
                    f"the record of the wire does not say what time it was (line {self.last + 1}): "
                    "it was made by a version that could not replay, or its beginning is gone"
                )
            )
        return self._zero_utc + timedelta(seconds=self.known_s)

    def sleep(self, s: float) -> None:
        """Let `s` [s] pass at once, or what it was then; readings not made any more are passed."""
        passed = 0
        while (line := self.next(passed)) is not None and line.way in (SECONDS, TIME_OF_DAY):
            passed += 1
        if line is None or line.way != SLEPT:
            self.known_s += max(0.0, s)
            return
        for _ in range(passed + 1):
            self.take()
