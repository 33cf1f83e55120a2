"""Status reporting of IEEE 488.2-1992 and SCPI-1999: registers, error queue, error texts.

Every SCPI box owns one `Status`. Codes and texts are those of SCPI-1999 volume 2, chapter 21.
Nothing here parses a message.
"""

from __future__ import annotations

from collections import deque

QUEUE_DEPTH = 20

ERROR_TEXT = {
    -100: "Command error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -123: "Exponent too large",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -151: "Invalid string data",
    -200: "Execution error",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -241: "Hardware missing",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
}

# Standard event status register, IEEE 488.2-1992, 11.5.1.
OPERATION_COMPLETE, QUERY_ERROR, DEVICE_ERROR = 1, 4, 8
EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 16, 32, 128
_EVENT_OF_CLASS = {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}

# Status byte: error queue and questionable/operation summaries are SCPI-1999's, the rest 488.2's.
ERROR_AVAILABLE, QUESTIONABLE, MESSAGE_AVAILABLE, EVENT, MASTER, OPERATION = 4, 8, 16, 32, 64, 128


class ScpiError(Exception):
    """A message unit went wrong: a code of the table above and what it was about."""

    def __init__(self, code: int, about: str = "") -> None:
        super().__init__(code, about)
        self.code = code
        self.about = about


class Register:
    """A condition with its event latch and enable mask (SCPI-1999 volume 1, 20)."""

    __slots__ = ("condition", "enable", "event")

    def __init__(self) -> None:
        self.condition = self.event = self.enable = 0

    def update(self, condition: int) -> int:
        """Take the present condition; bits that rise are latched as events."""
        self.event |= condition & ~self.condition
        self.condition = condition
        return condition

    def take_event(self) -> int:
        """Return the latched events and clear them, as reading them does."""
        event, self.event = self.event, 0
        return event


class Status:
    """Error queue and standard event register of one box."""

    def __init__(self) -> None:
        self.queue: deque[str] = deque()
        self.event = POWER_ON
        self.event_enable = 0
        self.service_enable = 0

    def report(self, code: int, about: str = "") -> None:
        """Queue an error and set its class's event bit; the last place takes the overflow."""
        self.event |= _EVENT_OF_CLASS.get(-code // 100, DEVICE_ERROR)
        text = ERROR_TEXT.get(code, "Device-specific error")
        if about:
            text += ";" + _printable(about)
        if len(self.queue) < QUEUE_DEPTH:
            self.queue.append(f'{code},"{text}"')
        else:
            self.queue[-1] = f'-350,"{ERROR_TEXT[-350]}"'

    def next_error(self) -> str:
        """Return and remove the oldest error."""
        return self.queue.popleft() if self.queue else '0,"No error"'

    def take_event(self) -> int:
        """Return the standard event register and clear it."""
        event, self.event = self.event, 0
        return event

    def clear(self) -> None:
        """Empty the queue and the event register (*CLS)."""
        self.queue.clear()
        self.event = 0

    def byte(self, *, questionable: bool, operation: bool, unread: bool) -> int:
        """Return the status byte with its master summary."""
        byte = (
            ERROR_AVAILABLE * bool(self.queue)
            | QUESTIONABLE * questionable
            | MESSAGE_AVAILABLE * unread
            | EVENT * bool(self.event & self.event_enable)
            | OPERATION * operation
        )
        return byte | MASTER * bool(byte & self.service_enable & ~MASTER)


def _printable(about: str) -> str:
    """Make any text fit inside a quoted reply: short, printable ASCII, no quotes."""
    clean = "".join(c if " " <= c <= "~" and c != '"' else "'" for c in about)
    return clean if len(clean) <= 60 else clean[:57] + "..."
