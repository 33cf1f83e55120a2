"""`ampworth compare` and the page of `ampworth report`, from the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from runner.cli.main import main
from tests.runner.report.journals import MODULE, point, run_values, write_journal


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def runs(tmp_path: Path) -> tuple[str, str]:
    """Two runs of two units."""
    for name in ("first", "second"):
        (tmp_path / name).mkdir()
        write_journal(tmp_path / name, run=run_values(module=MODULE | {"unit": name}))
    return str(tmp_path / "first"), str(tmp_path / "second")


def test_compare_writes_both_files_and_says_what_differs(
    runs: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out_folder = tmp_path / "out"
    code, out, err = said(capsys, "compare", *runs, "--out", str(out_folder))
    assert (code, err) == (0, "")
    assert sorted(path.name for path in out_folder.iterdir()) == [
        "comparison.csv",
        "comparison.svg",
    ]
    assert "module unit: first | second" in out
    assert "second less first, fast points" in out and "no serial number is known" in out


def test_without_out_the_files_are_in_the_folder_one_is_in(
    runs: tuple[str, str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    assert said(capsys, "compare", *runs)[0] == 0
    assert Path("comparison.csv").is_file() and Path("comparison.svg").is_file()


def test_json_carries_rows_conditions_and_files(
    runs: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(capsys, "compare", *runs, "--json", "--out", str(tmp_path))
    result = json.loads(out)
    (one,) = result["comparisons"]
    assert code == 0 and set(result["written"]) == {"comparison.csv", "comparison.svg"}
    assert {"name": "module unit", "a": "first", "b": "second"} in one["differing"]
    assert {"efficiency_pct", "ploss_w", "vout_v"} <= {row["quantity"] for row in one["rows"]}


def test_what_is_not_comparable_is_one_message_and_nothing_is_written(
    runs: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    other = tmp_path / "other"
    other.mkdir()
    write_journal(other, [point(12.0, 1.0)], run=run_values(module=MODULE | {"vout_set_v": 5.0}))
    out_folder = tmp_path / "out"
    code, out, err = said(capsys, "compare", runs[0], str(other), "--out", str(out_folder))
    assert code == 2 and out == "" and not out_folder.exists()
    assert err.count("\n") == 1
    assert "different set voltages, 9 V and 5 V" in err and "no line in common" in err


def test_one_run_or_no_run_folder_is_refused(
    runs: tuple[str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "two or more" in said(capsys, "compare", runs[0])[2]
    code, _, err = said(capsys, "compare", runs[0], str(tmp_path / "nowhere"))
    assert code == 2 and "nowhere" in err and "there is no such file" in err


def test_report_writes_the_page_and_names_it(
    runs: tuple[str, str], capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(capsys, "report", runs[0])
    page = Path(runs[0]) / "report.html"
    assert code == 0 and str(page) in out
    first = page.read_bytes()
    page.unlink()
    assert json.loads(said(capsys, "report", runs[0], "--json")[1])["written"]["report.html"]
    assert page.read_bytes() == first
