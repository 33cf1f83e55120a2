"""Every error the runner raises on purpose, as one tree; each kind has its exit code.

    AmpworthError
      BadInput            2  a file, an option, a sequence or a rating that cannot be
      Tripped             3  an interlock limit was reached; the bench was made safe
      BenchError          4  an instrument is absent, is another one, or was lost
        GaveUp            4  the sequence found the bench unfit and ended the run
      Stopped             5  a person or a signal asked for the end
      NotSafe             6  an output could not be confirmed off: act by hand
      StorageError        7  the run folder cannot be written (full, read-only, gone)

Errors of the drivers have a root of their own (`drivers.errors.InstrumentError`, code 4).
"""

from __future__ import annotations

from math import isfinite


class AmpworthError(Exception):
    """Root of the runner's errors; the message is written for the person at the bench."""

    exit_code = 70


class BadInput(AmpworthError):
    """Something the person gave cannot be: says where, what was found, what is allowed."""

    exit_code = 2


class Tripped(AmpworthError):
    """An interlock limit was reached and confirmed by a second look."""

    exit_code = 3

    def __init__(self, quantity: str, value: float | str, limit: float | str, source: str) -> None:
        if isinstance(value, float) and not isfinite(value):
            value = str(value)  # the journal holds numbers that JSON knows
        self.quantity, self.value, self.limit, self.source = quantity, value, limit, source
        shown = f"{value:.6g}" if isinstance(value, float) else value
        allowed = f"{limit:.6g}" if isinstance(limit, float) else limit
        super().__init__(f"{quantity} is {shown}, allowed is {allowed} ({source})")


class BenchError(AmpworthError):
    """The bench is not as its file says, or an instrument was lost."""

    exit_code = 4


class GaveUp(BenchError):
    """The sequence ended the run itself: what it found makes going on worthless or unsafe."""


class Stopped(AmpworthError):
    """Somebody asked for the end: a key, a signal or the stop command."""

    exit_code = 5


class NotSafe(AmpworthError):
    """An output could not be confirmed off; the message names it and what to do by hand."""

    exit_code = 6


class StorageError(AmpworthError):
    """The run folder cannot be written."""

    exit_code = 7
