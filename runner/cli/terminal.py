"""The person at the terminal: questions on standard error, answers from standard input.

Used by the commands that run a sequence which asks. A thread of its own waits for lines
and does nothing else, so that the run goes on looking at the bench; it reads the raw
descriptor, and a line that never comes does not hold up the end of the program.
"""

from __future__ import annotations

import queue
import sys
import threading
from io import FileIO, RawIOBase
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.files.bench_file import BenchFile

IN_STEP_S = 0.1
"""What a look for a line takes at least on a simulated bench: as long as the run then waits."""


def absence(unattended: bool) -> str:
    """Why nobody can be asked here; empty when somebody can."""
    if unattended:
        return "--unattended says that nobody is there"
    if sys.stdin is None or not sys.stdin.isatty():
        return "standard input is not a terminal"
    if not sys.stderr.isatty():
        return "standard error, where the questions go, is not a terminal"
    return ""


def terminal_at(bench: BenchFile) -> Terminal:
    """The terminal for a person at a bench; a simulated one, whose time is free, waits for it."""
    from runner.seam import outlives

    return Terminal(0.0 if outlives(bench) else IN_STEP_S)


class Terminal:
    """Asks on standard error and gives the lines typed; see `runner.hand.person.Person`.

    `look_s` [s] is how long a look for a line lasts at most. On a clock that stands still until
    somebody sleeps, nothing else lets a person's time pass.
    """

    def __init__(self, look_s: float = 0.0) -> None:
        self._look_s = look_s
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
            found = self._lines.get(block=self._look_s > 0.0, timeout=self._look_s or None)
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
