"""Verdicts from a journal: the file, its bytes, drift, claims of another file, the headline."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest

from runner.analysis.decision import Rule
from runner.report.columns import VERDICTS
from runner.report.judged_run import JudgedRun, judge_run
from runner.report.verdicts import headline, with_u, worth_words, write_verdicts
from tests.runner.report.journals import (
    MODULE,
    SOURCES,
    point,
    run_values,
    sweep_points,
    write_journal,
)

CLAIMS: tuple[dict[str, Any], ...] = (
    {"about": "rated-current", "iout_min_a": 4.0, "ambient_temp_c": 25.0, "source": "label"},
    {"about": "efficiency", "efficiency_min_pct": 92.0, "iout_a": 2.0, "source": "page, 2026"},
    {
        "about": "efficiency-curve",
        "points": [{"iout_a": a, "efficiency_pct": 85.0} for a in (1.0, 2.0, 5.0)],
        "source": "picture",
    },
    {
        "about": "load-regulation",
        "regulation_max_pct": 1.0,
        "denominator": "vout-nominal",
        "source": "page",
    },
    {"about": "temperature-rise", "rise_max_k": 23.9, "iout_a": 2.0, "source": "mail"},
    {"about": "no-load-current", "iin_max_a": 0.01, "source": "page"},
)
RULE = Rule("guard-band")


def run_in(folder: Path, points: list[dict[str, Any]] | None = None, **changes: Any) -> Path:
    module = MODULE | {"claims": list(CLAIMS)} | changes.pop("module", {})
    sources = SOURCES | {"vin_v": "measured"}
    write_journal(folder, points, run=run_values(module=module, sources=sources, **changes))
    return folder


def judged(folder: Path, points: list[dict[str, Any]] | None = None, **changes: Any) -> JudgedRun:
    return judge_run(run_in(folder, points, **changes), RULE)


def verdicts(found: JudgedRun) -> list[str]:
    return [claim.verdict for claim in found.claims]


def test_verdicts_csv_has_a_row_a_part_and_one_that_decides(tmp_path: Path) -> None:
    found = judged(tmp_path)
    write_verdicts(found, tmp_path)
    table = pd.read_csv(tmp_path / "verdicts.csv")
    assert list(table.columns) == [column.name for column in VERDICTS]
    decides = table[table["decides"]]
    assert list(decides["claim"]) == [1, 2, 3, 4, 5, 6]
    assert list(decides["verdict"]) == verdicts(found)
    regulation = decides[decides["about"] == "load-regulation"].iloc[0]
    # 12 mohm x 3.6 A of 9 V: by hand, as the physics of these journals says.
    assert regulation["measured"] == pytest.approx(0.48, abs=1e-6)
    assert regulation["margin"] == pytest.approx(0.52, abs=1e-3)
    assert regulation["verdict"] == "pass"
    assert regulation["conformance_probability"] == 1.0
    efficiency = decides[decides["about"] == "efficiency"].iloc[0]
    assert efficiency["verdict"] == "fail" and efficiency["conformance_probability"] == 0.0
    assert efficiency["accepted_least"] == pytest.approx(92.0 + efficiency["expanded_u"], abs=1e-3)
    assert efficiency["margin_in_u"] == pytest.approx(
        efficiency["margin"] / efficiency["expanded_u"], rel=0.01
    )
    curve = table[table["about"] == "efficiency-curve"]
    assert list(curve["verdict"]) == ["pass", "pass", "not-comparable"]
    assert list(curve["decides"]) == [False, False, True]
    assert verdicts(found)[5] == "not-comparable"  # no point without a load


def test_the_same_journal_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        write_verdicts(judged(tmp_path / name), tmp_path / name)
        write_verdicts(judge_run(tmp_path / name, RULE), tmp_path / name)
    for name in ("verdicts.csv", "claims.svg"):
        one, other = ((tmp_path / folder / name).read_bytes() for folder in ("a", "b"))
        assert one == other


def test_the_plot_is_whole_and_shows_what_was_claimed(tmp_path: Path) -> None:
    write_verdicts(judged(tmp_path), tmp_path)
    root = ElementTree.fromstring((tmp_path / "claims.svg").read_text("utf-8"))
    texts = " ".join(text for element in root.iter() if (text := element.text))
    for shown in ("Efficiency at 24 V", "Worth at 24 V", "claim 1", "claim 3", "load (A)", "95 %"):
        assert shown in texts


def test_the_plot_of_a_run_without_points_is_still_whole(tmp_path: Path) -> None:
    found = judged(tmp_path, [point(24.0, 2.0, settled=False)])
    write_verdicts(found, tmp_path)
    ElementTree.fromstring((tmp_path / "claims.svg").read_text("utf-8"))
    assert set(verdicts(found)) <= {"not-tested", "not-comparable"}


# ------------------------------------------------------------------------------- drift


def with_reference(moved_w: float) -> list[dict[str, Any]]:
    """The sweep, and a reference point at half load that loses more at the end."""
    first = point(24.0, 2.0, label="reference")
    last = point(24.0, 2.0, label="reference")
    last["iin_a"] += moved_w / 24.0
    return [first, *sweep_points(), last]


def doubt(found: JudgedRun, about: str) -> float:
    (decision,) = (one.decisive.decision for one in found.claims if one.claim["about"] == about)
    assert decision is not None
    return decision.u


def test_a_drift_within_its_uncertainty_changes_nothing(tmp_path: Path) -> None:
    found = judged(tmp_path, with_reference(0.0))
    assert found.drift is None


def test_a_drift_widens_every_loss_by_what_it_moved(tmp_path: Path) -> None:
    for name in ("still", "moved"):
        (tmp_path / name).mkdir()
    still = judged(tmp_path / "still", with_reference(0.0))
    moved = judged(tmp_path / "moved", with_reference(0.15))  # of 1.7 W
    assert moved.drift is not None
    # 0.15 W, rectangular, in 17.952 W of 19.7 W: by hand.
    added = 100.0 * 0.15 / 3.0**0.5 * 0.9135 / 19.7
    before, after = doubt(still, "efficiency"), doubt(moved, "efficiency")
    assert (after**2 - before**2) ** 0.5 == pytest.approx(added, rel=0.05)
    assert doubt(moved, "load-regulation") == pytest.approx(doubt(still, "load-regulation"))


def test_a_great_drift_voids_every_verdict(tmp_path: Path) -> None:
    found = judged(tmp_path, with_reference(0.4))
    assert not {"pass", "fail"} & set(verdicts(found))
    assert "void: the loss of the reference point drifted by" in found.claims[1].decisive.reason


def test_more_power_out_than_in_decides_nothing(tmp_path: Path) -> None:
    points = [one | {"iin_a": 0.8 * one["iin_a"]} for one in sweep_points()]
    found = judged(tmp_path, points)
    by_kind = {one.claim["about"]: one for one in found.claims}
    for about in ("efficiency", "efficiency-curve"):
        assert by_kind[about].verdict == "inconclusive"
        assert "more power out than in" in by_kind[about].decisive.reason
    assert not found.worths and "more power out than in" in found.no_worth


# ---------------------------------------------------------------------------- the worth


def test_the_headline_says_what_it_is_worth_where_and_why(tmp_path: Path) -> None:
    found = judged(tmp_path)
    text = headline(found)
    # 110 °C at 12 K/W from 25 °C are 7.083 W, of which 0.4 %/K over 85 K make 5.286 W at 25 °C; at
    # 30 V the loss is 30/24 of (0.3 + 0.4 I + 0.15 I^2), which gives 3.955 A: by hand. The thermal
    # resistance of 24 V is borrowed: 10 % / sqrt(3) of 4.229 W over 1.586 W/A are 0.154 A, by 1.65
    # for a rectangle 0.25 A; thermometers and supply add the rest.
    assert text.startswith("rated 4 A; worth 3.96 ± 0.27 A")
    assert "A at 25 °C and 30 V" in text
    assert "(extrapolated: not soaked at this line)" in text
    assert "limited by the hot spot" in text


def test_the_worth_is_told_at_the_ambients_asked_for(tmp_path: Path) -> None:
    run_in(tmp_path)
    found = judge_run(tmp_path, RULE, ambients_c=[40.0, 60.0])
    assert {one.ambient_c for one in found.worths} == {40.0, 60.0}
    refused = [one for one in found.worths if one.ambient_c == 60.0]
    assert all(worth_words(one) == "no figure" for one in refused)
    assert "at 40 °C" in headline(found)
    far = judge_run(tmp_path, RULE, ambients_c=[80.0])
    assert "no figure, 55 K from the nearest ambient soaked at" in headline(far)


def test_without_soaks_the_headline_says_why_there_is_no_worth(tmp_path: Path) -> None:
    found = judged(tmp_path, [point(24.0, load_a) for load_a in (1.0, 2.0, 3.0)])
    assert "worth: no figure, no point was soaked until settled" in headline(found)


def test_claims_of_another_file_stand_instead(tmp_path: Path) -> None:
    run_in(tmp_path)
    other = [dict(CLAIMS[1]) | {"efficiency_min_pct": 50.0}]
    found = judge_run(tmp_path, RULE, other)
    assert verdicts(found) == ["pass"]


@pytest.mark.parametrize(
    ("value", "expanded_u", "shown"),
    [
        (2.7055, 0.1061, ("2.71", "0.11")),
        (89.784, 0.176, ("89.78", "0.18")),
        (52.07, 1.617, ("52.1", "1.7")),
        (-0.00001, 0.0086, ("0.0000", "0.0086")),
        (4.0, 0.0, ("4", "0")),
    ],
)
def test_an_uncertainty_has_two_digits_and_is_not_rounded_down(
    value: float, expanded_u: float, shown: tuple[str, str]
) -> None:
    # JCGM 100:2008, 7.2.6: at most two significant digits, and rather up than down.
    assert with_u(value, expanded_u) == shown
