"""A process of its own that switches the bench off when the runner dies or hangs.

The runner starts it and beats on its standard input. It makes the bench safe through
connections of its own when the beat stops, or when the runner could not confirm that
every output is off; only a runner that saw them off tells it to stand down.
"""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Iterable
from pathlib import Path
from typing import IO, Any

from runner.errors import BenchError

PATIENCE_S = 30.0
"""Silence that is always allowed a live runner [s]."""
TIMEOUTS_A_CALL = 6.0
"""A call to a mute box: the reply, then a token, on the open connection and on a new one."""
BEAT_EVERY_S = 0.5
LONGEST_TRY_S = 120.0
"""The runner waits no longer for a watchdog that makes the bench safe [s]."""
BEAT, STAND_DOWN, TAKE_OVER = b".", b"q", b"!"
UNCONFIRMED = "the runner could not confirm that every output is off"
COMMAND = "from runner.cli.main import entry; entry()"


class Watchdog:
    """The runner's side: starts the process, beats, and lets it go at the end.

    `may_stand_down` is False while an output may be on: then it acts when it is closed.
    """

    def __init__(self, bench_path: Path, log_path: Path) -> None:
        self.may_stand_down = True
        self._next_s, self._log_path = 0.0, log_path
        command = [sys.executable, "-c", COMMAND, "watchdog"]
        try:
            with log_path.open("wb") as log:
                self._process = subprocess.Popen(
                    [*command, str(bench_path.resolve()), "--run", str(log_path.parent.resolve())],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=log,
                    start_new_session=True,  # a Ctrl-C at the terminal is not for the watchdog
                )
        except OSError as error:
            raise BenchError(f"the watchdog of this bench cannot be started: {error}") from error

    def beat(self) -> None:
        """Say that the runner lives; called at every look, sends twice a second at most.

        Raises BenchError when the watchdog itself has ended: the bench is unguarded then.
        """
        now_s = time.monotonic()
        if now_s < self._next_s:
            return
        self._next_s = now_s + BEAT_EVERY_S
        if self._process.poll() is not None:
            raise BenchError(
                f"the watchdog has ended by itself (exit code {self._process.returncode}: "
                f"{self.said()}); without it nobody switches this bench off if the runner dies. "
                "Start again"
            )
        self._send(BEAT)

    def close(self) -> None:
        """Let the watchdog go, or have it make the bench safe and wait until it has tried."""
        self._send(STAND_DOWN if self.may_stand_down else TAKE_OVER)
        with contextlib.suppress(OSError):
            self._pipe.close()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(LONGEST_TRY_S)

    def said(self) -> str:
        """The last line that the watchdog left: what came of what it did."""
        try:
            lines = self._log_path.read_text("utf-8", "replace").split("\n")
        except OSError as error:
            return f"{self._log_path} cannot be read: {error.strerror}"
        return next((line for line in reversed(lines) if line), "it said nothing")

    @property
    def _pipe(self) -> IO[bytes]:
        assert self._process.stdin is not None
        return self._process.stdin

    def _send(self, what: bytes) -> None:
        with contextlib.suppress(OSError):
            self._pipe.write(what)
            self._pipe.flush()


def patience_s(timeouts_s: Iterable[float]) -> float:
    """How long a runner that lives may be silent [s], with the timeouts of its boxes [s]."""
    return max(PATIENCE_S, TIMEOUTS_A_CALL * max(timeouts_s, default=0.0))


def await_silence(stream: IO[bytes], patience_s: float = PATIENCE_S) -> str:
    """The watchdog's side: return why to act, or "" when told to stand down."""
    heard: queue.Queue[bytes] = queue.Queue()
    # Past the buffer: a thread that waits in it holds its lock, and the interpreter aborts for
    # that at its end, after everything is done and said.
    raw: Any = getattr(stream, "raw", stream)

    def listen() -> None:
        while byte := raw.read(1):
            heard.put(byte)
        heard.put(b"")

    threading.Thread(target=listen, daemon=True).start()
    while True:
        try:
            byte = heard.get(timeout=patience_s)
        except queue.Empty:
            return f"the runner gave no sign of life for {patience_s:g} s"
        if byte == STAND_DOWN:
            return ""
        if byte == TAKE_OVER:
            return UNCONFIRMED
        if byte == b"":
            return "the runner died"
