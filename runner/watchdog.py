"""A process of its own that switches the bench off when the runner dies or hangs.

The runner starts it and beats on its standard input. It makes the bench safe through
connections of its own when the beat stops, unless it was told to stand down.
"""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import IO

PATIENCE_S = 30.0
"""Longest silence of a live runner [s]: its slowest call to an instrument, and then some."""
BEAT_EVERY_S = 0.5
BEAT, STAND_DOWN = b".", b"q"
COMMAND = "from runner.cli.main import entry; entry()"


class Watchdog:
    """The runner's side: starts the process, beats, and lets it go at the end."""

    def __init__(self, bench_path: Path, log_path: Path) -> None:
        self._next_s = 0.0
        with log_path.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-c", COMMAND, "watchdog", str(bench_path.resolve())],
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=log,
                start_new_session=True,  # a Ctrl-C at the terminal is not for the watchdog
            )

    def beat(self) -> None:
        """Say that the runner lives; called at every look, sends twice a second at most."""
        now_s = time.monotonic()
        if now_s >= self._next_s:
            self._next_s = now_s + BEAT_EVERY_S
            self._send(BEAT)

    def is_alive(self) -> bool:
        """False when the watchdog itself has died."""
        return self._process.poll() is None

    def close(self) -> None:
        """The bench is safe: let the watchdog go."""
        self._send(STAND_DOWN)
        with contextlib.suppress(OSError):
            self._pipe.close()
        self._process.wait()

    @property
    def _pipe(self) -> IO[bytes]:
        assert self._process.stdin is not None
        return self._process.stdin

    def _send(self, what: bytes) -> None:
        with contextlib.suppress(OSError):
            self._pipe.write(what)
            self._pipe.flush()


def await_silence(stream: IO[bytes], patience_s: float = PATIENCE_S) -> str:
    """The watchdog's side: return why to act, or "" when told to stand down."""
    heard: queue.Queue[bytes] = queue.Queue()

    def listen() -> None:
        while byte := stream.read(1):
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
        if byte == b"":
            return "the runner died"
