"""Output that cannot be written neither ends a run nor changes its exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from runner import journal

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
QUICK = ["--lines-v", "24", "--points", "2", "--samples", "2", "--warm-up-s", "0", "--soak", "no"]
pytestmark = pytest.mark.skipif(os.name != "posix", reason="a POSIX shell closes the streams")


def shell(line: str, folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run a line in which $AMP stands for the quick sweep into `folder`/run."""
    script = f'amp() {{ "$@" ; echo "code $?" >&3; }}; {line}'
    arguments = [*AMPWORTH, "run", "load_sweep", *QUICK, "--out", str(folder / "run")]
    return subprocess.run(
        ["bash", "-c", f"exec 3>{folder / 'code'}; {script}", "bash", *arguments],
        capture_output=True,
        env=os.environ | environment,
        encoding="utf-8",
        errors="replace",
        check=False,
    )


def code(folder: Path) -> str:
    return (folder / "code").read_text("utf-8").strip()


@pytest.mark.parametrize(
    "line",
    [
        'amp "$@" 2>&1 | true',  # both go to a reader that is gone
        'amp "$@" 2>&1 >/dev/null | true',
        'amp "$@" | head -1',
        'amp "$@" 2>/dev/full',
        'amp "$@" 2>&-',
        'amp "$@" >&-',
        'amp "$@" >&- 2>&- <&-',
    ],
)
def test_a_run_whose_output_nobody_takes_is_done(line: str, tmp_path: Path) -> None:
    shell(line, tmp_path)
    assert code(tmp_path) == "code 0"
    records = list(journal.read(tmp_path / "run" / journal.FILE_NAME))
    assert records[-1]["ending"] == "done"
    assert (tmp_path / "run" / "efficiency.csv").is_file()


def test_a_result_that_cannot_be_written_is_said_in_one_line(tmp_path: Path) -> None:
    done = shell('amp "$@" >/dev/full', tmp_path)
    assert code(tmp_path) == "code 7"
    assert "standard output cannot be written" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_terminal_without_a_degree_sign_gets_the_result_all_the_same(tmp_path: Path) -> None:
    done = shell('amp "$@"', tmp_path, PYTHONIOENCODING="ascii")
    assert code(tmp_path) == "code 0"
    assert "4-point mean" in done.stdout


@pytest.mark.parametrize("columns", ["30", "80"])
def test_a_narrow_terminal_cuts_no_number(columns: str, tmp_path: Path) -> None:
    """Rich believes COLUMNS; what it would cut, it ends with an ellipsis."""
    done = shell('amp "$@"', tmp_path, COLUMNS=columns, FORCE_COLOR="1")
    assert code(tmp_path) == "code 0"
    assert "at 4.4 A" in done.stdout and "…" not in done.stdout
