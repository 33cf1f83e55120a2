"""What a sequence found, in findings.csv, on the page and before a claim."""

from __future__ import annotations

import math

import pandas as pd
import pytest

from runner.analysis.decision import Rule
from runner.report.columns import FINDINGS
from runner.report.judged_run import judge_run
from runner.report.page import write_report
from runner.report.summary import summarise
from runner.report.tables import FINDINGS_FILE, write_tables
from tests.runner.conftest import live
from tests.runner.live import Live

__all__ = ["live"]

BODY = """
    yield Tare()
    yield Found("current_limit_a", 5.0, 4.9, 5.1, "A", 24.0, 4.9, 25.0, "knee", "iout_a")
    yield Found("dropout_line_v", 10.0, 9.95, 10.05, "V", 10.0, 4.0, None, "", "vin_v")
    yield Found("start_up_s", 0.03, 0.02, 0.04, "s", 24.0, 0.0)
    yield Found("current_limit_kind", None, None, None, "", 24.0, 4.9, 25.0, "foldback")
    yield Found("overload_held_s", None, 600.0, None, "s", 24.0, 4.8, 25.0, "still held")
"""


def rows(live: Live) -> pd.DataFrame:
    live.run(live.sequence(BODY))
    write_tables(live.folder / "run")
    return pd.read_csv(live.folder / "run" / FINDINGS_FILE).set_index("quantity")


def test_the_table_has_every_result_in_its_columns(live: Live) -> None:
    found = rows(live)
    assert [column.name for column in FINDINGS] == [
        "quantity" if name == "quantity" else name
        for name in pd.read_csv(live.folder / "run" / FINDINGS_FILE).columns
    ]
    assert list(found.index) == [
        "current_limit_a",
        "dropout_line_v",
        "start_up_s",
        "current_limit_kind",
        "overload_held_s",
    ]
    assert found.text["current_limit_kind"] == "foldback"
    assert math.isnan(found.value["overload_held_s"]) and found.low["overload_held_s"] == 600.0


def test_instrument_and_bracket_make_the_uncertainty(live: Live) -> None:
    """By hand, JCGM 100:2008, 4.3.7: a limit a is a / sqrt 3; sources add as squares (10)."""
    found = rows(live)
    supply_v = (0.0005 * 10.0) ** 2 / 3.0 + 0.010**2 / 3.0  # reading, offset of the demo supply
    assert found.value_u["dropout_line_v"] == pytest.approx(
        math.sqrt(supply_v + 0.05**2 / 3.0), rel=1e-3
    )
    assert found.value_u["start_up_s"] == pytest.approx(0.01 / math.sqrt(3.0), rel=1e-3)
    # The tare takes the place of the load's offset: its gain and the bracket are what is left.
    gain_a = 0.0005 * found.value["current_limit_a"] / math.sqrt(3.0)
    assert found.value_u["current_limit_a"] == pytest.approx(
        math.hypot(gain_a, 0.1 / math.sqrt(3.0)), rel=1e-3
    )


def test_a_current_is_tared_with_its_bracket(live: Live) -> None:
    found = rows(live)
    tared = next(r for r in live.records() if r["kind"] == "outcome")["values"]["iout_a"]
    assert tared != 0.0
    assert found.value["current_limit_a"] == pytest.approx(5.0 - tared, abs=1e-6)
    assert found.low["current_limit_a"] == pytest.approx(4.9 - tared, abs=1e-6)


def test_an_instrument_without_an_accuracy_leaves_the_uncertainty_blank(live: Live) -> None:
    bench = live.demo("bench", "voltage_accuracy = [{ range_v = 40.0", "# [{ range_v = 40.0")
    live.run(live.sequence(BODY), bench=bench)
    write_tables(live.folder / "run")
    found = pd.read_csv(live.folder / "run" / FINDINGS_FILE).set_index("quantity")
    assert math.isnan(found.value_u["dropout_line_v"])
    assert not math.isnan(found.value_u["current_limit_a"])


def test_summary_and_page_show_what_was_found(live: Live) -> None:
    live.run(live.sequence(BODY))
    tables = write_report(live.folder / "run")
    shown = next(t for t in summarise(tables).tables if t.title == "What was found")
    assert shown.rows[0][0] == "current limit" and "±" in shown.rows[0][1]
    assert shown.rows[4][2] == "above 600"
    page = (live.folder / "run" / "report.html").read_text("utf-8")
    assert 'id="findings"' in page and "foldback" in page and "findings.csv" in page


def test_the_page_does_not_call_untested_what_was_found(live: Live) -> None:
    live.run(live.sequence(BODY))
    write_report(live.folder / "run")
    page = (live.folder / "run" / "report.html").read_text("utf-8")
    assert "<li>short circuit</li>" in page and "<li>reversed polarity</li>" in page
    assert "start-up and restart" not in page  # BODY found a start_up_s
    assert "overload beyond the loads listed" not in page


def test_the_page_quotes_a_claim_on_a_result_in_words(live: Live) -> None:
    live.run(live.sequence("yield PowerUp(24.0)\nyield PowerDown()"))
    write_report(live.folder / "run")
    page = (live.folder / "run" / "report.html").read_text("utf-8")
    assert "dropout line at most 11 V" in page  # as the demo module file claims it


def test_a_sequence_without_results_has_no_such_file(live: Live) -> None:
    live.run(live.sequence("yield PowerUp(24.0)\nyield Read()\nyield PowerDown()"))
    stale = live.folder / "run" / FINDINGS_FILE
    stale.write_text("old")
    tables = write_tables(live.folder / "run")
    assert FINDINGS_FILE not in tables.written and FINDINGS_FILE not in tables.left_out
    assert not stale.exists()


SOURCE = {"source": "seller's page"}


@pytest.mark.parametrize(
    ("claim", "verdict"),
    [
        ({"about": "current-limit", "iout_min_a": 4.5}, "pass"),
        ({"about": "current-limit", "iout_min_a": 5.5}, "fail"),
        ({"about": "current-limit", "iout_min_a": 5.0}, "inconclusive"),
        ({"about": "current-limit", "behaviour": "foldback"}, "pass"),
        ({"about": "current-limit", "behaviour": "hiccup"}, "fail"),
        ({"about": "current-limit", "behaviour": "hiccup", "vin_v": 20.0}, "not-tested"),
        ({"about": "limit", "quantity": "dropout_line_v", "at_most": 11.0}, "pass"),
        ({"about": "limit", "quantity": "dropout_line_v", "at_most": 9.0}, "fail"),
        ({"about": "limit", "quantity": "dropout_line_v", "at_most": 10.0}, "inconclusive"),
        (
            {"about": "limit", "quantity": "dropout_line_v", "at_most": 11.0, "iout_a": 2.0},
            "not-comparable",
        ),
        ({"about": "limit", "quantity": "overload_held_s", "at_least": 60.0}, "pass"),
        ({"about": "limit", "quantity": "overload_held_s", "at_least": 900.0}, "inconclusive"),
        ({"about": "limit", "quantity": "short_circuit_a", "at_most": 9.0}, "not-tested"),
    ],
)
def test_claims_are_judged_by_what_was_found(live: Live, claim: dict, verdict: str) -> None:  # type: ignore[type-arg]
    live.run(live.sequence(BODY))
    judged = judge_run(live.folder / "run", Rule(), [claim | SOURCE])
    assert judged.claims[0].verdict == verdict, judged.claims[0].decisive.reason


def test_every_result_of_one_name_has_to_hold(live: Live) -> None:
    body = BODY + '    yield Found("start_up_s", 0.9, 0.8, 1.0, "s", 24.0, 4.0)\n'
    live.run(live.sequence(body))
    claim = {"about": "limit", "quantity": "start_up_s", "at_most": 0.5} | SOURCE
    (judged,) = judge_run(live.folder / "run", Rule(), [claim]).claims
    assert [part.verdict for part in judged.parts] == ["pass", "fail"]
    assert judged.verdict == "fail"
