"""Signals and a sequence that hangs: everything that may want the run to end.

A signal never interrupts a conversation with an instrument: it leaves a request that
the next look finds. Only while the sequence's own code runs is it raised at once. A
second Ctrl-C changes nothing: the way to the safe state is not interrupted.
"""

from __future__ import annotations

import _thread
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from runner.errors import BadInput, Stopped

PATIENCE_S = 10.0
"""How long a sequence may think between two steps [s of real time]."""

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Attention:
    """Listens for signals between `with` and its end; asked by every look."""

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self._patience_s = patience_s
        self._request: str | None = None
        self._thinking_until: float | None = None
        self._overdue = False

    def check(self) -> None:
        """Raise Stopped if somebody asked for the end."""
        if self._request is not None:
            raise Stopped(f"stopped by {self._request}")

    @contextmanager
    def sequence_thinks(self) -> Iterator[None]:
        """Around the sequence's own code: it may be interrupted, and must come to an end."""
        self._thinking_until = time.monotonic() + self._patience_s
        try:
            yield
        finally:
            self._thinking_until = None

    @contextmanager
    def listening(self) -> Iterator[Attention]:
        """Take over the signals, and watch the sequence from a thread of its own."""
        if threading.current_thread() is not threading.main_thread():
            yield self
            return
        numbers = [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]
        before = {number: signal.signal(number, self._on_signal) for number in numbers}
        ended = threading.Event()
        watcher = threading.Thread(target=self._watch, args=(ended,), daemon=True)
        watcher.start()
        try:
            yield self
        finally:
            ended.set()
            watcher.join()
            for number, earlier in before.items():
                signal.signal(number, earlier)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        if self._overdue:
            self._overdue = False
            if self._thinking_until is not None:
                raise BadInput(
                    f"the sequence computed for more than {self._patience_s:g} s without a step; "
                    "a sequence only decides what to do next: does a loop in it never end?"
                )
            return
        if self._request is None:
            self._request = signal.Signals(number).name
        if self._thinking_until is not None:
            self.check()

    def _watch(self, ended: threading.Event) -> None:
        while not ended.wait(0.25):
            until = self._thinking_until
            if until is not None and time.monotonic() > until:
                self._overdue = True
                _thread.interrupt_main()
                ended.wait(self._patience_s)
