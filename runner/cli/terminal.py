"""The person at the terminal: questions on standard error, answers from standard input.

Used by the `run` command for a bench worked by hand. A thread of its own waits for lines
and does nothing else, so that the run goes on looking at the bench; it reads the raw
descriptor, and a line that never comes does not hold up the end of the program.
"""

from __future__ import annotations

import queue
import sys
import threading
from io import FileIO, RawIOBase


def absence(unattended: bool) -> str:
    """Why nobody can be asked here; empty when somebody can."""
    if unattended:
        return "--unattended says that nobody is there"
    if sys.stdin is None or not sys.stdin.isatty():
        return "standard input is not a terminal"
    if not sys.stderr.isatty():
        return "standard error, where the questions go, is not a terminal"
    return ""


class Terminal:
    """Asks on standard error and gives the lines typed; see `runner.hand.person.Person`."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self._is_asking = False
        raw = open(sys.stdin.fileno(), "rb", buffering=0, closefd=False)  # noqa: SIM115 - kept open for the thread
        threading.Thread(target=_listen, args=(raw, self._lines), daemon=True).start()

    def say(self, text: str) -> None:
        """Show a line, below a question that is still open."""
        print("\n" * self._is_asking + text, file=sys.stderr, flush=True)
        self._is_asking = False

    def ask(self, text: str) -> None:
        """Show a question; lines typed before it are forgotten, the end of input is not."""
        while not self._lines.empty():
            if self._lines.get() is None:
                self._lines.put(None)
                break
        self.say(f"? {text}")
        print("> ", end="", file=sys.stderr, flush=True)
        self._is_asking = True

    def line(self) -> str | None:
        """The line typed, None while there is none; EOFError once the input is closed."""
        try:
            found = self._lines.get_nowait()
        except queue.Empty:
            return None
        if found is None:
            self._lines.put(None)
            raise EOFError
        self._is_asking = False
        return found


def _listen(raw: FileIO | RawIOBase, lines: queue.SimpleQueue[str | None]) -> None:
    while True:
        try:
            line = raw.readline(4096)
        except OSError:  # the terminal has gone
            line = b""
        if not line:
            lines.put(None)
            return
        lines.put(line.decode("utf-8", "replace").rstrip("\r\n"))
