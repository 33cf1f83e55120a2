"""`ampworth protect` without a run: the table, JSON, and every mistake in one line."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from runner.cli.main import main


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(["protect", *arguments])
    out, err = capsys.readouterr()
    return code, out, err


def test_without_anything_three_parts_are_priced_for_the_demo_module(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(capsys, "--out", str(tmp_path))
    assert code == 0
    assert out.startswith("9 V mast regulator, efficiency stated: 86 % ± 2 points")
    for kind in ("schottky", "p-channel", "fuse-and-clamp"):
        assert f"{kind}: " in out
    assert "needs a Zener diode" in out  # 30 V on a gate that bears 20 V
    table = pd.read_csv(tmp_path / "protection.csv")
    assert len(table) == 3 * 3 * 2
    assert (table.extra_w > 0).all()


def test_json_holds_the_rows_of_the_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = said(capsys, "--json", "--out", str(tmp_path), "--kind", "p-channel")
    found = json.loads(out)
    table = pd.read_csv(tmp_path / "protection.csv")
    assert list(found["rows"][0]) == list(table.columns)
    assert [row["extra_w"] for row in found["rows"]] == pytest.approx(
        table.extra_w.tolist(), rel=1e-5
    )
    assert [one["part"] for one in found["parts"]] == ["p-channel"]


def test_a_data_sheet_is_taken_at_its_word(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """0.5 V at the very current that flows: 36 W / 0.86 at 24 V less 0.5 V are 1.781 A."""
    drop = ("--drop-v", "0.5", "--drop-at-a", "1.7814", "--ambient-c", "27")
    asked = ("--lines-v", "24", "--loads-a", "4", "--kind", "schottky")
    code, _, _ = said(capsys, "--out", str(tmp_path), *drop, *asked)
    assert code == 0
    (row,) = pd.read_csv(tmp_path / "protection.csv").itertuples()
    assert row.drop_v == pytest.approx(0.5, abs=1e-4)
    assert row.part_w == pytest.approx(0.8906, abs=3e-4)


def test_the_protection_of_the_module_file_is_the_one_priced(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from runner.files.toml_file import resolve

    demo = resolve("demo", "module").read_text("utf-8")
    text = demo.replace('kind = "none" #', 'kind = "p-channel"\np_channel_ohm = 0.011 #')
    (tmp_path / "own.toml").write_text(text, "utf-8")
    code, out, err = said(capsys, "--module", str(tmp_path / "own.toml"), "--out", str(tmp_path))
    assert code == 0, err
    assert "p-channel: 0.011 ohm" in out and "schottky" not in out


def test_a_hot_diode_that_runs_away_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hot = ("--k-per-w", "80", "--ambient-c", "80", "--kind", "schottky")
    _, out, _ = said(capsys, "--out", str(tmp_path), *hot, "--set", "diode.leakage_a=0.0002")
    assert "RUNS AWAY at 80 °C" in out


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--kind", "zener"], "argument --kind: invalid choice: 'zener'"),
        (["--set", "fuse_ohm=0.1"], "--set: belongs to one part, found 3; name it with --kind"),
        (["--kind", "schottky", "--set", "fuse_ohm=1"], "fuse_ohm"),
        (["--kind", "schottky", "--set", "drop"], "--set: found 'drop'; allowed: a key of"),
        (["--kind", "schottky", "--drop-v", "0.5"], "--drop-v and --drop-at-a: found one of them"),
        (["--drop-v", "0.5", "--drop-at-a", "3"], "--drop-v: belongs to --kind schottky, found"),
        (["--efficiency-pct", "120"], "--efficiency-pct: found 120.0; allowed: 1 to 99.9 %"),
        (["--lines-v", "24;30"], "--lines-v: found '24;30'; allowed: numbers in V"),
        (["--loads-a", "0"], "--loads-a: found '0'; allowed: numbers above 0 A"),
        (["--ambient-c", "nan"], "--ambient-c: found nan; allowed: -50 to 300 °C"),
        (["--measured", "runs/with"], "--measured: needs the run of the bare module as well"),
        (["runs/none"], "runs/none/journal.jsonl"),
        (["runs/none", "--efficiency-pct", "86"], "--efficiency-pct: goes without a run"),
    ],
)
def test_every_mistake_gets_one_clear_line(
    arguments: list[str], message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = said(capsys, "--out", str(tmp_path), *arguments)
    assert code == 2
    assert message in err
    assert not (tmp_path / "protection.csv").exists()


def test_what_cannot_be_carried_says_so_in_its_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ("--kind", "p-channel", "--set", "p_channel_ohm=4.0", "--lines-v", "20,30")
    code, out, _ = said(capsys, "--out", str(tmp_path), "--loads-a", "4", *arguments)
    assert code == 0
    assert "20 V, 4 A: 20 V cannot carry 36 W through this part" in " ".join(out.split())
    table = pd.read_csv(tmp_path / "protection.csv")
    assert table.part_w.isna().tolist() == [True, False]
