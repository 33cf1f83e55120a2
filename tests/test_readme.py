"""What the README shows is what the program does."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.readme import README, expected, output_of

TEXT = README.read_text("utf-8")


def test_sessions_and_column_tables_are_what_the_program_prints(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert expected(TEXT) == TEXT, "python -m tests.readme writes it anew"


def test_the_sequence_in_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    (found,) = re.findall(r"```python\n(.*?)```", TEXT, re.S)
    Path("my_sequence.py").write_text(found, "utf-8")
    assert "done" in output_of("ampworth run my_sequence.py --step-a 0.5 --out run")


def test_every_exit_code_in_the_readme_is_in_the_help_too() -> None:
    shown = set(re.findall(r"^\| (\d+) \|", TEXT, re.M))
    assert shown == set(re.findall(r"^  (\d+)", output_of("ampworth --help"), re.M))


def test_both_commands_stand_alone_on_one_line() -> None:
    for name in ("run", "test"):
        (found,) = re.findall(rf"<!-- {name} command -->\n```sh\n(.*?)```", TEXT, re.S)
        assert len(found.splitlines()) == 1
    assert shutil.which("python3")
