"""The sequences about the line: what they find on modules whose line behaviour is known."""

from __future__ import annotations

import csv
import shutil
from typing import Any

import pytest

from runner import journal
from runner.errors import BadInput
from runner.hand.person import Agreeing
from runner.report.judged_run import worst_drift
from runner.report.summary import summarise
from runner.report.tables import tables_of, write_tables
from runner.steps import Ask, Read, Step
from tests.runner.conftest import live
from tests.runner.live import Heard, Live
from tests.sequences.held_out import changed, found, misses, named

__all__ = ["live"]

QUICK: dict[str, Any] = {"audit": "no"}


def table(live: Live, name: str) -> list[dict[str, str]]:
    write_tables(live.folder / "run")
    with (live.folder / "run" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


# --------------------------------------------------------------------------- line sweep


def test_a_line_sweep_takes_every_line_at_every_load_upwards(live: Live) -> None:
    done = live.run("line_sweep", points="5", loads_a="1,4", samples="3", **QUICK)
    assert done.ending.name == "done"
    rows = [row for row in table(live, "efficiency.csv") if row["label"] == "line"]
    lines = [float(row["line_set_v"]) for row in rows]
    assert lines == [20.0, 22.5, 25.0, 27.5, 30.0] * 2
    # A switching module draws constant power: input current falls as the line rises (negative
    # input resistance, common practice, no source).
    for load_rows in (rows[:5], rows[5:]):
        currents = [float(row["iin_a"]) for row in load_rows]
        assert currents == sorted(currents, reverse=True)


def test_a_supply_at_its_limit_is_noted_and_the_sweep_goes_on(live: Live) -> None:
    bench = changed(live, "bench", limits__iin_max_a=1.85)
    done = live.run("line_sweep", bench=bench, points="3", loads_a="4", samples="2", **QUICK)
    assert done.ending.name == "done", done.ending.message
    notes = [r["text"] for r in live.records() if r["kind"] == "note"]
    assert [note for note in notes if note.startswith("4 A at 20 V: the supply is at its limit")]


# ------------------------------------------------------------------------------ no load


@pytest.mark.parametrize("quiescent_a", [0.0011, 0.0043, 0.0131])
def test_the_no_load_current_is_the_twins_within_its_uncertainty(
    live: Live, quiescent_a: float
) -> None:
    module = changed(live, "module", twin__quiescent_a=quiescent_a)
    truth: list[float] = []

    def look(index: int, step: Step) -> None:
        if isinstance(step, Read) and live.bench is not None:
            truth.append(live.bench.world.now().iin_a)

    done = live.run("no_load", module=module, heard=Heard(look), rest_s="5", samples="20")
    assert done.ending.name == "done"
    results = found(live)
    assert len(results) == len(truth) == 3
    for one, iin_a in zip(results, truth, strict=True):
        assert misses(one, iin_a) < 1.0
        assert iin_a > quiescent_a  # switching and gate charge come on top


def test_what_a_battery_gives_up_in_a_month_is_told(live: Live) -> None:
    # 8 mA is 5.8 Ah a month (common practice, computed: 0.008 A x 730.5 h).
    live.run("no_load", lines_v="24", rest_s="5", samples="20")
    (one,) = found(live)
    assert one.value is not None
    assert f"{one.value * 730.5:.2f} Ah a month" in one.text


@pytest.mark.parametrize("really", [True, False])
def test_a_standby_current_is_told_of_a_module_that_was_really_disabled(
    live: Live, really: bool
) -> None:
    def disable(index: int, step: Step) -> None:
        if isinstance(step, Ask) and really and live.bench is not None:
            live.bench.world.touch()
            live.bench.world.dead = "open"  # takes nothing, gives nothing: as good as disabled
            live.bench.world._turn()

    done = live.run(
        "no_load",
        lines_v="24",
        rest_s="5",
        samples="20",
        standby="yes",
        person=Agreeing(),
        heard=Heard(disable),
    )
    assert done.ending.name == "done", done.ending.message
    names = [one.quantity for one in found(live)]
    assert names == ["no_load_current_a", "standby_current_a"][: 2 if really else 1]
    if really:
        assert misses(found(live)[1], 0.0) < 1.0


# ----------------------------------------------------------------------------- start-up


def test_starts_into_every_load_are_bracketed_by_the_readings(live: Live) -> None:
    done = live.run("start_up", lines_v="20,30", restarts_s="0.5", **QUICK)
    assert done.ending.name == "done"
    results = found(live)
    started = [one for one in results if one.value is not None]
    assert len(results) == 2 * 3 + 2 + 1
    for one in started:
        assert one.low is not None and one.high is not None
        assert 0.0 <= one.low <= one.high <= 0.1  # the twin starts within milliseconds


def test_a_supply_limited_below_the_need_lets_no_start_and_that_is_told(live: Live) -> None:
    done = live.run("start_up", lines_v="24", limits_a="0.9", restarts_s="", **QUICK)
    assert done.ending.name == "done"
    stuck = [one for one in found(live) if one.value is None]
    assert [one.text.startswith("into a resistance, supply limit 0.9 A: no start") for one in stuck]
    assert len(stuck) == 1 and live.outputs_on() == (False, False)


def test_a_line_that_the_module_pulls_down_is_nobodys_hand(live: Live) -> None:
    options: dict[str, Any] = {"lines_v": "24", "limits_a": "1.2", "restarts_s": "", **QUICK}
    done = live.run("start_up", watch_s="10", **options)
    assert done.ending.name == "done", done.ending.message
    notes = [r["text"] for r in live.records() if r["kind"] == "note"]
    assert not [note for note in notes if "somebody" in note]


# ------------------------------------------------------------------------------ burn-in


def test_a_burn_in_repeats_its_reference_and_short_sweep(live: Live) -> None:
    done = live.run("burn_in", hours="2", every_h="1", samples="5", **QUICK)
    assert done.ending.name == "done"
    labels = [row["label"] for row in table(live, "efficiency.csv")]
    assert labels.count("reference") == 3 and labels.count("up") == 12
    assert labels.count("soak") == 1  # what it is worth is known as well
    assert [(one.quantity, one.value) for one in found(live)] == [("burn_in_s", 7200.0)]


def test_a_module_that_gets_worse_is_told_from_one_that_does_not(live: Live) -> None:
    def worse(index: int, step: Step) -> None:
        """After the first hour it takes 12 mA more from the line."""
        assert live.bench is not None
        if live.bench.clock.now_s() > 5000.0:
            twin = live.bench.world._circuit.twin
            object.__setattr__(twin, "quiescent_a", 0.02)

    def drift_of_run() -> object:
        folder = live.folder / "run"
        tables = tables_of(journal.read(folder / journal.FILE_NAME), folder)
        return worst_drift(tables.measured)

    options: dict[str, Any] = {"hours": "2", "every_h": "1", "samples": "10", **QUICK}
    live.run("burn_in", **options)
    assert drift_of_run() is None
    told = dict(summarise(write_tables(live.folder / "run")).facts)["moved, heat and all"]
    assert -0.1 < efficiency_moved(told) < 0.0  # heat alone; vout not at all
    assert told.endswith("(within)")
    shutil.rmtree(live.folder / "run")
    live.run("burn_in", heard=Heard(worse), **options)
    assert drift_of_run() is not None
    told = dict(summarise(write_tables(live.folder / "run")).facts)["moved, heat and all"]
    # 12 mA at 24 V are 0.29 W of some 32 W, 0.8 points; the twin's losses grow by a sixth at
    # 82 degC, and 0.34 W on 15 K/W are 5 K that cost 1.5 % of 3.9 W more: 1.1 points (computed).
    assert efficiency_moved(told) == pytest.approx(-1.1, abs=0.1)
    assert "(beyond)" in told.partition(";")[0]


def efficiency_moved(told: str) -> float:
    return float(told.partition("efficiency ")[2].split()[0])


# ------------------------------------------------------------------------- vehicle line


def test_the_slow_ramp_finds_where_the_output_goes_and_comes(live: Live) -> None:
    done = live.run("vehicle_line", slow="yes", load_a="2", **QUICK)
    assert done.ending.name == "done"
    falls = named(found(live), "vehicle_slow_fall_line_v")
    assert falls.low is not None and falls.high is not None
    truth_v = dropout_of_twin(live)
    assert falls.low - 0.05 <= truth_v <= falls.high + 0.05


def dropout_of_twin(live: Live) -> float:
    """The line at which the twin's output leaves its band at 2 A, searched in the twin itself."""
    assert live.bench is not None
    world, clock = live.bench.world, live.bench.clock
    world.touch()
    world.load.on, world.load.level, world.load.mode = True, 2.0, "CC"
    world.supply.on, world.supply.i_limit_a = True, 5.0
    module_least_v = 9.0 * (1 - 0.03)
    line_v = 20.0
    while line_v > 5.0:
        world.touch()
        world.supply.v_set_v = line_v
        clock.sleep(0.2)
        if world.now().vout_v < module_least_v:
            return world.now().vin_v
        line_v -= 0.02
    raise AssertionError("no dropout")


def test_a_vehicle_line_without_a_condition_is_refused(live: Live) -> None:
    with pytest.raises(BadInput, match=r"no condition is asked for.*--code F"):
        live.run("vehicle_line", **QUICK)
    assert not (live.folder / "run").exists()


def test_both_ends_of_a_range_code_are_borne(live: Live) -> None:
    # Code F is 16 to 32 V (ISO 16750-2:2010, table 1).
    live.run("vehicle_line", code="F", **QUICK)
    results = found(live)
    assert [one.line_v for one in results] == [16.0, 32.0]
    assert all("status A" in one.text for one in results)


def test_a_condition_above_the_modules_greatest_line_is_left_out_and_said(live: Live) -> None:
    live.run("vehicle_line", over_voltage="yes", **QUICK)
    notes = [r["text"] for r in live.records() if r["kind"] == "note"]
    assert any("not done: long over-voltage" in note for note in notes)
    assert not found(live)


def test_cranking_is_refused_where_the_supply_cannot_slew(live: Live) -> None:
    with pytest.raises(BadInput, match=r"fall_v_per_s of 1500 V/s.*states none"):
        live.run("vehicle_line", crank="II", **QUICK)
    assert not (live.folder / "run").exists()


def test_cranking_is_done_where_the_supply_can(live: Live) -> None:
    keys = "[instruments.supply]\nrise_v_per_s = 5000\nfall_v_per_s = 5000"
    bench = live.demo("bench", "[instruments.supply]", keys)
    done = live.run("vehicle_line", bench=bench, crank="III", load_a="1", **QUICK)
    assert done.ending.name == "done", done.ending.message
    (one,) = found(live)
    assert one.text == "cranking level III: status C"  # 3 V feeds no 9 V output; it comes back
