"""`ampworth drill` at a terminal: typed by a person, or not done at all."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from runner.alone.parts import DEAD, ENERGISED
from runner.alone.proof import PARTS, read_drill
from tests.runner.cli.keyboard import AMPWORTH, CTRL_C, LONGEST_S, Keyboard


def at_the_drill(folder: Path, *options: str) -> Keyboard:
    """A drill of the demo bench."""
    return Keyboard(folder, "drill", "demo", *options)


def type_to_each_question(keyboard: Keyboard, *texts: str) -> int:
    """Type one text to each question in turn; return the exit code."""
    left = list(texts)

    def answer(shown: str) -> str | None:
        return left.pop(0) if left and shown.endswith("> ") else None

    return keyboard.type_when(answer)


def test_a_person_types_yes_three_times_and_the_drill_is_passed(tmp_path: Path) -> None:
    keyboard = at_the_drill(
        tmp_path, "--json", "--within-h", "10", "--for", "load_sweep", "--soak=no"
    )
    code = type_to_each_question(keyboard, "yes\n", "yes\n", "YES\n")
    assert code == 0, keyboard.shown
    told = json.loads((tmp_path / "out").read_text("utf-8"))
    assert [part["name"] for part in told["parts"]] == list(PARTS)
    assert "load_sweep is planned for" in keyboard.shown
    (folder,) = (tmp_path / "drills").iterdir()
    assert folder.name.endswith("_boathouse_bench")
    assert read_drill(folder).folder == folder


def test_ctrl_c_at_a_question_ends_it(tmp_path: Path) -> None:
    keyboard = at_the_drill(tmp_path, "--out", "drill")
    assert type_to_each_question(keyboard, "yes\n", CTRL_C) == 5, keyboard.shown
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
    keyboard = at_the_drill(tmp_path, option, value)
    assert (
        type_to_each_question(
            keyboard,
        )
        == 2
    )
    assert f"{option}: found" in keyboard.shown and "allowed:" in keyboard.shown


def test_the_parts_are_those_that_an_unattended_run_asks_for() -> None:
    assert (*DEAD, *ENERGISED) == PARTS
