"""A run from its files to its end, on the live demo bench: whatever ends it, the bench is off."""

from __future__ import annotations

import contextlib
import re
import shutil
import signal
from functools import partial
from pathlib import Path
from typing import Any, ClassVar

import pandas as pd
import pytest

from drivers.errors import InstrumentError
from runner import run
from runner.attention import Attention
from runner.errors import BadInput
from runner.report.tables import write_tables
from runner.run_folder import read_summary
from runner.seam import Seam
from runner.steps import Read, Step
from sim.build import SimBench
from sim.faults import Fault
from tests.runner.live import TWO_POINTS, Heard, Live


def faulty(box: str, fault: Fault) -> dict[str, object]:
    def switch_on(bench: SimBench) -> None:
        bench.devices[bench.resources[box]].faults.switch_on(fault)

    return {"prepare_bench": switch_on}


def first(wire: list[str], text: str) -> int:
    return next(k for k, line in enumerate(wire) if text in line)


def last(wire: list[str], text: str) -> int:
    return max(k for k, line in enumerate(wire) if text in line)


def test_a_sequence_that_ends_leaves_everything_off_and_says_so(live: Live) -> None:
    done = live.run(live.sequence(TWO_POINTS))
    assert done.ending.name == "done" and done.ending.exit_code == 0
    assert live.outputs_on() == (False, False)
    kinds = [record["kind"] for record in live.records()]
    assert kinds[0] == "run" and kinds[-2:] == ["safe", "end"]
    assert kinds.count("sample") == 20


def test_protections_are_set_and_read_back_before_the_output_goes_on(live: Live) -> None:
    live.run(live.sequence(TWO_POINTS))
    wire = live.wire()
    on = first(wire, "supply OUTP ON")
    assert first(wire, "VOLT:PROT ") < on and first(wire, "VOLT:PROT?") < on
    assert first(wire, "load CURR:PROT ") < on


def test_a_normal_end_switches_the_load_off_before_the_supply(live: Live) -> None:
    live.run(live.sequence("yield PowerUp(24.0)\nyield Draw(2.0)\nyield Read()"))
    wire = live.wire()
    assert last(wire, "load INP OFF") < last(wire, "supply OUTP OFF")
    levels = [line for line in wire if "load CURR " in line][-4:]
    assert [float(line.split("CURR ")[1].split(";")[0]) for line in levels] == [1.5, 1.0, 0.5, 0.0]


def test_a_broken_limit_is_a_trip_that_switches_the_supply_off_first(live: Live) -> None:
    bench = live.demo("bench", "ploss_max_w = 15.0", "ploss_max_w = 1.5")
    done = live.run(live.sequence(TWO_POINTS), bench=bench)
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3)
    assert "ploss_w" in done.ending.message
    assert live.outputs_on() == (False, False)
    wire = live.wire()
    assert last(wire, "supply OUTP OFF") < last(wire, "load INP OFF")
    trip = next(record for record in live.records() if record["kind"] == "trip")
    assert trip["quantity"] == "ploss_w" and trip["value"] > trip["limit"] == 1.5


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_in_the_middle_leads_to_the_safe_state(live: Live, number: int) -> None:
    def at_step(index: int, step: Step) -> None:
        if isinstance(step, Read):
            signal.raise_signal(number)

    attention = Attention()
    with attention.listening():
        done = live.run(
            live.sequence(TWO_POINTS), heard=Heard(at_step=at_step), attention=attention
        )
    assert (done.ending.name, done.ending.exit_code) == ("stopped", 5)
    assert live.outputs_on() == (False, False)
    assert live.records()[-1]["ending"] == "stopped"


# On paper every outcome is faultless; on the bench the room is warmer than on paper.
REAL_ONLY = """
    yield PowerUp(24.0)
    yield Draw(1.0)
    point = yield Read()
    if point.vout_v != setup.module.vout_set_v:
        {mistake}
    yield PowerDown()
"""


@pytest.mark.parametrize(
    ("mistake", "says"),
    [
        ("yield 1 / 0", "line 9: yield 1 / 0: ZeroDivisionError"),
        ("yield 'draw'", "line 9: the sequence yielded 'draw'"),
        ("yield None", "line 9: the sequence yielded None"),
        ("yield Draw('much')", "line 9: Draw: iout_a: found 'much'"),
        ("yield Draw(7.0)", "load current: found 7.0 A; allowed: 0 to 5.5 A"),
        ("raise SystemExit(3)", "SystemExit"),
    ],
)
def test_a_mistake_in_a_sequence_is_named_and_the_bench_is_safe(
    live: Live, mistake: str, says: str
) -> None:
    done = live.run(live.sequence(REAL_ONLY.format(mistake=mistake)))
    assert done.ending.name == "failed" and done.ending.exit_code != 0
    assert says in done.ending.message
    assert live.outputs_on() == (False, False)
    assert live.records()[-1]["kind"] == "end"


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("yield PowerUp(24.0)\nyield Draw(6.0)", "load current: found 6.0 A; allowed: 0 to 5.5 A"),
        ("yield PowerUp(36.0)", "line voltage: found 36.0 V"),
        ("yield PowerUp(24.0)\nyield Draw(-1.0)", "load current: found -1.0 A"),
        ("while True:\n    yield Release()", "the sequence has no end"),
        ("yield 3", "the sequence yielded 3"),
        ("yield Draw(1.0)", "PowerUp comes first"),
    ],
)
def test_what_cannot_be_is_refused_before_anything_is_opened(
    live: Live, body: str, says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        live.run(live.sequence(body))
    assert says in str(caught.value)
    assert live.bench is None
    assert not (live.folder / "run").exists()


def test_a_box_that_clips_a_setting_stops_the_step_and_is_quoted(live: Live) -> None:
    fault = Fault("clips", when="CURR ", most=1.2, times=0)
    done = live.run(live.sequence(TWO_POINTS), **faulty("load", fault))  # type: ignore[arg-type]
    assert (done.ending.name, done.ending.exit_code) == ("lost", 4)
    assert "1.2" in done.ending.message and "load" in done.ending.message
    assert live.outputs_on() == (False, False)


def test_an_error_in_the_boxs_own_queue_stops_the_step_and_is_quoted(live: Live) -> None:
    fault = Fault("error", when="OUTP ON", code=-310)
    done = live.run(live.sequence(TWO_POINTS), **faulty("supply", fault))  # type: ignore[arg-type]
    assert done.ending.exit_code == 4 and "-310" in done.ending.message
    assert live.outputs_on() == (False, False)


def test_a_supply_that_falls_silent_for_good_is_named_as_not_confirmed_off(live: Live) -> None:
    fault = Fault("no-reply", skip=12, times=0)
    done = live.run(live.sequence(TWO_POINTS), **faulty("supply", fault))  # type: ignore[arg-type]
    assert done.ending.exit_code == 6
    assert "COULD NOT CONFIRM OFF: supply output (supply)" in done.ending.message
    assert "Switch the supply off at its own switch" in done.ending.message
    assert live.bench is not None and not live.bench.world.load.on


def test_a_late_reply_is_never_taken_for_the_next_answer(live: Live) -> None:
    fault = Fault("late", when="MEAS", skip=5, times=1, delay_s=0.7)
    done = live.run(live.sequence(TWO_POINTS), **faulty("supply", fault))  # type: ignore[arg-type]
    assert done.ending.name == "done"
    values = [r["values"] for r in live.records() if r.get("outcome") == "Point"]
    assert [round(v["iout_a"]) for v in values] == [1, 2]


def test_a_box_that_is_slow_by_nature_is_waited_for(live: Live) -> None:
    fault = Fault("late", when="TEMP", times=0, delay_s=0.5)  # as one that averages for long
    body = TWO_POINTS.replace("yield Read()", "yield Read(samples=2)")
    done = live.run(live.sequence(body), **faulty("ambient", fault))  # type: ignore[arg-type]
    assert done.ending.name == "done", done.ending.message


def test_an_open_thermometer_ends_the_run(live: Live) -> None:
    fault = Fault("garbage", when="TEMP", skip=8, times=0)
    done = live.run(live.sequence(TWO_POINTS), **faulty("ambient", fault))  # type: ignore[arg-type]
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3)
    trip = next(record for record in live.records() if record["kind"] == "trip")
    assert "ambient_temp_c" in trip["quantity"] and trip["value"] == "not read"
    assert live.outputs_on() == (False, False)


def test_a_supply_that_restarts_by_itself_is_noticed(live: Live) -> None:
    fault = Fault("restarts", when="MEAS", skip=6)
    done = live.run(live.sequence(TWO_POINTS), **faulty("supply", fault))  # type: ignore[arg-type]
    assert done.ending.exit_code in (3, 4)
    assert live.outputs_on() == (False, False)


def test_the_tables_of_a_run_are_remade_byte_for_byte(live: Live) -> None:
    done = live.run("load_sweep", points="4", lines_v="24")
    before = {name: path.read_bytes() for name, path in write_tables(done.folder).written.items()}
    assert {"readings.csv", "efficiency.csv", "derating.csv"} <= set(before)
    again = {name: path.read_bytes() for name, path in write_tables(done.folder).written.items()}
    assert again == before


def test_two_runs_on_the_simulated_bench_are_the_same_to_the_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folders = []
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
        live = Live(tmp_path / name, monkeypatch)
        folders.append(live.run("load_sweep", points="3", soak="no").folder)
    for file in ("journal.jsonl", "wire.log"):
        assert (folders[0] / file).read_bytes() == (folders[1] / file).read_bytes()


def test_efficiency_is_the_products_of_the_columns_beside_it(live: Live) -> None:
    # Efficiency = output power / input power (10 CFR 430 Subpart B Appendix Z, 5(a)).
    done = live.run("load_sweep", points="6", lines_v="20,30", soak="no")
    table = pd.read_csv(write_tables(done.folder).written["efficiency.csv"])
    loaded = table[table.iout_set_a > 0.1]
    pin_w, pout_w = loaded.vin_v * loaded.iin_a, loaded.vout_v * loaded.iout_a
    assert ((100.0 * pout_w / pin_w - loaded.efficiency_pct).abs() < 2e-3).all()
    assert ((pin_w - pout_w - loaded.ploss_w).abs() < 2e-3).all()


def test_a_box_that_is_not_there_is_named_and_no_folder_stays_behind(live: Live) -> None:
    with pytest.raises(InstrumentError, match="load"):
        live.run(
            live.sequence(TWO_POINTS),
            **faulty("load", Fault("no-reply", times=0)),  # type: ignore[arg-type]
        )
    assert not (live.folder / "run").exists()


def test_another_box_than_the_bench_file_names_is_refused(live: Live) -> None:
    def rename(bench: SimBench) -> None:
        box: Any = bench.devices[bench.resources["supply"]].box
        box.identity = "HARBOUR,HEATER,1,2"

    with pytest.raises(InstrumentError, match="BOATHOUSE,SUPPLY 40-5"):
        live.run(live.sequence(TWO_POINTS), prepare_bench=rename)


LONG_POINT = """
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Settle()
    yield Wait(3.0)
    yield Read(samples=50)
    yield PowerDown()
"""


@pytest.mark.parametrize(
    ("box", "message", "says"),
    [
        ("supply", "VOLT 12", "supply voltage"),
        ("supply", "OUTP OFF", "supply output"),
        ("supply", "*RST", "supply output"),
        ("load", "INP OFF", "load input"),
        ("load", "*RST", "load input"),
        ("load", "CURR 4", "load current"),
        ("load", "FUNC RES", "load mode"),
    ],
)
def test_what_somebody_changes_at_a_box_is_a_trip(
    live: Live, box: str, message: str, says: str
) -> None:
    def at_step(index: int, step: Step) -> None:
        if isinstance(step, Read):
            assert live.bench is not None
            device = live.bench.devices[live.bench.resources[box]]
            device.obey(message)

    done = live.run(live.sequence(LONG_POINT), heard=Heard(at_step=at_step))
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3), done.ending.message
    assert says in done.ending.message
    assert live.outputs_on() == (False, False)


def test_a_small_move_of_the_line_is_flagged_on_the_point(live: Live) -> None:
    def at_step(index: int, step: Step) -> None:
        if isinstance(step, Read):
            assert live.bench is not None
            device = live.bench.devices[live.bench.resources["supply"]]
            device.obey("VOLT 26")

    live.run(live.sequence(LONG_POINT), heard=Heard(at_step=at_step))
    (point,) = [r["values"] for r in live.records() if r.get("outcome") == "Point"]
    assert "LINE_MOVED" in point["flags"]


def test_a_module_that_shuts_down_in_a_soak_is_not_called_soaked(live: Live) -> None:
    module = live.demo("module", "stop_temp_c = 145.0", "stop_temp_c = 70.0")
    text = Path(module).read_text("utf-8").replace("start_temp_c = 125.0", "start_temp_c = 60.0")
    Path(module).write_text(text, "utf-8")
    done = live.run(
        "load_sweep", module=module, points="4", lines_v="24", audit="no", predict_k="0"
    )
    tables = write_tables(done.folder)
    soaked = [p.point for p in tables.record.points if p.point.kind == "soaked"]
    assert soaked and not any(point.settled for point in soaked)
    assert "OUTPUT_LOST" in soaked[0].flags
    assert "derating.csv" in tables.left_out


class NotedWatchdog:
    """Stands for the watchdog's process; keeps how it was let go."""

    ends: ClassVar[list[bool]] = []

    def __init__(self, bench_path: Path, log_path: Path) -> None:
        self.may_stand_down = True

    def beat(self) -> None:
        pass

    def said(self) -> str:
        return "every output is off"

    def close(self) -> None:
        self.ends.append(self.may_stand_down)


@pytest.mark.parametrize("is_lost", [True, False])
def test_the_watchdog_is_handed_a_bench_that_was_not_seen_off(
    live: Live, monkeypatch: pytest.MonkeyPatch, is_lost: bool
) -> None:
    monkeypatch.setattr(run, "Watchdog", NotedWatchdog)
    monkeypatch.setattr(run, "hold", lambda *_: contextlib.nullcontext())
    monkeypatch.setattr(NotedWatchdog, "ends", [])
    real = partial(Seam, stays_on=True)
    monkeypatch.setattr("tests.runner.live.Seam", lambda *given, stays_on: real(*given))
    fault = faulty("supply", Fault("no-reply", skip=12, times=0)) if is_lost else {}
    heard = Heard()
    done = live.run(live.sequence(TWO_POINTS), heard=heard, **fault)  # type: ignore[arg-type]
    assert NotedWatchdog.ends == [not is_lost] == [done.ending.way.confirmed]
    told = [note for note in heard.notes if "COULD NOT" in note or "the watchdog" in note]
    assert len(told) == 2 * is_lost


def test_an_ambient_that_the_chamber_cannot_make_is_refused_on_the_bench_too(live: Live) -> None:
    done = live.run(live.sequence(REAL_ONLY.format(mistake="yield SetAmbient(300.0)")))
    assert done.ending.exit_code == 2 and "ambient: found 300.0 °C" in done.ending.message
    assert live.outputs_on() == (False, False)


def test_a_sequence_that_exits_while_it_is_closed_changes_nothing(live: Live) -> None:
    body = """
        import sys
        try:
            yield PowerUp(24.0)
            point = yield Read()
            if point.vout_v != setup.module.vout_set_v:
                yield Draw(7.0)
        finally:
            point.vout_v == setup.module.vout_set_v or sys.exit(3)  # faultless on paper alone
    """
    done = live.run(live.sequence(body))
    assert "load current: found 7.0 A" in done.ending.message
    assert live.records()[-1]["kind"] == "end"
    assert read_summary(done.folder)["ending"] == "failed"


def test_a_supply_as_coarse_as_its_maker_says_still_powers_up(live: Live) -> None:
    coarse = "voltage_accuracy = [{ range_v = 40.0, reading_pct = 3.0, offset_v = 0.1 }]"
    fine = "voltage_accuracy = [{ range_v = 40.0, reading_pct = 0.05, offset_v = 0.010 }]"
    bench = live.demo("bench", fine, coarse)
    for seed in range(8):
        text = Path(bench).read_text("utf-8")
        seeded = re.sub(r"seed = \d+", f"seed = {seed}", text)
        Path(bench).write_text(seeded, "utf-8")
        done = live.run(live.sequence(TWO_POINTS), bench=bench)
        assert done.ending.name == "done", done.ending.message
        shutil.rmtree(done.folder)
