"""The short tables of a run, as text ready to be shown."""

from pathlib import Path

import pytest

from runner.report.summary import ShortTable, Summary, summarise
from runner.report.tables import tables_of
from tests.runner.report.journals import LOADS_A, point, records, sweep_points


def summary(tmp_path: Path, *args: object, **how: object) -> Summary:
    return summarise(tables_of(records(*args, **how), tmp_path))  # type: ignore[arg-type]


def table(found: Summary, title: str) -> ShortTable:
    return next(t for t in found.tables if t.title.startswith(title))


def test_facts_tell_what_was_run_and_how_it_ended(tmp_path: Path) -> None:
    facts = dict(summary(tmp_path).facts)
    assert facts["module"] == "9 V mast regulator, unit 1"
    assert facts["ending"] == "done: the sequence came to its end"
    assert facts["points"] == "19 from 57 samples"


def test_a_cut_journal_says_so(tmp_path: Path) -> None:
    facts = dict(summary(tmp_path, end=False).facts)
    assert facts["ending"] == "the journal has no end: cut off"


def test_a_table_left_out_is_named_with_its_reason(tmp_path: Path) -> None:
    found = summary(tmp_path, [point(24.0, load_a) for load_a in LOADS_A])
    assert "soaked until settled" in dict(found.facts)["no derating.csv"]
    assert [t.title.split(" ")[0] for t in found.tables] == ["Fast"]


def test_more_power_out_than_in_is_told(tmp_path: Path) -> None:
    points = [one | {"iin_a": 0.8 * one["iin_a"]} for one in sweep_points()]
    told = dict(summary(tmp_path, points).facts)
    assert told["IMPOSSIBLE"].startswith("more power out than in, beyond")


def test_sweeps_have_a_row_a_line_and_regulation_of_nominal(tmp_path: Path) -> None:
    sweeps = table(summary(tmp_path), "Fast points")
    assert [row[0] for row in sweeps.rows] == ["20", "24", "30"]
    # 12 mohm from 0.4 A to 4 A is 43.2 mV, 0.48 % of 9 V.
    assert sweeps.rows[1][sweeps.header.index("load regulation")] == "0.48 %"


def mean_of(sweeps: ShortTable) -> str:
    return sweeps.rows[0][sweeps.header.index("4-point mean")]


def test_four_point_mean_is_the_mean_of_the_four_efficiencies(tmp_path: Path) -> None:
    # 10 CFR 430 Subpart B Appendix Z, 82.0, 86.0, 87.0, 86.5 % -> 85.375 %, shown to 0.01.
    points = [
        point(24.0, share * 4.0, iin_a=(9.0 * share * 4.0) / eff / 24.0, vout_v=9.0)
        for share, eff in ((0.25, 0.82), (0.5, 0.86), (0.75, 0.87), (1.0, 0.865))
    ]
    sweeps = table(summary(tmp_path, points), "Fast points")
    assert float(mean_of(sweeps).removesuffix(" %")) == pytest.approx(85.375, abs=0.0051)
    points[3] |= {"flags": ["LOAD_UNREGULATED"], "load_mode": "UNREGULATED"}
    sweeps = table(summary(tmp_path, points), "Fast points")
    assert mean_of(sweeps) == "85.00 %, not 100%"


def test_fast_and_soaked_points_never_share_a_table(tmp_path: Path) -> None:
    found = summary(tmp_path)
    assert len(table(found, "Soaked").rows) == 4
    assert sum(int(row[1]) for row in table(found, "Fast points").rows) == 15


def test_derating_names_limit_basis_and_kelvins(tmp_path: Path) -> None:
    greatest = table(summary(tmp_path), "Greatest")
    cells = {row[0]: dict(zip(greatest.header, row, strict=True)) for row in greatest.rows}
    assert cells["45"]["at 24 V"] == "3.84 A"
    assert cells["45"]["limited by"] == "hot-spot"
    assert cells["45"]["basis"] == "extrapolated 20 K"
    assert "55" not in cells  # 30 K from the soaks: refused at every line
    assert cells["25"]["at 24 V"].startswith("~")  # beyond the loads soaked
    assert cells["25"]["at 30 V"].startswith("~")  # a line not soaked at


def test_line_regulation_names_its_denominator(tmp_path: Path) -> None:
    points = sweep_points()
    for values in points:
        if values["line_set_v"] == 30.0:
            values["vout_v"] += 0.018
    # 18 mV of 9 V between 20 and 30 V.
    facts = dict(summary(tmp_path, points).facts)
    assert facts["line regulation"] == "0.20 % of nominal, 20 to 30 V at 2 A"
