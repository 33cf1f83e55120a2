"""Bytes to and from one VISA resource: framing, pace, record, one kind of failure.

Only `link.py` uses it. It does not know whether a line is the answer to anything,
and never calls `clear()` on a stream, where it may hang.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

from drivers.errors import LostInstrument
from drivers.opening import failures, is_stream
from drivers.style import Style

Record = Callable[[str, str, str], None]
"""Called with the instrument's name, what happened, and the text:

`>` a line sent, `<` a line received, `~` a reply without its end or that is no text (a character
a byte), `*` the connection itself (open, clear, close), `!` a failure, where it happened or of
what was made of a reply. Whoever has every call can stand in for the box.
"""

NOT_OPENED, NOT_SET_UP = "cannot be opened: ", "opening failed: "
NOT_SENT, NO_REPLY = "sending failed: ", "no reply: "
NOT_CLEARED, NOT_CLOSED = "clear: ", "closing failed: "
"""What a `!` begins with that the VISA library brought about; the rest is what it said."""

LONGEST_REPLY = 16_384
"""Bytes of one reply; more is babble."""
STALE_LINES = 256
"""Lines looked through in search of one before the connection is given up."""

HURRIED_S, USUAL_TIMES = 0.4, 3.0
"""While hurried a box has so long for an answer [s], or so many times its slowest before that."""
HURRIED_WITHOUT_ECHO_S = 0.3
"""A box that needs one wait more to be in step again has less."""


class Time(Protocol):
    """The clock a wire waits by."""

    def now_s(self) -> float:
        """Seconds since some start, never going back."""
        ...

    def sleep(self, s: float, /) -> None:
        """Let `s` seconds pass."""
        ...


class Failed(Exception):
    """An exchange did not bring its answer; `reply` is what came instead, if anything did."""

    def __init__(self, why: str, reply: str = "") -> None:
        super().__init__(why)
        self.reply = reply


class Wire:
    """One connection, opened and closed as often as it takes; raises `Failed` alone."""

    def __init__(
        self,
        open_resource: Callable[[], Any],
        *,
        name: str,
        resource: str,
        timeout_s: float,
        style: Style,
        record: Record | None,
        clock: Time,
    ) -> None:
        self._open_resource = open_resource
        self._name = name
        self._timeout_s = timeout_s
        self._resource = resource
        self._record = record
        self._last_failure = ""
        self._clock = clock
        self._stream = is_stream(resource)
        self._termination = style.write_termination
        self._gap_s = style.gap_s
        self._next_send_s = 0.0
        self._hurried_s = HURRIED_S if style.echo else HURRIED_WITHOUT_ECHO_S
        self._slowest_s = 0.0
        self.hurried = False
        self._failures = failures()
        self._visa: Any = None

    @property
    def is_open(self) -> bool:
        """Whether there is a connection to try."""
        return self._visa is not None

    @property
    def patience_s(self) -> float:
        """How long an answer is waited for [s]."""
        hurried_s = max(self._hurried_s, USUAL_TIMES * self._slowest_s)
        return min(self._timeout_s, hurried_s) if self.hurried else self._timeout_s

    def hurry(self, hurried: bool) -> None:
        """Wait for less than a timeout from now on, or for all of it again."""
        self.hurried = hurried
        self._set_patience()

    def _set_patience(self) -> None:
        if self._visa is not None:
            self._visa.timeout = max(1, round(self.patience_s * 1000))

    def seconds_since(self, then_s: float = 0.0) -> float:
        """The time since `then_s`, which an earlier call gave [s]."""
        return self._clock.now_s() - then_s

    def open(self) -> None:
        """Open the resource anew."""
        self.close()
        self._put("*", f"open {self._resource}")
        try:
            self._visa = self._open_resource()
        except LostInstrument as fault:
            self._put("!", f"{NOT_OPENED}{fault.__cause__ or fault}")
            raise
        except self._failures as fault:
            raise self._failed(f"{NOT_SET_UP}{fault}") from fault
        if self.hurried:
            self._set_patience()

    def close(self, last_words: str = "") -> None:
        """Send `last_words` if there are any and close, however the box takes it."""
        visa, self._visa = self._visa, None
        if visa is None:
            return
        if last_words:
            self._put(">", last_words)
            try:
                visa.visalib.write(visa.session, self.encode(last_words))
            except Exception as fault:  # noqa: BLE001 - what is dead is closed all the same
                self._put("!", f"{NOT_SENT}{fault}")
        self._put("*", "close")
        try:
            visa.close()
        except Exception as fault:  # noqa: BLE001 - or the box could not be opened anew
            self._put("!", f"{NOT_CLOSED}{fault}")

    def clear(self) -> None:
        """Empty both queues of a box that keeps the message exchange protocol."""
        if self._stream:
            return
        self._put("*", "clear")
        try:
            self._visa.clear()
        except Exception as fault:  # noqa: BLE001 - the token that follows tells whether it helped
            self._put("!", f"{NOT_CLEARED}{fault}")

    def encode(self, message: str) -> bytes:
        """Give the bytes of a message with its termination."""
        return (message + self._termination).encode("ascii")

    def send(self, message: str, data: bytes = b"") -> None:
        """Send a message, or `data`, its bytes made before, keeping the gap to the last one."""
        if self._gap_s:
            self._clock.sleep(max(0.0, self._next_send_s - self._clock.now_s()))
            self._next_send_s = self._clock.now_s() + self._gap_s
        self._put(">", message)
        visa = self._visa
        try:
            visa.visalib.write(visa.session, data or self.encode(message))
        except Exception as fault:  # VXI-11 and HiSLIP in pure Python raise EOFError, RuntimeError
            raise self._failed(f"{NOT_SENT}{fault}") from fault

    def receive(self) -> str:
        """Read one line; on a stream it must have its end."""
        visa, began_s = self._visa, self._clock.now_s()
        try:
            data, _ = visa.visalib.read(visa.session, LONGEST_REPLY)
        except Exception as fault:  # as in `send`
            raise self._failed(f"{NO_REPLY}{fault}") from fault
        try:
            text = str(data, "ascii").rstrip("\r\n")
        except UnicodeError as fault:
            self._put("~", str(data, "latin-1"))
            raise Failed("the reply is not plain ASCII", repr(bytes(data))) from fault
        if self._stream and data[-1:] != b"\n":
            self._put("~", text)
            raise Failed("the reply has no end", text)
        if not self.hurried:
            self._slowest_s = max(self._slowest_s, self._clock.now_s() - began_s)
        self._put("<", text)
        return text

    def incoming(self) -> Iterator[str]:
        """Give lines as they come, within about one timeout; unreadable ones are skipped."""
        until_s = self._clock.now_s() + self.patience_s
        for _ in range(STALE_LINES):
            if self._clock.now_s() > until_s:
                return
            try:
                yield self.receive()
            except Failed as fault:
                if not fault.reply:
                    raise

    def wait_for_silence(self) -> None:
        """Throw away what comes until nothing has come for one timeout."""
        try:
            for _ in self.incoming():
                pass
        except Failed as fault:
            self.note(f"silence: {fault}")
        else:
            raise Failed("the box does not stop sending")

    def note(self, text: str) -> None:
        """Put a failure into the record; one that stands there as the last line is not repeated."""
        if text != self._last_failure:
            self._put("!", text)

    def _failed(self, why: str) -> Failed:
        self._put("!", why)
        return Failed(why)

    def _put(self, direction: str, text: str) -> None:
        if self._record is not None:
            self._last_failure = text if direction == "!" else ""
            self._record(self._name, direction, text)
