"""`ampworth drill` at a terminal: typed by a person, or not done at all."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from runner.alone.parts import DEAD, ENERGISED
from runner.alone.proof import PARTS, read_drill

pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX")

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
LONGEST_S = 60.0
CTRL_C = "\x03"


class Keyboard:
    """A drill on a pseudo-terminal of its own, which is its controlling terminal."""

    def __init__(self, folder: Path, *options: str) -> None:
        self.shown = ""
        self._master, slave = pty.openpty()
        with (folder / "out").open("wb") as out:
            self.process = subprocess.Popen(
                [*AMPWORTH, "drill", "demo", *options],
                cwd=folder,
                stdin=slave,
                stdout=out,
                stderr=slave,
                start_new_session=True,
                preexec_fn=_own_terminal,
            )
        os.close(slave)

    def type_to_each_question(self, *texts: str) -> int:
        """Type one text to each question in turn; return the exit code."""
        left, answered, end_s = list(texts), 0, time.monotonic() + LONGEST_S
        while self.process.poll() is None:
            assert time.monotonic() < end_s, self.shown
            self._hear()
            if left and self.shown[answered:].endswith("> "):
                answered = len(self.shown)
                os.write(self._master, left.pop(0).encode())
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


def test_a_person_types_yes_three_times_and_the_drill_is_passed(tmp_path: Path) -> None:
    keyboard = Keyboard(tmp_path, "--json", "--within-h", "10", "--for", "load_sweep", "--soak=no")
    code = keyboard.type_to_each_question("yes\n", "yes\n", "YES\n")
    assert code == 0, keyboard.shown
    told = json.loads((tmp_path / "out").read_text("utf-8"))
    assert [part["name"] for part in told["parts"]] == list(PARTS)
    assert "load_sweep is planned for" in keyboard.shown
    (folder,) = (tmp_path / "drills").iterdir()
    assert folder.name.endswith("_boathouse_bench")
    assert read_drill(folder).folder == folder


def test_ctrl_c_at_a_question_ends_it(tmp_path: Path) -> None:
    keyboard = Keyboard(tmp_path, "--out", "drill")
    assert keyboard.type_to_each_question("yes\n", CTRL_C) == 5, keyboard.shown
    assert "stopped by SIGINT" in keyboard.shown


def test_without_a_terminal_it_is_refused_and_nothing_is_confirmed_by_a_pipe(
    tmp_path: Path,
) -> None:
    done = subprocess.run(
        [*AMPWORTH, "drill", "demo"],
        cwd=tmp_path,
        input="yes\nyes\nyes\n",
        capture_output=True,
        text=True,
        timeout=LONGEST_S,
    )
    assert done.returncode == 2 and done.stdout == ""
    assert "it needs a person at a terminal" in done.stderr
    assert not (tmp_path / "drills").exists()


@pytest.mark.parametrize(
    ("option", "value"),
    [("--room-temp-c", "nan"), ("--room-temp-c", "80"), ("--band-k", "0"), ("--within-h", "-1")],
)
def test_a_number_that_cannot_be_is_refused(tmp_path: Path, option: str, value: str) -> None:
    keyboard = Keyboard(tmp_path, option, value)
    assert keyboard.type_to_each_question() == 2
    assert f"{option}: found" in keyboard.shown and "allowed:" in keyboard.shown


def test_the_parts_are_those_that_an_unattended_run_asks_for() -> None:
    assert (*DEAD, *ENERGISED) == PARTS
