"""What the runner takes for a VISA library, a clock, a person and the signals, from the tape.

`offline` hands them over. The boxes answer what they answered then; nothing is waited for.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import datetime
from typing import Any

from drivers.wire import NOT_CLEARED, NOT_CLOSED, NOT_OPENED, NOT_SENT, NOT_SET_UP
from runner.attention import AT_A_LOOK, THINKING, Attention
from runner.errors import Stopped
from runner.replay.tape import Tape
from runner.seam import Seam
from runner.wire_record import CLOSED, LINE, STOP, TYPED


def recorded_seam(tape: Tape) -> Seam:
    """What is behind the seam of a replay."""
    return Seam(RecordedBoxes(tape), RecordedClock(tape), lambda: None, "", stays_on=False)


class RecordedClock:
    """The clock of then."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def now_s(self) -> float:
        """Seconds as they were read then."""
        return self._tape.now_s()

    def utc(self) -> datetime:
        """The time of day as it was then."""
        return self._tape.utc()

    def sleep(self, s: float) -> None:
        """Let `s` [s] pass without waiting."""
        self._tape.sleep(s)


class RecordedBoxes:
    """A resource manager."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def open_resource(self, resource: str, **options: Any) -> RecordedBox:
        """Open as it was opened then, or fail as it failed."""
        self._tape.fail_as_then(NOT_OPENED)
        return RecordedBox(self._tape)


class RecordedBox:
    """An open resource, and the library it is of: as much of both as a link asks for."""

    session = 0
    read_termination = "\n"
    baud_rate = 0

    def __init__(self, tape: Tape) -> None:
        self._tape = tape
        self.visalib, self.sessions = self, dict[int, Any]()

    @property
    def timeout(self) -> int:
        """Nothing is waited for [ms]."""
        return 0

    @timeout.setter
    def timeout(self, timeout_ms: int) -> None:
        self._tape.fail_as_then(NOT_SET_UP)

    def ignore_warning(self, *codes: Any) -> AbstractContextManager[None]:
        """No warning ever comes."""
        return nullcontext()

    def write(self, session: int, data: bytes) -> None:
        """Send; the tape has compared the line already."""
        self._tape.fail_as_then(NOT_SENT)

    def read(self, session: int, count: int) -> tuple[bytes, int]:
        """What came then."""
        return self._tape.reply(), 0

    def clear(self) -> None:
        """Clear."""
        self._tape.fail_as_then(NOT_CLEARED)

    def close(self) -> None:
        """Close."""
        self._tape.fail_as_then(NOT_CLOSED)


class RecordedPerson:
    """Types what was typed then."""

    def __init__(self, tape: Tape) -> None:
        self._tape = tape

    def say(self, text: str) -> None:
        """Nobody reads it."""

    def ask(self, text: str) -> None:
        """Nobody reads it."""

    def line(self) -> str | None:
        """The line that was typed at this moment, if one was."""
        line = self._tape.next()
        if line is None or line.way != TYPED:
            return None
        self._tape.take()
        if line.text == CLOSED:
            raise EOFError
        return line.text.removeprefix(LINE)


class RecordedAttention(Attention):
    """Stops the run where it was stopped; a signal of now ends the replay itself."""

    def __init__(self, tape: Tape) -> None:
        super().__init__()
        self._tape = tape

    def check(self) -> None:
        """Raise Stopped where it was raised then."""
        if self._request is not None:
            self._tape.halt(Stopped(f"the replay was stopped by {self._request}"))
        self._stop_if_noted(AT_A_LOOK)

    @contextmanager
    def sequence_thinks(self) -> Iterator[None]:
        """Around the sequence's own code, which may have been interrupted."""
        with super().sequence_thinks():
            try:
                yield
            finally:
                self._stop_if_noted(THINKING)

    def _stop_if_noted(self, where: str) -> None:
        line = self._tape.next()
        if line is not None and line.way == STOP and line.text.startswith(where):
            self._tape.take()
            raise Stopped(line.text.removeprefix(where))
