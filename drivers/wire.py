"""Bytes to and from one VISA resource: framing, pace, record, one kind of failure.

Only `link.py` uses it. It does not know whether a line is the answer to anything,
and never calls `clear()` on a stream, where it may hang.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

from drivers.opening import failures, is_stream
from drivers.style import Style

Record = Callable[[str, str, str], None]
"""Called with the instrument's name, ">" sent, "<" received or "!" failed, and the text."""

LONGEST_REPLY = 16_384
"""Bytes of one reply; more is babble."""
STALE_LINES = 256
"""Lines looked through in search of one before the connection is given up."""


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
        self._record = record
        self._clock = clock
        self._stream = is_stream(resource)
        self._termination = style.write_termination
        self._gap_s = style.gap_s
        self._next_send_s = 0.0
        self._failures = failures()
        self._visa: Any = None

    @property
    def is_open(self) -> bool:
        """Whether there is a connection to try."""
        return self._visa is not None

    def open(self) -> None:
        """Open the resource anew."""
        self.close()
        try:
            self._visa = self._open_resource()
        except self._failures as fault:
            raise Failed(f"opening failed: {fault}") from fault

    def close(self, last_words: str = "") -> None:
        """Send `last_words` if there are any and close, however the box takes it."""
        visa, self._visa = self._visa, None
        if visa is None:
            return
        try:
            if last_words:
                visa.visalib.write(visa.session, self.encode(last_words))
        except Exception as fault:  # noqa: BLE001 - what is dead is closed all the same
            self.note(str(fault))
        try:
            visa.close()
        except Exception as fault:  # noqa: BLE001 - or the box could not be opened anew
            self.note(str(fault))

    def clear(self) -> None:
        """Empty both queues of a box that keeps the message exchange protocol."""
        if self._stream:
            return
        try:
            self._visa.clear()
        except Exception as fault:  # noqa: BLE001 - the token that follows tells whether it helped
            self.note(f"clear: {fault}")

    def encode(self, message: str) -> bytes:
        """Give the bytes of a message with its termination."""
        return (message + self._termination).encode("ascii")

    def send(self, message: str, data: bytes = b"") -> None:
        """Send a message, or `data`, its bytes made before, keeping the gap to the last one."""
        if self._gap_s:
            self._clock.sleep(max(0.0, self._next_send_s - self._clock.now_s()))
            self._next_send_s = self._clock.now_s() + self._gap_s
        if self._record is not None:
            self._record(self._name, ">", message)
        visa = self._visa
        try:
            visa.visalib.write(visa.session, data or self.encode(message))
        except Exception as fault:  # VXI-11 and HiSLIP in pure Python raise EOFError, RuntimeError
            raise Failed(f"sending failed: {fault}") from fault

    def receive(self) -> str:
        """Read one line; on a stream it must have its end."""
        visa = self._visa
        try:
            data, _ = visa.visalib.read(visa.session, LONGEST_REPLY)
        except Exception as fault:  # as in `send`
            raise Failed(f"no reply: {fault}") from fault
        try:
            text = str(data, "ascii").rstrip("\r\n")
        except UnicodeError as fault:
            raise Failed("the reply is not plain ASCII", repr(bytes(data))) from fault
        if self._record is not None:
            self._record(self._name, "<", text)
        if self._stream and data[-1:] != b"\n":
            raise Failed("the reply has no end", text)
        return text

    def incoming(self) -> Iterator[str]:
        """Give lines as they come, within about one timeout; unreadable ones are skipped."""
        until_s = self._clock.now_s() + self._timeout_s
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
        """Put a failure into the record."""
        if self._record is not None:
            self._record(self._name, "!", text)
