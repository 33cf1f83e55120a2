"""A user's command is told how a run ended; whatever it does, it costs a note and no more."""

from __future__ import annotations

import json
import os
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from runner.cli.main import main
from runner.errors import BadInput
from runner.files.bench_file import Notify, load_bench_file
from runner.files.toml_file import resolve
from runner.notify import message, tell

KEEP = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.stdin.read())"
QUICK = ["--soak", "no", "--lines-v", "24", "--points", "2", "--samples", "2", "--audit", "no"]


def said() -> dict[str, Any]:
    return message("end", Path("first"), "load_sweep", "the sequence came to its end")


def keeping(target: Path) -> tuple[str, ...]:
    """A command that keeps what it is told in `target`."""
    return (sys.executable, "-c", KEEP, str(target))


def demo_bench(folder: Path, command: tuple[str, ...]) -> Path:
    """The demo bench file, with a command to tell."""
    text = resolve("demo", "bench").read_text("utf-8")
    path = folder / "bench.toml"
    path.write_text(f"{text}\n[notify]\ncommand = {json.dumps(command)}\n", "utf-8")
    return path


def test_the_command_gets_one_json_object_in_the_folder_of_the_bench_file(tmp_path: Path) -> None:
    notify = Notify(command=(sys.executable, "-c", KEEP, "told.json"))
    assert tell(notify, tmp_path / "bench.toml", said()) == ""
    told = json.loads((tmp_path / "told.json").read_text("utf-8"))
    assert told == said()
    assert Path(told["run"]).is_absolute()


def test_no_shell_reads_its_arguments(tmp_path: Path) -> None:
    notify = Notify(command=keeping(tmp_path / "$HOME; touch here"))
    assert tell(notify, tmp_path / "bench.toml", said()) == ""
    assert [path.name for path in tmp_path.iterdir()] == ["$HOME; touch here"]


def test_nobody_is_told_where_nobody_is_named(tmp_path: Path) -> None:
    assert tell(None, tmp_path / "bench.toml", said()) == ""


@pytest.mark.parametrize(
    ("command", "note"),
    [
        (("no-such-command-here",), "'no-such-command-here' cannot be started: No such file"),
        ((sys.executable, "-c", "raise SystemExit(3)"), "failed with exit code 3"),
        (("nul\0",), "cannot be started"),
    ],
)
def test_a_command_that_is_missing_or_fails_is_a_note(
    tmp_path: Path, command: tuple[str, ...], note: str
) -> None:
    assert note in tell(Notify(command=command), tmp_path / "bench.toml", said())


def test_a_command_that_reads_nothing_is_no_error(tmp_path: Path) -> None:
    long = said() | {"message": "x" * 1_000_000}
    assert tell(Notify(command=(sys.executable, "-c", "pass")), tmp_path / "b.toml", long) == ""


@pytest.mark.skipif(os.name != "posix", reason="process groups")
def test_a_command_that_hangs_is_ended_with_what_it_started(tmp_path: Path) -> None:
    grandchild = "import time; time.sleep(60)"
    hang = (
        "import subprocess, sys, time, pathlib\n"
        f"child = subprocess.Popen([sys.executable, '-c', {grandchild!r}])\n"
        "pathlib.Path('pid').write_text(str(child.pid)); time.sleep(60)"
    )
    notify = Notify(command=(sys.executable, "-c", hang), within_s=1.5)
    start_s = time.monotonic()
    note = tell(notify, tmp_path / "bench.toml", said())
    assert "was not done within 1.5 s and was ended" in note
    assert time.monotonic() - start_s < 5.0
    pid = int((tmp_path / "pid").read_text("utf-8"))
    assert is_gone(pid)


def is_gone(pid: int) -> bool:
    """True once a process has ended, be it that nobody has asked for its exit code yet."""
    end_s = time.monotonic() + 5.0
    while time.monotonic() < end_s:
        try:
            os.kill(pid, 0)
        except ProcessLookupError:
            return True
        status = Path(f"/proc/{pid}/stat")
        if status.is_file() and status.read_text("utf-8").rpartition(")")[2].split()[0] == "Z":
            return True
        time.sleep(0.05)
    return False


@pytest.mark.parametrize(
    ("table", "named"),
    [
        ("command = []", "command"),
        ("command = 'tell'", "command"),
        ("command = ['']", "command"),
        ("command = ['tell']\nwithin_s = 0", "within_s"),
        ("command = ['tell']\nshell = true", "shell"),
    ],
)
def test_a_wrong_table_is_refused_with_its_key(tmp_path: Path, table: str, named: str) -> None:
    path = tmp_path / "bench.toml"
    text = resolve("demo", "bench").read_text("utf-8")
    path.write_text(f"{text}\n[notify]\n{table}\n", "utf-8")
    with pytest.raises(BadInput, match=f"notify.{named}"):
        load_bench_file(path)


def test_a_run_tells_its_end(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = demo_bench(tmp_path, keeping(tmp_path / "told.json"))
    run = ["run", "load_sweep", "--bench", str(bench), "--out", str(tmp_path / "run"), *QUICK]
    assert main(run) == 0
    told = json.loads((tmp_path / "told.json").read_text("utf-8"))
    assert (told["event"], told["ending"], told["exit_code"]) == ("end", "done", 0)
    assert (told["sequence"], told["run"]) == ("load_sweep", str(tmp_path / "run"))
    assert told["unconfirmed"] == []
    assert "notify.command" not in capsys.readouterr().err


def test_a_run_tells_its_trip(tmp_path: Path) -> None:
    bench = demo_bench(tmp_path, keeping(tmp_path / "told.json"))
    text = bench.read_text("utf-8").replace(
        "hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 24.0"
    )
    bench.write_text(text, "utf-8")
    run = ["run", "load_sweep", "--bench", str(bench), "--out", str(tmp_path / "run"), *QUICK]
    assert main(run) == 3
    told = json.loads((tmp_path / "told.json").read_text("utf-8"))
    assert (told["event"], told["ending"], told["exit_code"]) == ("trip", "tripped", 3)
    assert told["message"].startswith("hot_spot_temp_c is ")


def test_a_command_that_fails_changes_nothing_but_a_note(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = demo_bench(tmp_path, ("no-such-command-here",))
    run = ["run", "load_sweep", "--bench", str(bench), "--out", str(tmp_path / "run"), *QUICK]
    assert main(run) == 0
    assert "note: notify.command 'no-such-command-here' cannot" in capsys.readouterr().err
    assert (tmp_path / "run" / "efficiency.csv").is_file()


def test_an_unattended_run_that_is_refused_tells_it(tmp_path: Path) -> None:
    bench = demo_bench(tmp_path, keeping(tmp_path / "told.json"))
    run = ["run", "load_sweep", "--bench", str(bench), "--out", str(tmp_path / "run"), *QUICK]
    assert main([*run, "--unattended", "--drill", str(tmp_path)]) == 2
    told = json.loads((tmp_path / "told.json").read_text("utf-8"))
    assert (told["event"], told["exit_code"], told["run"]) == ("not-begun", 2, None)
    assert "ampworth drill" in told["message"]
    assert not (tmp_path / "run").exists()
