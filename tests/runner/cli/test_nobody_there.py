"""Each command ends by itself with nobody there: no terminal, standard input closed, LANG=C."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from runner.cli.main import COMMANDS

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
QUICK = ["--soak", "no", "--lines-v", "24", "--points", "2", "--samples", "2", "--audit", "no"]
LONGEST_S = 60.0
ENDS: dict[str, tuple[list[str], int]] = {
    "new": (["bench", "mine.toml"], 0),
    "check": (["demo"], 0),
    "rehearse": (["load_sweep", *QUICK], 0),
    "drill": (["demo"], 2),
    "run": (["load_sweep", *QUICK, "--out", "another", "--unattended"], 0),
    "resume": (["run"], 2),
    "replay": (["run"], 0),
    "report": (["run"], 0),
    "judge": (["run"], 8),
    "compare": (["run", "run"], 2),
    "make-safe": (["demo"], 0),
    "watch": (["run"], 0),
    "stop": (["run"], 2),
    "protect": ([], 0),
}
SERVE = {"page", "sim"}  # they end on a signal
WITHOUT_ARGUMENTS: tuple[list[str], int] = ([], 2)


def nobody(folder: Path, *arguments: str) -> subprocess.CompletedProcess[bytes]:
    """Run a command as a scheduler does: no terminal, no TERM, no input, a bare locale."""
    kept = {name: os.environ[name] for name in ("PATH", "PYTHONPATH") if name in os.environ}
    return subprocess.run(
        [*AMPWORTH, *arguments],
        cwd=folder,
        env=kept | {"LANG": "C", "HOME": str(folder)},
        capture_output=True,
        start_new_session=True,
        timeout=LONGEST_S,
        preexec_fn=_close_input,  # subprocess itself cannot start one without an input
    )


def _close_input() -> None:
    os.close(0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one finished run in it."""
    place = tmp_path_factory.mktemp("nobody")
    done = nobody(place, "run", "load_sweep", *QUICK, "--out", "run")
    assert done.returncode == 0, done.stderr
    return place


@pytest.mark.skipif(os.name != "posix", reason="POSIX sessions")
@pytest.mark.parametrize("command", sorted(set(COMMANDS) - SERVE))
def test_it_ends_by_itself_with_the_code_a_scheduler_can_use(folder: Path, command: str) -> None:
    arguments, code = ENDS.get(command, WITHOUT_ARGUMENTS)
    done = nobody(folder, command, *arguments)
    assert done.returncode == code, done.stderr.decode("utf-8", "replace")
    assert b"Traceback" not in done.stderr
