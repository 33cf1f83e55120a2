"""What can go wrong with an instrument: one root, a child for each way.

Raised by the link and the roles, caught by whoever runs the bench. Every error
holds the instrument's name, its resource, the command and the raw reply, and its
text says what to do next. Nothing here does I/O.
"""

from __future__ import annotations

# InstrumentError
# ├── LostInstrument    it cannot be reached, or was switched off and on
# ├── NoReply           it was asked and did not answer in time
# ├── BadReply          it answered, with something that is no answer to the question
# ├── SettingRefused    it runs with another setting than the one asked for
# ├── BoxError          it put an error into its own error queue
# ├── WrongIdentity     another box answers at this address
# └── UnknownFamily     the bench names a command family that does not exist


class InstrumentError(Exception):
    """Something went wrong with `instrument` at `resource`; `command` and `reply` are raw text."""

    exit_code = 4

    def __init__(
        self,
        what: str,
        *,
        instrument: str,
        resource: str,
        command: str = "",
        reply: str = "",
        todo: str = "",
    ) -> None:
        self.what = what
        self.instrument = instrument
        self.resource = resource
        self.command = command
        self.reply = reply
        self.todo = todo
        super().__init__(self._text())

    def _text(self) -> str:
        text = f"{self.instrument} ({self.resource}): {self.what}"
        if self.command:
            text += f"; sent {self.command!r}"
        if self.reply:
            text += f", got {self.reply!r}"
        return f"{text}. {self.todo}" if self.todo else f"{text}."


class LostInstrument(InstrumentError):
    """The instrument cannot be reached any more, or lost its settings by a power cycle."""


class NoReply(InstrumentError):
    """No answer in time; a command that was sent along counts as not done."""


class BadReply(InstrumentError):
    """The answer is no number, an overload, not a word we know, or not to this question."""


class SettingRefused(InstrumentError):
    """The setting read back differs from the one asked for, or may not be sent at all."""


class BoxError(InstrumentError):
    """The box queued errors; `entries` holds them as (number, text), oldest first."""

    def __init__(
        self,
        what: str,
        *,
        entries: tuple[tuple[int, str], ...],
        instrument: str,
        resource: str,
        command: str = "",
        reply: str = "",
        todo: str = "",
    ) -> None:
        self.entries = entries
        super().__init__(
            what,
            instrument=instrument,
            resource=resource,
            command=command,
            reply=reply,
            todo=todo,
        )


class WrongIdentity(InstrumentError):
    """The answer to `*IDN?` is not the one the bench file names."""


class UnknownFamily(InstrumentError):
    """No command family of this name, or none of this kind."""
