"""A run with nobody there is refused without a drill of today, of this bench and this module."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from runner import journal
from runner.alone import proof
from runner.alone.proof import (
    Wanted,
    check_identities,
    check_room,
    check_time,
    drill_relied_on,
    read_drill,
)
from runner.cli.main import main
from runner.clock import WallClock
from runner.errors import BadInput, BenchError, StorageError
from runner.files.toml_file import resolve
from runner.journal import Journal
from runner.run_folder import LEAST_FREE_BYTES, read_summary
from tests.runner.alone.drilled import Confirming, do_drill

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
KEEP = "import sys, pathlib; pathlib.Path(sys.argv[1]).write_text(sys.stdin.read())"
QUICK = ["--soak", "no", "--lines-v", "24", "--points", "2", "--samples", "2", "--audit", "no"]


@pytest.fixture(scope="module")
def passed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a bench file, a module file and a passed drill of both; not to be changed."""
    folder = tmp_path_factory.mktemp("passed")
    for kind in ("bench", "module"):
        shutil.copy(resolve("demo", kind), folder / f"{kind}.toml")
    bench, module = str(folder / "bench.toml"), str(folder / "module.toml")
    assert (
        do_drill(
            folder / "drills" / "2026-06-21_180000_boathouse_bench", bench=bench, module=module
        ).ending
        == "passed"
    )
    return folder


@pytest.fixture
def place(passed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of it to work in and to spoil."""
    folder = tmp_path / "place"
    shutil.copytree(passed, folder)
    monkeypatch.chdir(folder)
    return folder


def drill_of(place: Path) -> Path:
    (folder,) = (place / "drills").iterdir()
    return folder


def wanted(place: Path) -> Wanted:
    return Wanted(place / "bench.toml", place / "module.toml")


def relied_on(place: Path, now: datetime | None = None) -> proof.Drill:
    return drill_relied_on(wanted(place), None, now or datetime.now(UTC))


def run(*more: str) -> int:
    files = ["--bench", "bench.toml", "--module", "module.toml", "--out", "run"]
    return main(["run", "load_sweep", *QUICK, *files, "--unattended", *more])


# ----------------------------------------------------------------------- which drill serves


def test_the_newest_drill_that_serves_is_found_and_named_in_the_run(place: Path) -> None:
    assert run("--drill", str(drill_of(place))) == 0
    header = next(journal.read(Path("run") / journal.FILE_NAME))
    assert header["drill"]["folder"] == str(drill_of(place))
    assert header["drill"]["journal_sha256"] == proof.sha256_of(drill_of(place) / journal.FILE_NAME)
    assert read_summary(Path("run"))["drill"] == header["drill"]
    assert relied_on(place).folder == Path("drills") / drill_of(place).name


def test_a_newer_one_that_was_not_passed_does_not_hide_it(place: Path) -> None:
    bench, module = str(place / "bench.toml"), str(place / "module.toml")
    later = place / "drills" / "2026-06-21_190000_boathouse_bench"
    no = Confirming(instead={"tray": "no"})
    assert do_drill(later, person=no, bench=bench, module=module).ending == "failed"
    assert relied_on(place).folder.name.startswith("2026-06-21_180000")


def test_without_any_the_command_that_makes_one_is_named(place: Path) -> None:
    shutil.rmtree(place / "drills")
    with pytest.raises(BadInput) as refused:
        relied_on(place)
    assert f"ampworth drill {place / 'bench.toml'} --module {place / 'module.toml'}" in str(
        refused.value
    )
    assert "found none below" in str(refused.value)


@pytest.mark.parametrize(
    ("hours", "why"),
    [
        (-1.0, "which is yet to come"),
        (0.0, ""),
        (23.9, ""),
        (24.1, r"ended 24\.1 h ago, at most 24"),
    ],
)
def test_it_counts_for_24_hours(place: Path, hours: float, why: str) -> None:
    now = read_drill(drill_of(place)).ended + timedelta(hours=hours)
    if not why:
        assert relied_on(place, now).ended <= now
        return
    with pytest.raises(BadInput, match=why):
        relied_on(place, now)


@pytest.mark.parametrize("name", ["bench", "module"])
def test_a_file_that_was_changed_since_is_refused(place: Path, name: str) -> None:
    path = place / f"{name}.toml"
    path.write_text(path.read_text("utf-8") + "\n# one more line\n", "utf-8")
    with pytest.raises(BadInput, match=f"made with another {name} file, or .*was changed since"):
        relied_on(place)


def rewrite(folder: Path, change: Callable[[dict[str, Any]], object]) -> None:
    """Make the journal anew, its chain in order; a record that `change` empties is left out."""
    path = folder / journal.FILE_NAME
    records = list(journal.read(path))
    path.unlink()
    with closing(Journal(folder, WallClock())) as book:
        for record in records:
            change(record)
            values = {k: v for k, v in record.items() if k not in ("n", "kind", "t_s", "utc")}
            if record:
                book.write(record["kind"], **values)


def edit_a_word(folder: Path) -> None:
    path = folder / journal.FILE_NAME
    path.write_bytes(path.read_bytes().replace(b'"raw": "yes"', b'"raw": "yea"', 1))


def turn_failed_into_passed(folder: Path) -> None:
    path = folder / journal.FILE_NAME
    path.write_bytes(path.read_bytes().replace(b'"state": "not here"', b'"state": "passed"', 1))


def cut_off_the_end(folder: Path) -> None:
    path = folder / journal.FILE_NAME
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:-1]))


def take_it_away(folder: Path) -> None:
    (folder / journal.FILE_NAME).unlink()


def empty_it(folder: Path) -> None:
    (folder / journal.FILE_NAME).write_bytes(b"")


def edit_a_run(folder: Path) -> None:
    path = folder / "stop" / journal.FILE_NAME
    path.write_bytes(path.read_bytes() + b"\n")


def write_it_anew_with_less(folder: Path) -> None:
    rewrite(folder, lambda record: record.pop("inputs_sha256", None))


def take_a_run_away(folder: Path) -> None:
    shutil.rmtree(folder / "interlock")


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (edit_a_word, "the record is damaged"),
        (turn_failed_into_passed, "the record is damaged"),
        (cut_off_the_end, "cut off before its end"),
        (take_it_away, "there is no such file"),
        (empty_it, "is no folder of a drill"),
        (edit_a_run, "its run 'stop' was changed since"),
        (take_a_run_away, "cannot be read"),
        (write_it_anew_with_less, "cannot read the drill's records: KeyError"),
    ],
)
def test_a_drill_that_was_tampered_with_is_refused(
    place: Path, spoil: Callable[[Path], None], why: str
) -> None:
    given = drill_of(place)
    spoil(given)
    with pytest.raises(BadInput, match=why):
        drill_relied_on(wanted(place), given, datetime.now(UTC))


def test_the_folder_of_a_run_is_no_drill(place: Path) -> None:
    with pytest.raises(BadInput, match="is no folder of a drill"):
        read_drill(drill_of(place) / "limits")


def test_a_drill_without_the_parts_it_should_have_is_refused(place: Path) -> None:
    """A journal made anew, its chain in order, that only says that it was passed."""
    folder = drill_of(place)
    rewrite(folder, lambda record: record.clear() if "part" in record else None)
    with pytest.raises(BadInput, match="has no part 'person' that was passed"):
        read_drill(folder)


# ------------------------------------------------------------------------ who answers now


def test_boxes_that_are_not_those_of_the_drill_are_refused(place: Path) -> None:
    drill = read_drill(drill_of(place))
    check_identities(drill, drill.identities)
    check_identities(None, {"supply": "ANY"})
    other = dict(drill.identities) | {"load": "HARBOUR,LOAD 80-30,0,1"}
    with pytest.raises(BenchError, match="load: 'HARBOUR,LOAD 80-30,0,1' answers, in the drill"):
        check_identities(drill, other)


def test_a_run_meets_other_boxes_before_anything_is_energised(
    place: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    true = proof.read_drill

    def of_another_supply(folder: Path) -> proof.Drill:
        drill = true(folder)
        return replace(drill, identities=dict(drill.identities) | {"supply": "HARBOUR"})

    monkeypatch.setattr(proof, "read_drill", of_another_supply)
    assert run("--drill", str(drill_of(place))) == 4
    assert "Do a drill with the boxes that are there now" in capsys.readouterr().err
    assert not Path("run").exists()


# -------------------------------------------------------------------------- time and room


def test_a_run_planned_for_longer_than_there_is_is_refused() -> None:
    check_time(3600.0, None)
    check_time(3600.0, 1.0)
    with pytest.raises(BadInput, match=r"--within-h 0\.5: the run is planned for 1\.00 h"):
        check_time(3600.0, 0.5)


def test_a_disk_without_room_for_the_planned_run_is_refused(tmp_path: Path) -> None:
    assert "are free at" in check_room(tmp_path / "not" / "yet", 60.0)
    with pytest.raises(StorageError, match="make room or choose another disk with --out"):
        check_room(tmp_path, 1e12)


def test_a_run_writes_no_more_than_is_reckoned_with(place: Path) -> None:
    assert run() == 0
    written = sum(path.stat().st_size for path in Path("run").rglob("*") if path.is_file())
    end = list(journal.read(Path("run") / journal.FILE_NAME))[-1]
    assert written < LEAST_FREE_BYTES + proof.BYTES_PER_S * end["t_s"]


# ---------------------------------------------------------------------------- the command


def test_a_simulated_bench_needs_no_drill(place: Path) -> None:
    shutil.rmtree(place / "drills")
    assert run("--within-h", "12") == 0
    assert next(journal.read(Path("run") / journal.FILE_NAME))["drill"] is None


def test_real_boxes_without_a_drill_are_refused_before_they_are_spoken_to(
    place: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = place / "bench.toml"  # none of its addresses can be reached: that would be code 4
    path.write_text(path.read_text("utf-8").replace('visa = "simulated"', 'visa = "pure-python"'))
    assert run() == 2
    said = capsys.readouterr().err
    assert "made with another bench file" in said and "Do one: ampworth drill" in said
    assert not Path("run").exists()


@pytest.mark.parametrize("option", [["--drill", "x"], ["--within-h", "3"]])
def test_what_goes_with_unattended_is_not_ignored_without_it(
    option: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["run", "load_sweep", *option]) == 2
    assert "they go with --unattended" in capsys.readouterr().err


# ----------------------------------------------------- a served bench, whose outputs stay on


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Path]:
    """The bench file of a served demo bench that tells when contact is lost."""
    path = tmp_path / "served.toml"
    arguments = [*AMPWORTH, "sim", "serve", "demo", "--write-bench", str(path), "--speed", "60"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert "written" in server.stdout.readline()
        command = json.dumps([sys.executable, "-c", KEEP, "told.json"])
        path.write_text(f"{path.read_text('utf-8')}\n[notify]\ncommand = {command}\n", "utf-8")
        yield path
        server.terminate()
        assert server.wait(10) == 0


@pytest.mark.skipif(os.name != "posix", reason="POSIX signals")
def test_a_bench_drilled_today_is_run_alone_and_a_runner_that_dies_is_told_of(
    served: Path, tmp_path: Path
) -> None:
    alone = [*AMPWORTH, "run", "load_sweep", *QUICK[:6], "--bench", str(served), "--unattended"]
    refused = subprocess.run(
        [*alone, "--out", "refused"], cwd=tmp_path, capture_output=True, text=True
    )
    assert refused.returncode == 2 and "found none below" in refused.stderr
    assert json.loads((tmp_path / "told.json").read_text("utf-8"))["event"] == "not-begun"
    (tmp_path / "told.json").unlink()

    assert do_drill(tmp_path / "drills" / "today", bench=str(served)).ending == "passed"
    (tmp_path / "told.json").unlink()  # of the runner that the drill killed
    with subprocess.Popen([*alone, "--out", "run"], cwd=tmp_path, stderr=subprocess.PIPE) as begun:
        until(lambda: '"step": "Draw"' in text_of(tmp_path / "run" / journal.FILE_NAME))
        begun.send_signal(signal.SIGKILL)
    until(lambda: text_of(tmp_path / "told.json").endswith("}"))
    told = json.loads(text_of(tmp_path / "told.json"))
    assert told["event"] == "lost-contact" and told["exit_code"] is None
    assert told["message"] == "the runner died; every output is off"
    assert (told["sequence"], told["unconfirmed"]) == ("load_sweep", [])
    assert told["run"] == str(tmp_path / "run")


@pytest.mark.skipif(not Path("/proc/self/stat").is_file(), reason="finds the watchdog by /proc")
def test_the_watchdog_acts_though_the_service_manager_sends_it_sigterm(
    served: Path, tmp_path: Path
) -> None:
    """What KillMode=control-group does once the main process was killed: systemd.kill(5)."""
    command = [*AMPWORTH, "run", "load_sweep", *QUICK[:6], "--bench", str(served), "--out", "run"]
    with subprocess.Popen(command, cwd=tmp_path, stderr=subprocess.PIPE) as begun:
        until(lambda: '"step": "Draw"' in text_of(tmp_path / "run" / journal.FILE_NAME))
        (watchdog,) = children_of(begun.pid)
        begun.send_signal(signal.SIGKILL)
        os.kill(watchdog, signal.SIGTERM)
    until(lambda: "every output is off" in text_of(tmp_path / "run" / "watchdog.log"))


def children_of(pid: int) -> list[int]:
    """The processes that a process has started."""
    stats = [text_of(path) for path in Path("/proc").glob("[0-9]*/stat")]
    fields = [(stat.partition(" ")[0], stat.rpartition(")")[2].split()) for stat in stats if stat]
    return [int(child) for child, (_, parent, *_) in fields if int(parent) == pid]


def text_of(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except OSError:
        return ""


def until(happened: Callable[[], bool], within_s: float = 30.0) -> None:
    end_s = time.monotonic() + within_s
    while not happened():
        assert time.monotonic() < end_s
        time.sleep(0.05)
