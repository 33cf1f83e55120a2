"""Signals, a stop request in the run folder, a sequence that hangs: what may want the end.

A signal never interrupts a conversation with an instrument: it leaves a request that
the next look finds. Only while the sequence's own code runs is it raised at once. A
second Ctrl-C changes nothing: the way to the safe state is not interrupted.
"""

from __future__ import annotations

import _thread
import contextlib
import json
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType

from runner.errors import BadInput, Stopped
from runner.wire_record import STOP

PATIENCE_S = 10.0
"""How long a sequence may think between two steps [s of real time]."""

STOP_FILE = "stop"
"""Name of the stop request in a run folder: a JSON object with `who` and `utc`."""
STOP_LOOK_EVERY_S = 0.5
"""Least time between two looks for it [s of real time]."""
AT_A_LOOK, THINKING = "at a look: ", "while the sequence thought: "
AT_THE_JOURNAL = "at the journal: "
"""Where a request to stop, or what else ended the run from outside, was taken notice of."""

_SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Attention:
    """Listens for signals between `with` and its end; asked by every look."""

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        self._patience_s = patience_s
        self._request: str | None = None
        self._thinking_until: float | None = None
        self._overdue = False
        self._stop_file: Path | None = None
        self._parent: int | None = None
        self._next_look_s = 0.0
        self.beat: Callable[[], None] = lambda: None
        self.noted: Callable[[str, str], None] = lambda way, text: None

    def obey(self, stop_file: Path) -> None:
        """From now on a file at `stop_file` asks for the end; one left from before is removed."""
        with contextlib.suppress(OSError):
            stop_file.unlink(missing_ok=True)
        self._stop_file = stop_file

    def check(self) -> None:
        """Raise Stopped if somebody asked for the end; tell the watchdog that the run lives."""
        self.beat()
        if self._request is None and time.monotonic() >= self._next_look_s:
            self._next_look_s = time.monotonic() + STOP_LOOK_EVERY_S
            self._look_for_the_stop_file()
            self._look_for_the_parent()
        if self._request is not None:
            stopped = f"stopped by {self._request}"
            where = AT_A_LOOK if self._thinking_until is None else THINKING
            self.noted(STOP, f"{where}{stopped}")
            raise Stopped(stopped)

    def _look_for_the_stop_file(self) -> None:
        if self._stop_file is None:
            return
        with contextlib.suppress(OSError):  # a share that hiccups is no request
            if self._stop_file.exists():
                self._request = f"request of {_who_asks(self._stop_file)}"

    def _look_for_the_parent(self) -> None:
        """Who started the run has died: nobody is left who would stop it."""
        if self._parent is not None and os.getppid() != self._parent:
            self._request = "the death of the process that started it (nohup lets a run outlive it)"

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
        numbers = [number for number in _numbers() if not _is_waived(number)]
        before = {number: signal.signal(number, self._on_signal) for number in numbers}
        ended = threading.Event()
        watcher = threading.Thread(target=self._watch, args=(ended,), daemon=True)
        watcher.start()
        self._parent = None if _is_detached() else os.getppid()
        try:
            yield self
        finally:
            ended.set()
            watcher.join()
            self._parent = None
            for number, earlier in before.items():
                signal.signal(number, earlier)

    def _on_signal(self, number: int, frame: FrameType | None) -> None:
        if self._overdue:
            self._overdue = False
            until = self._thinking_until
            if until is not None and time.monotonic() > until:  # not a later step's thinking
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


def _numbers() -> list[signal.Signals]:
    return [getattr(signal, name) for name in _SIGNALS if hasattr(signal, name)]


def _is_waived(number: signal.Signals) -> bool:
    """A hang-up that is ignored already stays so: under nohup the run outlives its terminal."""
    return number.name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN


def _is_detached() -> bool:
    """Started to outlive who started it: under nohup, or as the leader of a session of its own."""
    if not hasattr(os, "getsid"):  # no parent is ever seen to die there
        return True
    return _is_waived(signal.SIGHUP) or os.getsid(0) == os.getpid()


def _who_asks(stop_file: Path) -> str:
    """Who wrote the request; that it is there counts, whatever is in it."""
    try:
        if not stop_file.is_file():  # opening a pipe would wait for its other end
            return "somebody whose stop file is no file"
        with stop_file.open("rb") as file:
            who = str(json.loads(file.read(4096))["who"])
    except (OSError, ValueError, KeyError, TypeError):
        return "somebody whose stop file cannot be read"
    return "".join(letter for letter in who if letter.isprintable())[:120] or "somebody"
