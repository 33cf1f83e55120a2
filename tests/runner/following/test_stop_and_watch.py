"""Stop and watch as commands, on a served bench and on journals alone."""

from __future__ import annotations

import json
import os
import subprocess
import time
from pathlib import Path

import pytest

from runner import journal
from runner.attention import STOP_FILE
from runner.cli.main import main
from runner.errors import NotSafe
from runner.live.state import Watched
from runner.live.stop import await_safe
from tests.runner.fakes import StepClock
from tests.runner.following.journals import END, RUN, SAFE, going, short, write
from tests.runner.live import Live
from tests.runner.test_served_run import AMPWORTH, bench, outputs, start, wait_for

__all__ = ["bench"]


def test_stop_reaches_a_run_on_a_served_bench_within_seconds(bench: Path, tmp_path: Path) -> None:
    folder = tmp_path / "run"
    with start(bench, folder) as run:
        wait_for(folder / "journal.jsonl", '"Draw"')
        watch = subprocess.Popen(
            [*AMPWORTH, "watch", str(folder)], stderr=subprocess.PIPE, text=True
        )
        began_s = time.monotonic()
        stop = subprocess.run(
            [*AMPWORTH, "stop", str(folder)], capture_output=True, text=True, check=False
        )
        took_s = time.monotonic() - began_s
        run.communicate(timeout=30)
        _, watched = watch.communicate(timeout=30)
    assert stop.returncode == 0, stop.stderr
    assert "safe state reached" in stop.stdout and "supply off" in stop.stdout
    assert took_s < 10.0
    assert run.returncode == 5 == watch.returncode
    assert "stopped by request of" in watched and "safe state reached" in watched
    records = list(journal.read(folder / "journal.jsonl"))
    assert records[-2]["kind"] == "safe" and records[-2]["confirmed"]
    request = json.loads((folder / STOP_FILE).read_text("utf-8"))
    assert request["who"] in records[-1]["message"] and request["utc"].endswith("Z")
    assert outputs(bench) == ["0", "0"]


@pytest.mark.parametrize("command", ["stop", "watch"])
def test_what_is_no_run_folder_is_one_clear_error(
    command: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main([command, str(tmp_path)]) == 2
    assert "is no run folder" in capsys.readouterr().err
    assert main([command, str(tmp_path / "nowhere")]) == 2
    assert "there is no such folder" in capsys.readouterr().err


def test_a_run_that_has_ended_cannot_be_stopped(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    write(tmp_path, *short())
    assert main(["stop", str(tmp_path)]) == 2
    assert "has ended already (done" in capsys.readouterr().err
    assert not (tmp_path / STOP_FILE).exists()


def test_a_runner_that_does_not_answer_is_said_to_be_unsafe(tmp_path: Path) -> None:
    write(tmp_path, *going())
    clock = StepClock()
    with pytest.raises(NotSafe, match=r"did not answer within 60 s.*04:00:04"):
        await_safe(Watched(tmp_path), clock)
    assert 60.0 <= clock.now_s() < 61.0


def test_an_output_that_was_not_confirmed_is_not_called_safe(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    unsafe = SAFE | {"confirmed": False, "unconfirmed": ["supply output (supply)"]}
    end = END | {"ending": "stopped", "message": "COULD NOT CONFIRM OFF: supply", "exit_code": 6}
    write(tmp_path, *going(), ("safe", unsafe), ("end", end))
    with pytest.raises(NotSafe, match="COULD NOT CONFIRM OFF"):
        await_safe(Watched(tmp_path), StepClock())


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_cannot_be_written_says_what_to_do(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    write(tmp_path, *going())
    tmp_path.chmod(0o500)
    assert main(["stop", str(tmp_path)]) == 7
    assert "stop the run at the bench" in capsys.readouterr().err


@pytest.mark.parametrize(("name", "code"), [("done", 0), ("tripped", 3), ("lost", 4)])
def test_watch_ends_with_the_exit_code_of_the_run(
    name: str, code: int, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    end = {"ending": name, "message": "as it is", "exit_code": code}
    write(tmp_path, *going(), ("safe", SAFE), ("end", end))
    assert main(["watch", str(tmp_path)]) == code
    out, err = capsys.readouterr()
    assert out == "" and f"{name}: as it is" in err and "a heron looks in" in err


def test_watch_says_what_the_run_itself_said(
    live: Live, capsys: pytest.CaptureFixture[str]
) -> None:
    """The points in the log, line for line."""
    options = ["--points", "3", "--lines-v", "24", "--out", str(live.folder / "own")]
    assert main(["run", "load_sweep", *options]) == 0
    ran = [line for line in capsys.readouterr().err.splitlines() if "efficiency" in line]
    assert main(["watch", str(live.folder / "own")]) == 0
    seen = [line for line in capsys.readouterr().err.splitlines() if "efficiency" in line]
    assert len(ran) > 5 and seen == ran


def test_watch_as_json_does_not_wait(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    write(tmp_path, *going())
    assert main(["watch", str(tmp_path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["phase"] == "running" and data["module"] == RUN["module"]["name"]
    assert data["exit_code"] is None and data["reading"]["iout_a"] == 2.0


def test_a_damaged_journal_is_not_shown(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = write(tmp_path, *short())
    path.write_bytes(path.read_bytes().replace(b"heron", b"stork"))
    assert main(["watch", str(tmp_path)]) == 2
    assert "line 4: the record is damaged" in capsys.readouterr().err
