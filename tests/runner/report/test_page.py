"""report.html: whole, safe, the same each time, and with no figure that the tables have not."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import html5lib
import pandas as pd
import pytest

from runner import journal
from runner.analysis.decision import Rule
from runner.clock import WallClock
from runner.report.judged_run import judge_run
from runner.report.page import PAGE_FILE, write_report
from runner.report.page.evidence import sha256
from runner.report.rounding import with_u
from runner.report.tables import Tables
from runner.report.verdicts import headline
from runner.report.worth import REFERENCE
from tests.runner.live import Live
from tests.runner.report.journals import (
    BENCH,
    HEAD,
    LOADS_A,
    MODULE,
    SOURCES,
    point,
    records,
    run_values,
    sweep_points,
    write_journal,
)

VOID = frozenset({"meta", "br", "hr", "img", "link", "input"})
CLAIMS = [
    {
        "about": "efficiency",
        "efficiency_min_pct": 92.0,
        "vin_v": 24.0,
        "iout_a": 2.0,
        "ambient_temp_c": 25.0,
        "source": "seller's page, 2026-05",
    },
    {
        "about": "rated-current",
        "iout_min_a": 3.0,
        "vout_tolerance_pct": 3.0,
        "vin_v": 24.0,
        "ambient_temp_c": 25.0,
        "source": "label, 2026-05",
    },
]
COLD: dict[str, Any] = {"ambient_temp_c": None, "case_temp_c": None, "hot_spot_temp_c": None}


class Page(HTMLParser):
    """Texts by section and every attribute, as a browser would have them."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.texts: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str]] = []
        self.ids: list[str] = []
        self._open: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self._open.append(tag)
        self.attributes += [(tag, name, value or "") for name, value in attrs]
        self.ids += [value or "" for name, value in attrs if name == "id"]

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self._open and self._open[-1] not in ("style", "script"):
            self.texts.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.texts).split())


def made(folder: Path, points: list[dict[str, Any]] | None = None, **how: Any) -> str:
    write_journal(folder, points, **how)
    write_report(folder)
    return (folder / PAGE_FILE).read_text("utf-8")


def with_claims(**module: Any) -> dict[str, Any]:
    return run_values(module=MODULE | {"claims": CLAIMS} | module)


@pytest.fixture(scope="module")
def live_page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Path, Tables, str]]:
    """A short sweep on the demo bench."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("os.fsync", lambda descriptor: None)
        live = Live(tmp_path_factory.mktemp("page"), patch)
        done = live.run("load_sweep", points="5", lines_v="24,30")
        tables = write_report(done.folder)
        yield done.folder, tables, (done.folder / PAGE_FILE).read_text("utf-8")


# ------------------------------------------------------------------------------- the file

CASES: dict[str, dict[str, Any]] = {
    "whole": {},
    "claims": {"run": with_claims()},
    "cut off": {"end": False},
    "no soak": {"points": [point(24.0, x) for x in LOADS_A]},
    "no thermometers": {"points": [point(24.0, x, **COLD) for x in LOADS_A]},
    "one point": {"points": [point(24.0, 1.0)], "run": with_claims()},
    "unsettled": {"points": [point(24.0, 1.0, settled=False, flags=["UNSETTLED"])]},
    "no accuracies": {"run": run_values(bench=BENCH | {"instruments": {}})},
    "assumed input": {"run": run_values(sources=SOURCES | {"iout_a": "assumed"})},
}


@pytest.mark.parametrize("case", CASES)
def test_page_is_well_formed_whatever_the_run_lacks(case: str, tmp_path: Path) -> None:
    """By html5lib, an implementation of the WHATWG parser, which is strict about every error."""
    text = made(tmp_path, **CASES[case])
    html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    page = Page(text)
    assert len(page.ids) == len(set(page.ids))
    links = {value[1:] for tag, name, value in page.attributes if (tag, name) == ("a", "href")}
    assert links == set(page.ids)
    assert "None" not in page.texts and "nan" not in page.text.lower().split()


def test_the_same_journal_gives_the_same_bytes(
    live_page: tuple[Path, Tables, str], tmp_path: Path
) -> None:
    folder, _, text = live_page
    copy = tmp_path / "elsewhere"
    copy.mkdir()
    (copy / journal.FILE_NAME).write_bytes((folder / journal.FILE_NAME).read_bytes())
    write_report(copy)
    assert (copy / PAGE_FILE).read_text("utf-8") == text


def test_page_needs_nothing_from_outside_and_runs_nothing(
    live_page: tuple[Path, Tables, str],
) -> None:
    _, _, text = live_page
    page = Page(text)
    assert not {"script", "link", "img", "iframe", "object", "form"} & set(page.tags)
    for tag, name, value in page.attributes:
        assert not name.startswith("on"), (tag, name)
        assert name not in ("src", "style"), (tag, name)
        if name == "href":
            assert value.startswith("#")
    urls = set(re.findall(r"https?://[^\"'\s<]+", text))
    assert urls <= {"http://www.w3.org/2000/svg"}
    assert "@import" not in text and "url(" not in text


def test_hostile_names_are_text_and_nothing_else(tmp_path: Path) -> None:
    evil = "</title><script>alert(1)</script>\"'><img src=x onerror=y>&amp;\x00\x1b[2J"
    claim = CLAIMS[0] | {"source": evil}
    module = MODULE | {"name": evil, "unit": evil, "marking": evil, "claims": [claim]}
    text = made(tmp_path, run=run_values(module=module, run_id=evil, sequence=evil))
    html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(text)
    page = Page(text)
    assert not {"script", "img"} & set(page.tags)
    assert not [name for _, name, _ in page.attributes if name.startswith("on")]
    assert "\x00" not in text and "\x1b" not in text
    assert "<script>alert(1)</script>\"'><img src=x onerror=y>&amp;" in page.text


# ---------------------------------------------------------------------------- its figures


def test_figures_of_points_are_those_of_the_tables(live_page: tuple[Path, Tables, str]) -> None:
    """Value and U = k u of efficiency.csv, to two digits of U (JCGM 100:2008, 7.2.6)."""
    folder, _, text = live_page
    figures = re.findall(r"(\d+\.?\d*) ± (\d+\.?\d*)", Page(text).text)
    frame = pd.read_csv(folder / "efficiency.csv")
    loaded = frame[frame["iout_set_a"] > 0.0]
    assert len(loaded) > 10
    for row in loaded.itertuples():
        for name in ("efficiency_pct", "ploss_w"):
            value, u = float(getattr(row, name)), float(getattr(row, f"{name}_u"))
            expanded_u = u * float(getattr(row, f"{name}_k95"))
            # The table's value, u and k are rounded themselves, so that a half may go the
            # other way: value within half a last digit and 1e-5, U within 0.3 % besides.
            assert any(
                abs(float(seen) - value)
                <= 0.5 * 10.0 ** -len(seen.partition(".")[2]) + 1e-5 * value
                and abs(float(seen_u) - expanded_u)
                <= 0.5 * 10.0 ** -len(seen_u.partition(".")[2]) + 3e-3 * expanded_u
                for seen, seen_u in figures
            ), (row.point, name)


def test_headline_verdicts_and_derating_are_those_of_the_judge_and_the_tables(
    live_page: tuple[Path, Tables, str],
) -> None:
    folder, _, text = live_page
    shown = Page(text).text
    judged = judge_run(folder, Rule())
    said = headline(judged)
    assert f"{said[:1].upper()}{said[1:]}." in shown
    for claim in judged.claims:
        assert claim.claim["source"] in shown and claim.decisive.reason in shown
        decision = claim.decisive.decision
        if decision:
            assert with_u(decision.value, decision.expanded_u) in shown
    frame = pd.read_csv(folder / "derating.csv").dropna(subset=["iout_max_a"])
    for row in frame.itertuples():
        assert f"{row.iout_max_a:.2f} ± {2.0 * float(str(row.iout_max_a_u)):.2f}" in shown


def test_checksums_are_those_of_the_files(live_page: tuple[Path, Tables, str]) -> None:
    folder, _, text = live_page
    for name in ("journal.jsonl", "readings.csv", "efficiency.csv", "derating.csv", "budget.csv"):
        assert sha256(folder / name) in text


@pytest.mark.parametrize(
    "says",
    [
        "A rehearsal: nothing was measured on hardware",
        "S-0417",  # the supply's serial number
        "2027-03-31",  # its calibration
        "0.15 % of reading + 0.005 A",  # its accuracy, as the bench file states it
        "6 A range",  # the load's range in use
        "with remote sense, 30 mΩ both wires",
        Rule().words,
        "Ordinary way out: both outputs were confirmed off.",
        "under 0.5 K in 5 min",  # the rule of the soak
        "wiring audit",
        "reference point",
        "tare, taken off",
        "Improve first: supply",
        "No interlock tripped.",
        "surges and load dump; jump start, but for what was found",
        "operator not in the journal",
        "of it, in percentage points; blank where an accuracy is not stated",  # a column's meaning
    ],
)
def test_what_a_reader_needs_is_there(says: str, live_page: tuple[Path, Tables, str]) -> None:
    assert says in Page(live_page[2]).text


def test_every_section_is_there_and_the_decision_comes_first(
    live_page: tuple[Path, Tables, str],
) -> None:
    assert Page(live_page[2]).ids == [
        *("decision", "claims", "curves", "derating", "averages", "budget", "unit", "setup"),
        *("instruments", "procedure", "air", "events", "not-tested", "rule", "points"),
        *("evidence", "columns", "cautions"),
    ]


# --------------------------------------------------------------------- runs that went wrong


def test_a_trip_is_told_before_anything_else(live: Live) -> None:
    bench = live.demo("bench", "ploss_max_w = 15.0", "ploss_max_w = 2.5")
    done = live.run("load_sweep", bench=bench, lines_v="24", points="5")
    write_report(done.folder)
    page = Page((done.folder / PAGE_FILE).read_text("utf-8"))
    decision = page.text.partition("Claims and verdicts Curves")[2]
    ended = decision.index("The run did not come to its end: tripped")
    assert ended < decision.index("Rated 4 A")
    assert "TRIP at" in page.text and "from [limits] of the bench file" in page.text
    assert "Emergency way out" in page.text
    assert ("section", "class", "bad") in page.attributes


def test_a_cut_off_journal_says_so_and_that_the_outputs_are_unknown(tmp_path: Path) -> None:
    shown = Page(made(tmp_path, end=False)).text
    assert "The journal has no end: the run was cut off." in shown
    assert "whether the outputs went off is unknown" in shown


def test_a_torn_last_line_still_gives_a_page(tmp_path: Path) -> None:
    path = write_journal(tmp_path)
    path.write_bytes(path.read_bytes()[:-40])
    write_report(tmp_path)
    assert "the run was cut off" in (tmp_path / PAGE_FILE).read_text("utf-8")


def test_without_a_soak_no_worth_is_told_and_why(tmp_path: Path) -> None:
    shown = Page(made(tmp_path, [point(24.0, x) for x in LOADS_A])).text
    assert "worth: no figure" in shown and "no point was soaked" in shown
    assert "heat: no point was soaked" in shown and "No derating:" in shown


def test_without_thermometers_the_air_is_not_measured(tmp_path: Path) -> None:
    book = journal.Journal(tmp_path, WallClock())
    for values in records([point(24.0, x, **COLD) for x in LOADS_A]):
        told = values | (COLD if values["kind"] == "sample" else {})
        book.write(told["kind"], **{k: v for k, v in told.items() if k not in HEAD})
    book.close()
    write_report(tmp_path)
    shown = Page((tmp_path / PAGE_FILE).read_text("utf-8")).text
    assert "No ambient thermometer." in shown and "air not measured" in shown


def test_a_module_without_claims_says_that_none_was_judged(tmp_path: Path) -> None:
    assert "No claim judged: the module file quotes none." in Page(made(tmp_path)).text


def test_nothing_assumed_is_shown_as_an_efficiency_or_a_loss_with_a_doubt(tmp_path: Path) -> None:
    text = made(tmp_path, run=run_values(sources=SOURCES | {"iout_a": "assumed"}))
    shown = Page(text).text
    assert "ASSUMED: nothing that rests on it is decided" in shown
    frame = pd.read_csv(tmp_path / "efficiency.csv")
    assert frame["efficiency_pct"].isna().all()
    assert "Improve first" not in shown
    assert "worth: no figure" in shown or "no uncertainty" in shown


def test_drift_of_the_reference_point_is_told(tmp_path: Path) -> None:
    def at(loss_w: float) -> dict[str, Any]:
        return point(24.0, 2.0, label=REFERENCE, iin_a=(18.0 + loss_w) / 24.0)

    shown = Page(made(tmp_path, [at(1.7), *sweep_points((24.0,)), at(2.4)])).text
    assert "DRIFT, beyond its uncertainty" in shown


def test_a_trace_of_any_length_is_thinned(tmp_path: Path) -> None:
    from runner.report.story import MOST_READINGS, Story

    story = Story()
    for record in records([point(24.0, 1.0)], samples=5000):
        story.take(record)
    assert MOST_READINGS / 2 <= len(story.readings) <= MOST_READINGS
    times_s = [reading.t_s for reading in story.readings]
    steps = {round(b - a, 6) for a, b in pairwise(times_s)}
    assert len(steps) == 1  # evenly, whatever the length


def test_charts_have_names_for_who_cannot_see_them(live_page: tuple[Path, Tables, str]) -> None:
    text = live_page[2]
    drawn = re.findall(r"<svg [^>]*>(.*?)</svg>", text, re.S)
    assert len(drawn) >= 5
    titles = re.findall(r"<title>([^<]+)</title>", text)
    assert {"Efficiency against load", "Loss against load", "Temperatures over time"} <= {
        html.unescape(title) for title in titles
    }
