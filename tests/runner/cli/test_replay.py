"""`ampworth replay`: what it says, its exit codes, and a run on another bench beside the first."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from runner.cli.main import main
from runner.report.record import RunRecord
from runner.report.same_box import key_of

SWEEP = ("load_sweep", "--points", "3", "--lines-v", "24", "--soak", "no", "--audit", "no")


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("recorded") / "first"
    assert main(["run", *SWEEP, "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def run(recorded: Path, tmp_path: Path) -> Path:
    """A copy that a test may change."""
    return shutil.copytree(recorded, tmp_path / "first")


def test_the_same_is_said_with_what_was_compared(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = said(capsys, "replay", str(run))
    assert (code, err) == (0, "")
    assert "verdict     same: this version sends the same lines" in out
    assert "3 tables" in out and "times apart by 0 ms" in out and "difference" not in out


def test_a_difference_has_its_own_exit_code_and_names_both_sides(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = run / "efficiency.csv"
    first = pd.read_csv(table).ploss_w[0]
    table.write_text(table.read_text("utf-8").replace(f"{first}", "9.875", 1), "utf-8")
    code, out, err = said(capsys, "replay", str(run))
    assert code == 10 and "ampworth: differs (tables)" in err
    assert "difference  tables: efficiency.csv, line 2, ploss_w" in out
    assert "recorded  9.875" in out
    code, out, _ = said(capsys, "replay", str(run), "--json")
    told = json.loads(out)
    assert code == told["exit_code"] == 10 and told["same"] is False
    assert told["differences"][0]["recorded"] == "9.875"


def test_no_run_folder_and_options_that_do_not_go_together_are_refused(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = said(capsys, "replay", str(tmp_path / "nowhere"))
    assert code == 2 and "there is no such folder" in err
    code, _, err = said(capsys, "replay", str(run), "--module", "demo")
    assert code == 2 and "--module goes with --on" in err
    for where in ([], ["--on", "demo"]):
        code, _, err = said(capsys, "replay", str(run), *where, "--out", str(run / "again"))
        assert code == 2 and "which is evidence" in err and not (run / "again").exists()


def test_a_killed_run_that_was_resumed_is_replayed_in_its_first_session(
    run: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = (run / "journal.jsonl").read_bytes().splitlines(keepends=True)
    (run / "journal.jsonl").write_bytes(b"".join(lines[: len(lines) // 2]))
    wire = (run / "wire.log").read_bytes()
    (run / "wire.log").write_bytes(wire[: len(wire) // 2])
    assert said(capsys, "resume", str(run))[0] == 0
    code, out, _ = said(capsys, "replay", str(run))
    assert code == 0 and "resumed later, this is its first session" in out


def test_on_another_bench_the_same_steps_are_run_and_laid_over_the_first(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out_folder = tmp_path / "again"
    code, out, _ = said(capsys, "replay", str(run), "--on", "demo", "--out", str(out_folder))
    assert code == 0 and "again less first, fast points" in out
    assert (out_folder / "comparison.svg").is_file()
    table = pd.read_csv(out_folder / "comparison.csv")
    # Bench, seed and steps are the same: so is every reading.
    assert (table.difference == 0.0).all() and len(table) >= 9
    header = json.loads((out_folder / "run.json").read_text("utf-8"))
    first = json.loads((run / "run.json").read_text("utf-8"))
    assert header["parameters"] == first["parameters"] and header["sequence"] == "load_sweep"


def test_a_real_bench_may_be_laid_over_its_own_boxes_simulated(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = run / "inputs" / "bench.toml"
    text = bench.read_text("utf-8")
    bench.write_text(text.replace('visa = "simulated"', 'visa = "pure-python"'), "utf-8")
    code, out, _ = said(
        capsys, "replay", str(run), "--on", "twin", "--out", str(tmp_path / "twin"), "--json"
    )
    told = json.loads(out)["comparisons"][0]
    assert code == 0 and told["run_b"] == "twin"
    assert any("twin of" in str(one) for one in told["differing"])


def test_a_simulated_box_is_never_taken_for_the_real_one_of_its_name() -> None:
    identities = {"supply": "BOATHOUSE,SUPPLY 40-5,24117,1.0"}
    real, twin = (
        RunRecord({"bench": {"visa": visa, "instruments": {}}, "identities": identities})
        for visa in ("pure-python", "simulated")
    )
    assert key_of(real, "supply") == key_of(real, "supply") != key_of(twin, "supply")


def test_a_bench_that_cannot_carry_the_run_refuses_it_as_run_does(
    run: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (run / "inputs" / "bench.toml").read_text("utf-8")
    small = tmp_path / "small.toml"
    assert "fuse_a = " in text
    line = next(line for line in text.splitlines() if line.startswith("fuse_a = "))
    small.write_text(text.replace(line, "fuse_a = 0.5"), "utf-8")
    code, _, err = said(
        capsys, "replay", str(run), "--on", str(small), "--out", str(tmp_path / "x")
    )
    assert code == 2 and "fuse_a" in err and not (tmp_path / "x").exists()
