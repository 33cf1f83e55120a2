"""The actual command line on a pseudo-terminal: a bench worked by hand, typed by a test."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from runner import journal
from runner.files.toml_file import resolve
from tests.runner.cli.keyboard import CTRL_C, LONGEST_S, Keyboard

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
# Nothing is connected in the simulated world, so the program doubts what is typed: Enter keeps it.
TYPED = {
    "Enter if it is right all the same": "\n",
    "Enter keeps it": "\n",
    "take off whatever": "\n",
    "connect 10 ohm": "\n",
    "hot spot in °C:": "31,5\n",
    "output of the module in volts:": "9020 mV\n",
}


def at_the_bench(
    folder: Path, *options: str, bench: Path = HAND, sequence: str = SEQUENCE
) -> Keyboard:
    """A run of a sequence of the test's own."""
    (folder / "own.py").write_text(sequence, "utf-8")
    arguments = ["run", str(folder / "own.py"), "--bench", str(bench), "--out", str(folder / "run")]
    return Keyboard(folder, *arguments, *options, cwd=ROOT)


def type_answers(keyboard: Keyboard, typed: dict[str, str]) -> int:
    """Answer each question as it comes; return the exit code."""

    def answer(shown: str) -> str | None:
        question = shown.rpartition("\n? ")[2]
        known = next((text for text in typed if text in question), None)
        return typed[known] if known is not None and question.endswith("> ") else None

    return keyboard.type_when(answer)


def test_a_person_has_time_to_answer_on_a_bench_whose_time_is_simulated(tmp_path: Path) -> None:
    """Its clock stands still until somebody sleeps: 15 min of it would be over at once."""
    asks = (
        "from runner import *\n\ndef sequence(setup: Setup) -> Steps:\n    yield Ask('cover it')\n"
    )
    keyboard = at_the_bench(tmp_path, bench=resolve("demo", "bench"), sequence=asks)
    code = type_answers(keyboard, {"cover it": "\n"})
    assert code == 0, keyboard.shown
    (answer,) = [
        r for r in journal.read(tmp_path / "run" / journal.FILE_NAME) if r["kind"] == "answer"
    ]
    assert answer["t_s"] < 60.0


def test_a_person_works_the_bench_from_the_terminal(tmp_path: Path) -> None:
    keyboard = at_the_bench(tmp_path, "--json")
    code = type_answers(keyboard, TYPED)
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
    keyboard = at_the_bench(tmp_path)
    code = type_answers(keyboard, TYPED | {"hot spot in °C:": CTRL_C})
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
