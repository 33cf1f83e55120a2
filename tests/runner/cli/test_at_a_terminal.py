"""The actual command line on a pseudo-terminal: a bench worked by hand, typed by a test."""

from __future__ import annotations

import json
import os
import select
import subprocess
import sys
import time
from pathlib import Path

import pytest

from runner import journal
from runner.files.toml_file import resolve

pty = pytest.importorskip("pty", reason="pseudo-terminals are POSIX")

ROOT = Path(__file__).parents[3]
HAND = resolve("demo", "bench").with_name("hand_bench.toml")
SEQUENCE = """from runner import *

def sequence(setup: Setup) -> Steps:
    yield PowerUp(24.0)
    yield Draw(0.9)
    yield Settle()
    yield Read("fast", 2)
    yield PowerDown()
"""
LONGEST_S = 60.0
CTRL_C = "\x03"
# Nothing is connected in the simulated world, so the program doubts what is typed: Enter keeps it.
TYPED = {
    "Enter if it is right all the same": "\n",
    "Enter keeps it": "\n",
    "take off whatever": "\n",
    "connect 10 ohm": "\n",
    "hot spot in °C:": "31,5\n",
    "output of the module in volts:": "9020 mV\n",
}


class Keyboard:
    """A command on a pseudo-terminal of its own, which is its controlling terminal."""

    def __init__(
        self, folder: Path, *options: str, bench: Path = HAND, sequence: str = SEQUENCE
    ) -> None:
        (folder / "own.py").write_text(sequence, "utf-8")
        self.folder, self.shown = folder, ""
        self._master, slave = pty.openpty()
        command = [sys.executable, "-c", "from runner.cli.main import entry; entry()", "run"]
        arguments = [str(folder / "own.py"), "--bench", str(bench), "--out", str(folder / "run")]
        with (folder / "out").open("wb") as out:
            self.process = subprocess.Popen(
                [*command, *arguments, *options],
                cwd=ROOT,
                stdin=slave,
                stdout=out,
                stderr=slave,
                start_new_session=True,
                preexec_fn=_own_terminal,
            )
        os.close(slave)

    def type_answers(self, typed: dict[str, str]) -> int:
        """Answer each question as it comes; return the exit code."""
        answered, end_s = 0, time.monotonic() + LONGEST_S
        while self.process.poll() is None:
            assert time.monotonic() < end_s, self.shown
            self._hear()
            question = self.shown[answered:].rpartition("\n? ")[2]
            known = next((text for text in typed if text in question), None)
            if known is not None and question.endswith("> "):
                answered = len(self.shown)
                os.write(self._master, typed[known].encode())
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


def test_a_person_has_time_to_answer_on_a_bench_whose_time_is_simulated(tmp_path: Path) -> None:
    """Its clock stands still until somebody sleeps: 15 min of it would be over at once."""
    asks = (
        "from runner import *\n\ndef sequence(setup: Setup) -> Steps:\n    yield Ask('cover it')\n"
    )
    keyboard = Keyboard(tmp_path, bench=resolve("demo", "bench"), sequence=asks)
    code = keyboard.type_answers({"cover it": "\n"})
    assert code == 0, keyboard.shown
    (answer,) = [
        r for r in journal.read(tmp_path / "run" / journal.FILE_NAME) if r["kind"] == "answer"
    ]
    assert answer["t_s"] < 60.0


def test_a_person_works_the_bench_from_the_terminal(tmp_path: Path) -> None:
    keyboard = Keyboard(tmp_path, "--json")
    code = keyboard.type_answers(TYPED)
    assert code == 0, keyboard.shown
    result = json.loads((tmp_path / "out").read_text("utf-8"))
    assert (result["ending"], result["points"]) == ("done", 1)
    assert "resistors reach 150 to 250 °C" in keyboard.shown
    records = list(journal.read(tmp_path / "run" / journal.FILE_NAME))
    (point,) = [r["values"] for r in records if r.get("outcome") == "Point"]
    assert (point["vout_v"], point["hot_spot_temp_c"]) == (9.02, 31.5)
    assert point["iout_a"] == pytest.approx(9.02 / 10.04)  # Ohm's law, clips of 0.04 ohm
    kept = [r for r in records if r["kind"] == "answer" and r["taken"] == "confirmed"]
    assert [r["about"] for r in kept] == ["connect", "vout_v"]


def test_ctrl_c_at_a_question_leads_to_the_safe_state(tmp_path: Path) -> None:
    keyboard = Keyboard(tmp_path)
    code = keyboard.type_answers(TYPED | {"hot spot in °C:": CTRL_C})
    assert code == 5, keyboard.shown
    records = list(journal.read(tmp_path / "run" / journal.FILE_NAME))
    assert records[-1]["ending"] == "stopped"
    assert records[-2]["kind"] == "safe" and records[-2]["confirmed"]


@pytest.mark.parametrize("options", [(), ("--unattended",)])
def test_nobody_at_the_terminal_is_refused_with_one_clear_line(
    tmp_path: Path, options: tuple[str, ...]
) -> None:
    (tmp_path / "own.py").write_text(SEQUENCE, "utf-8")
    done = subprocess.run(
        [
            *(sys.executable, "-c", "from runner.cli.main import entry; entry()", "run"),
            *(str(tmp_path / "own.py"), "--bench", str(HAND), "--out", str(tmp_path / "run")),
            *options,
        ],
        cwd=ROOT,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
        timeout=LONGEST_S,
    )
    assert done.returncode == 2 and done.stdout == ""
    assert "somebody has to be at the bench" in done.stderr
    assert ("--unattended says" in done.stderr) == bool(options)
    assert len([line for line in done.stderr.splitlines() if "warning" not in line]) == 1
    assert not (tmp_path / "run").exists()
