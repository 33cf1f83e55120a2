"""What is known of a run from its journal, while it goes on and after."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from runner.attention import STOP_FILE
from runner.errors import BadInput
from runner.live.state import TRACE_READINGS, RunState, Trace, Watched, verdicts_of
from runner.report.record import gather
from runner.steps import Reading
from tests.runner.following.journals import READING, RUN, going, short, write
from tests.runner.live import Live


def looked(folder: Path) -> Watched:
    watched = Watched(folder)
    watched.look()
    return watched


def test_a_followed_run_has_the_points_of_its_report(live: Live) -> None:
    run = live.run("load_sweep", points="3", lines_v="24", soak="no")
    records = live.records()
    watched = looked(run.folder)
    assert watched.state.points == [numbered.point for numbered in gather(records).points]
    assert len(watched.state.points) == watched.state.points_planned
    assert watched.phase == "done" and watched.state.left_s is None
    assert watched.state.safe is not None and watched.state.safe["confirmed"]


def test_the_limits_of_a_run_are_in_its_journal(live: Live) -> None:
    watched = looked(live.run("load_sweep", points="2", lines_v="24", soak="no").folder)
    assert {m.limit.quantity for m in watched.state.margins()} >= {"vin_v", "hot_spot_temp_c"}
    shares = [margin.used for margin in watched.state.margins()]
    assert shares == sorted(shares, reverse=True)


def test_every_journal_so_far_can_be_shown(live: Live) -> None:
    """After each record of a real run the data is whole, and time left never is negative."""
    live.run("load_sweep", points="3", lines_v="24", soak_over_s="60", soak_within_k="2")
    state, ended = RunState(), 0
    for record in live.records():
        state.take(record)
        ended += state.end is not None
        assert (state.left_s is None) == (state.end is not None)
        assert (state.left_s or 0.0) >= 0.0
    assert ended == 1


def test_time_left_is_planned_less_what_is_gone(tmp_path: Path) -> None:
    """By hand: step 0 began at 2 s with 100 s planned ahead, the last record is of 4 s."""
    write(tmp_path, *going())
    watched = looked(tmp_path)
    assert watched.state.left_s == pytest.approx(98.0)
    data = watched.as_data()
    assert data["phase"] == "running" and data["step"] == "drawing 2 A"
    assert data["margins"] == [
        {"quantity": "vout_v", "value": 9.0, "most": 10.0, "used": 0.9, "source": "the bench file"}
    ]


def test_a_stop_request_shows_until_the_end(tmp_path: Path) -> None:
    write(tmp_path / "going", *going())
    write(tmp_path / "ended", *short())
    for name in ("going", "ended"):
        (tmp_path / name / STOP_FILE).write_text("{}", "utf-8")
    assert looked(tmp_path / "going").phase == "stopping"
    assert looked(tmp_path / "ended").phase == "done"


@pytest.mark.parametrize(
    "record",
    [
        ("weather", {"wind": "north"}),
        ("step", {"index": 1, "step": "Sing", "args": {}}),
        ("outcome", {"index": 0, "outcome": "Sung", "values": {"loudness": 3}}),
    ],
)
def test_what_a_newer_version_writes_is_passed_over(
    record: tuple[str, dict[str, Any]], tmp_path: Path
) -> None:
    write(tmp_path, *going(), record, *short()[-2:])
    assert looked(tmp_path).phase == "done"


@pytest.mark.parametrize(
    "record",
    [
        ("step", {"index": 1}),
        ("safe", {"confirmed": True}),
        ("outcome", {"index": 0, "outcome": "Point", "values": 7}),
        ("run", {}),
    ],
)
def test_a_record_that_cannot_be_read_is_one_clear_error(
    record: tuple[str, dict[str, Any]], tmp_path: Path
) -> None:
    records = [record] if record[0] == "run" else [*going(), record]
    write(tmp_path, *records)
    with pytest.raises(BadInput, match=r"journal\.jsonl, line \d+: this version cannot read"):
        looked(tmp_path)


def test_a_journal_from_before_the_limits_were_in_it_shows_none(tmp_path: Path) -> None:
    old = {name: value for name, value in RUN.items() if name not in ("limits", "pace_planned")}
    write(tmp_path, ("run", old), *going()[1:])
    watched = looked(tmp_path)
    assert watched.state.margins() == [] and watched.state.left_s is None


def test_a_trace_is_thinned_evenly_and_keeps_both_ends() -> None:
    trace = Trace()
    for k in range(100_000):
        trace.add(Reading(0.1 * k, 24.0, 1.0, 9.0, 2.0))
        assert len(trace.readings) <= TRACE_READINGS
    apart_s = [b.t_s - a.t_s for a, b in zip(trace.readings, trace.readings[1:], strict=False)]
    assert trace.readings[0].t_s == 0.0 and trace.readings[-1].t_s > 9_950.0
    assert max(apart_s) < 1.1 * min(apart_s) and len(trace.readings) > TRACE_READINGS / 3


def test_the_log_keeps_its_end(tmp_path: Path) -> None:
    notes = [("note", {"text": f"heron {k}"}) for k in range(1000)]
    write(tmp_path, ("run", RUN), *notes)
    log = looked(tmp_path).state.log
    assert log[-1].text == "note: heron 999" and len(log) < 500


def test_verdicts_are_tallied(tmp_path: Path) -> None:
    write(tmp_path, *short())
    assert verdicts_of(tmp_path) is None
    (tmp_path / "verdicts.csv").write_text(
        'claim,source,verdict\nrated-current,"label, 2026-05",fail\nloss,page,pass\nx,y,fail\n',
        "utf-8",
    )
    verdicts = verdicts_of(tmp_path)
    assert verdicts is not None and verdicts.tally() == "2 fail, 1 pass"
    assert verdicts.rows[0][1] == "label, 2026-05"
    (tmp_path / "verdicts.csv").write_bytes(b"\xff\xfe\x00")
    assert verdicts_of(tmp_path) is None


def test_a_reading_of_a_followed_run_is_that_of_the_sample(tmp_path: Path) -> None:
    write(tmp_path, *going())
    reading = looked(tmp_path).state.reading
    assert reading is not None and reading.t_s == 3.0
    assert {name: getattr(reading, name) for name in READING} == READING
