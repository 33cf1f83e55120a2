"""A command on a pseudo-terminal of its own, for tests that type what a person would."""

from __future__ import annotations

import os
import select
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX")

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
LONGEST_S = 60.0
CTRL_C = "\x03"


class Keyboard:
    """A command whose controlling terminal it is; standard output goes to `folder / "out"`."""

    def __init__(self, folder: Path, *arguments: str, cwd: Path | None = None) -> None:
        self.folder, self.shown = folder, ""
        self._master, slave = pty.openpty()
        with (folder / "out").open("wb") as out:
            self.process = subprocess.Popen(
                [*AMPWORTH, *arguments],
                cwd=cwd or folder,
                stdin=slave,
                stdout=out,
                stderr=slave,
                start_new_session=True,
                preexec_fn=_own_terminal,
            )
        os.close(slave)

    def type_when(self, answer: Callable[[str], str | None]) -> int:
        """Type what `answer` says to what was shown since the last answer; the exit code."""
        answered, end_s = 0, time.monotonic() + LONGEST_S
        while self.process.poll() is None:
            assert time.monotonic() < end_s, self.shown
            self._hear()
            text = answer(self.shown[answered:])
            if text is not None:
                answered = len(self.shown)
                os.write(self._master, text.encode())
        self._hear()
        os.close(self._master)
        return self.process.returncode

    def _hear(self) -> None:
        while select.select([self._master], [], [], 0.05)[0]:
            try:
                heard = os.read(self._master, 65536)
            except OSError:  # the other end was closed
                return
            self.shown += heard.decode("utf-8", "replace").replace("\r\n", "\n")


def _own_terminal() -> None:
    import fcntl
    import termios

    fcntl.ioctl(0, termios.TIOCSCTTY, 0)
