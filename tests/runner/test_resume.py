"""A run that was cut goes on, wherever it was cut, with the same outputs; or is refused."""

from __future__ import annotations

import errno
import random
import shutil
from pathlib import Path

import pytest

from runner import journal
from runner.cli.main import main
from runner.journal import FILE_NAME
from runner.past import Standing
from runner.steps import Draw, PowerDown, PowerUp, Read, Release, SetLine, Settle, Soak, Step
from sim.faults import Fault
from tests.runner.live import Heard, Live

OUTPUTS = ("readings.csv", "efficiency.csv", "derating.csv", "budget.csv")
SWEEP = ["run", "load_sweep", "--lines-v", "24", "--points", "3", "--samples", "3"]
SWEEP += ["--warm-up-s", "1", "--soak-a", "2", "--bench", "demo"]
STEPS = """from runner import *

def sequence(setup: Setup, n: int = 3) -> Steps:
    yield PowerUp(24.0)
    for k in range(n):
        yield Draw(0.5 * (k + 1))
        yield Settle()
        yield Read()
    yield PowerDown()
"""


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A short sweep with a soak that went through."""
    folder = tmp_path_factory.mktemp("whole") / "run"
    assert main([*SWEEP, "--out", str(folder)]) == 0
    return folder


def cut(whole: Path, folder: Path, size: int) -> Path:
    """A copy of a run whose journal ends after `size` bytes, and which has no tables."""
    shutil.copytree(whole, folder)
    for name in (*OUTPUTS, "report.html"):
        (folder / name).unlink()
    with (folder / FILE_NAME).open("r+b") as file:
        file.truncate(size)
    return folder


def own_run(folder: Path, text: str = STEPS) -> tuple[Path, Path]:
    """A run of a sequence file, cut after its fourth outcome: the file and the run folder."""
    file, run = folder / "own.py", folder / "run"
    file.write_text(text, "utf-8")
    assert main(["run", str(file), "--out", str(run)]) == 0
    lines = (run / FILE_NAME).read_bytes().splitlines(keepends=True)
    fourth = [k for k, line in enumerate(lines) if b'"kind": "outcome"' in line][3]
    (run / FILE_NAME).write_bytes(b"".join(lines[: fourth + 1]))
    return file, run


@pytest.mark.parametrize("seed", range(8))
def test_a_journal_cut_at_any_byte_is_gone_on_with_to_the_same_outputs(
    whole: Path, tmp_path: Path, seed: int
) -> None:
    content = (whole / FILE_NAME).read_bytes()
    end = content.rindex(b'{"n"')  # before the record of the end
    size = random.Random(seed).randrange(content.index(b"\n") + 1, end)
    folder = cut(whole, tmp_path / "run", size)
    assert main(["resume", str(folder)]) == 0
    for name in OUTPUTS:
        assert (folder / name).read_bytes() == (whole / name).read_bytes(), (name, size)
    assert sum(r["kind"] == "resumed" for r in journal.read(folder / FILE_NAME)) == 1


def test_a_run_that_is_cut_again_and_again_still_gives_the_same(
    whole: Path, tmp_path: Path
) -> None:
    folder = cut(whole, tmp_path / "run", len((whole / FILE_NAME).read_bytes()) // 3)
    for share in (0.5, 0.8):
        assert main(["resume", str(folder)]) == 0
        content = (folder / FILE_NAME).read_bytes()
        (folder / FILE_NAME).write_bytes(content[: int(share * len(content))])
    assert main(["resume", str(folder)]) == 0
    for name in OUTPUTS:
        assert (folder / name).read_bytes() == (whole / name).read_bytes()


def test_a_run_that_was_stopped_goes_on_and_the_stop_is_told(
    tmp_path: Path, whole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, run = own_run(tmp_path)
    shutil.copytree(run, tmp_path / "stopped")
    (tmp_path / "stopped" / "stop").write_text('{"who": "somebody"}', "utf-8")
    assert main(["resume", str(run)]) == 0
    text = capsys.readouterr().out
    assert "the program or its computer died" in text
    assert "resumed" in (run / "report.html").read_text("utf-8").lower()
    assert file.is_file()


@pytest.mark.parametrize("cut_to", [0, 100])
def test_a_run_without_a_whole_record_has_nothing_to_resume(
    whole: Path, tmp_path: Path, cut_to: int, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = cut(whole, tmp_path / "run", cut_to)
    assert main(["resume", str(folder)]) == 2
    assert "nothing was measured" in capsys.readouterr().err


def test_a_run_that_came_to_its_end_is_not_resumed(
    whole: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    before = (whole / FILE_NAME).read_bytes()
    assert main(["resume", str(whole)]) == 2
    assert "nothing to resume" in capsys.readouterr().err
    assert (whole / FILE_NAME).read_bytes() == before


def test_a_changed_sequence_is_refused_with_the_line_that_differs(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, run = own_run(tmp_path)
    file.write_text(STEPS.replace("0.5 * (k + 1)", "0.6 * (k + 1)"), "utf-8")
    before = (run / FILE_NAME).read_bytes()
    assert main(["resume", str(run)]) == 2
    said = capsys.readouterr().err
    assert "line 6 was 'yield Draw(0.5 * (k + 1))', it is 'yield Draw(0.6 * (k + 1))'" in said
    assert (run / FILE_NAME).read_bytes() == before


def test_a_sequence_that_is_gone_is_taken_from_the_run_itself(tmp_path: Path) -> None:
    file, run = own_run(tmp_path)
    file.unlink()
    assert main(["resume", str(run)]) == 0


@pytest.mark.parametrize("is_there", [True, False])
def test_a_kept_copy_that_was_lost_is_missed_only_where_the_file_is_gone_too(
    is_there: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, run = own_run(tmp_path)
    (run / "inputs" / "sequence.py").write_text("# edited\n", "utf-8")
    if not is_there:
        file.unlink()
    assert main(["resume", str(run)]) == (0 if is_there else 2)
    if not is_there:
        said = capsys.readouterr().err
        assert "is gone, and its copy" in said and "no longer the one of the run" in said


def test_what_the_files_do_not_show_is_found_at_the_first_step_that_differs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = "import os\n" + STEPS.replace("0.5 * (k + 1)", 'float(os.environ["LOAD_A"])')
    monkeypatch.setenv("LOAD_A", "1.0")
    _, run = own_run(tmp_path, text)
    monkeypatch.setenv("LOAD_A", "1.5")
    assert main(["resume", str(run)]) == 2
    assert "at step 1 the run did Draw(iout_a=1.0)" in capsys.readouterr().err


def test_a_tripped_run_goes_on_only_when_a_person_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, run = own_run(tmp_path)
    records = list(journal.read(run / FILE_NAME))
    with_end = journal.Journal(run, Still(), go_on=True)
    with_end.write("trip", quantity="iin_a", value=9.0, limit=3.0, source="the test")
    with_end.write("end", ending="tripped", message="iin_a is 9", exit_code=3)
    with_end.close()
    assert main(["resume", str(run)]) == 2
    assert "--after-trip" in capsys.readouterr().err
    assert main(["resume", str(run), "--after-trip"]) == 0
    standing = list(journal.read(run / FILE_NAME))
    assert len(records) < len(standing)
    assert not [r for r in standing if r["kind"] == "trip"]


class Still:
    """A clock that stands."""

    def now_s(self) -> float:
        return 100.0

    def utc(self):  # type: ignore[no-untyped-def]
        from datetime import UTC, datetime

        return datetime(2026, 6, 21, tzinfo=UTC)

    def sleep(self, s: float) -> None:
        raise AssertionError


def test_a_full_disk_ends_the_run_safely_and_it_goes_on_once_there_is_room(
    tmp_path: Path, whole: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really, left = journal._write_all, [150]

    def write(descriptor: int, line: bytes) -> None:
        left[0] -= 1
        if left[0] < 0:
            raise OSError(errno.ENOSPC, "No space left on device")
        really(descriptor, line)

    monkeypatch.setattr(journal, "_write_all", write)
    folder = tmp_path / "run"
    assert main([*SWEEP, "--out", str(folder)]) == 7
    assert main(["resume", str(folder)]) == 7  # still full
    monkeypatch.setattr(journal, "_write_all", really)
    assert main(["resume", str(folder)]) == 0
    for name in OUTPUTS:
        assert (folder / name).read_bytes() == (whole / name).read_bytes()


def test_readings_during_which_a_box_lost_step_are_set_aside_and_taken_again(live: Live) -> None:
    def garble(index: int, step: Step) -> None:
        if isinstance(step, Read) and index == 3 and live.bench is not None:
            faults = live.bench.devices[live.bench.resources["load"]].faults
            faults.switch_on(Fault("garbage", skip=4))

    file = live.folder / "own.py"
    file.write_text(STEPS, "utf-8")
    done = live.run(str(file), heard=Heard(garble))
    assert done.ending.name == "done"
    kinds = [kind for kind in ("sample", "invalid") for _ in live.records() if _["kind"] == kind]
    assert kinds == ["sample"] * 30 + ["invalid"]  # three points of ten
    text = (live.folder / "run" / FILE_NAME).read_text("utf-8")
    assert text.count('"kind": "sample"') == 40


def test_a_bench_with_another_box_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from drivers.link import Link

    _, run = own_run(tmp_path)
    monkeypatch.setattr(Link, "identity", lambda link: "somebody else's box")
    before = (run / FILE_NAME).read_bytes()
    assert main(["resume", str(run)]) == 4
    assert "resumed on the same bench only" in capsys.readouterr().err
    assert (run / FILE_NAME).read_bytes() == before


def test_what_stands_is_what_the_last_steps_left_set() -> None:
    standing = Standing()
    for step in (PowerUp(24.0), Draw(1.0), Draw(2.0), Settle(), SetLine(20.0), Soak()):
        standing.take(step)
    assert standing.path == [PowerUp(24.0), Draw(2.0), SetLine(20.0)]
    assert (standing.rest, standing.soak) == (None, Soak())
    standing.take(Release())
    assert standing.path == [PowerUp(24.0), Draw(2.0), SetLine(20.0), Release()]
    assert standing.soak is None
    standing.take(PowerDown())
    assert standing.path == []
