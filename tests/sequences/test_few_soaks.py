"""Derating from few soaks, on the live bench: as near to the module's truth, in far less time."""

from __future__ import annotations

import pytest

from runner.errors import BadInput
from runner.report.tables import write_tables
from tests.runner.conftest import live
from tests.runner.live import Live

__all__ = ["live"]


def test_few_soaks_reach_every_line_and_stop(live: Live) -> None:
    done = live.run("derating", soaks="few", audit="no")
    assert done.ending.name == "done"
    tables = write_tables(live.folder / "run")
    soaks = [one.point for one in tables.record.points if one.point.kind == "soaked"]
    assert {point.line_set_v for point in soaks} == {20.0, 24.0, 30.0}
    assert len(soaks) <= 6
    took_s = max(r["t_s"] for r in live.records() if r["kind"] == "sample")
    assert took_s < 12 * 1800.0 / 5.0
    told = [note for note in tables.record.notes if note.startswith("next soak ")]
    assert len(told) == len(soaks) - 1


def test_the_same_run_chooses_the_same_soaks(live: Live) -> None:
    notes = []
    for name in ("one", "other"):
        live.run("derating", soaks="few", audit="no", lines_v="24,30", most_soaks="3")
        notes.append([r["text"] for r in live.records() if r["kind"] == "note"])
        (live.folder / "run").rename(live.folder / name)
    assert notes[0] == notes[1]


def test_soaks_are_bounded(live: Live) -> None:
    live.run("derating", soaks="few", audit="no", worth_u_a="0.001", most_soaks="2")
    soaked = [r for r in live.records() if r.get("outcome") == "Soaked"]
    assert len(soaked) == 2


def test_air_brought_by_hand_is_refused_when_nobody_is_there(live: Live) -> None:
    with pytest.raises(BadInput, match="unattended"):
        live.run("derating", ambients_c="25,40", air_by_hand="yes", soaks="few")
    assert live.bench is None or live.outputs_on() == (False, False)


def test_the_first_soak_can_prove_the_others(live: Live) -> None:
    live.run("derating", soaks="few", audit="no", prove="yes", lines_v="24", most_soaks="2")
    soaked = [r["values"] for r in live.records() if r.get("outcome") == "Soaked"]
    assert soaked[0]["proved"] is True and soaked[0]["end_rise_k"] is None
    assert all(one["proved"] is None for one in soaked[1:])
