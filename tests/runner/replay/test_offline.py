"""A run replayed on its own recorded wire: the same, however it ended, or its first difference."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest.mock import patch

import pytest

from runner.attention import Attention
from runner.bench import Bench
from runner.files.toml_file import resolve
from runner.replay.offline import DIFFERS, replay
from runner.replay.outputs import TIMES_WITHIN_S
from runner.report.tables import write_tables
from runner.steps import Reading, Step
from runner.wire_record import STOP, TYPED
from sim.build import SimBench
from sim.faults import Fault, Kind
from tests.runner.hand.scripted_person import ScriptedPerson
from tests.runner.live import TWO_POINTS, Heard, Live
from tests.runner.replay.replays import changed, contents, in_wire, same, two_points

SERVE = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]


# ------------------------------------------------------------------------ the same again


def test_a_load_sweep_with_a_soak_is_the_same_and_its_folder_is_left_alone(live: Live) -> None:
    folder = live.run("load_sweep", points="3", lines_v="24").folder
    write_tables(folder)
    before = contents(folder)
    told = same(folder)
    assert (told.tables, told.journals.outcomes > 20, told.journals.samples > 100) == (
        4,
        True,
        True,
    )
    assert told.sent == len(in_wire(folder, ">"))
    assert contents(folder) == before


def test_a_derating_in_a_chamber_is_the_same(live: Live) -> None:
    folder = live.run("derating", ambients_c="25,50", audit="no").folder
    write_tables(folder)
    assert same(folder).tables == 4


def test_what_the_replay_made_can_be_kept(live: Live, tmp_path: Path) -> None:
    folder = two_points(live)
    replay(folder, tmp_path / "kept")
    for name in ("journal.jsonl", "efficiency.csv", "readings.csv"):
        kept = (tmp_path / "kept" / name).read_text("utf-8")
        assert kept.count("\n") == (folder / name).read_text("utf-8").count("\n")


def test_a_trip_is_reached_again(live: Live) -> None:
    bench = live.demo("bench", "hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 30.0")
    done = live.run("load_sweep", points="3", lines_v="24", bench=bench)
    assert done.ending.name == "tripped"
    same(done.folder)


def test_a_stop_at_a_look_comes_at_the_same_look(live: Live) -> None:
    attention = Attention()

    def stop(index: int, step: Step) -> None:
        if index == 3:
            os.kill(os.getpid(), signal.SIGTERM)

    with attention.listening():
        folder = two_points(live, heard=Heard(at_step=stop), attention=attention)
    assert in_wire(folder, STOP) == ["at a look: stopped by SIGTERM"]
    same(folder)


def test_a_stop_while_the_sequence_thinks_comes_there_again(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    body = """
        import os, signal, time
        yield PowerUp(24.0)
        point = yield Read()
        if os.environ.get("STOP_NOW") and point.vout_v != setup.module.vout_set_v:
            os.kill(os.getpid(), signal.SIGINT)
            time.sleep(1.0)
        yield Draw(1.0)
    """
    monkeypatch.setenv("STOP_NOW", "1")
    attention = Attention()
    with attention.listening():
        done = live.run(live.sequence(body), attention=attention)
    monkeypatch.delenv("STOP_NOW")
    assert done.ending.name == "stopped"
    assert in_wire(done.folder, STOP) == ["while the sequence thought: stopped by SIGINT"]
    same(done.folder)


FAULTS: list[tuple[str, Kind, dict[str, Any]]] = [
    ("load", "late", {"when": "MEAS", "skip": 5, "delay_s": 2.5}),
    ("load", "late", {"when": "MEAS", "skip": 5, "delay_s": 2.5, "times": 3}),
    ("supply", "garbage", {"when": "MEAS", "skip": 5}),
    ("supply", "half-line", {"when": "MEAS", "skip": 5}),
    ("case", "half-line", {"when": "TEMP", "skip": 5, "times": 2}),
    ("load", "previous", {"when": "MEAS", "skip": 5}),
    ("supply", "no-reply", {"skip": 30, "times": 0}),
    ("load", "no-reply", {"skip": 30, "times": 2}),
    ("supply", "disconnects", {"when": "MEAS", "skip": 5, "delay_s": 1.0}),
    ("load", "disconnects", {"when": "MEAS", "skip": 5, "delay_s": 600.0}),
    ("supply", "restarts", {"when": "MEAS", "skip": 6}),
    ("supply", "error", {"when": "OUTP ON", "code": -310}),
    ("load", "clips", {"when": "CURR ", "most": 1.2, "times": 0}),
]


@pytest.mark.parametrize(("box", "kind", "how"), FAULTS)
def test_a_fault_on_the_wire_is_there_again(
    live: Live, box: str, kind: Kind, how: dict[str, Any]
) -> None:
    def switch_on(bench: SimBench) -> None:
        bench.devices[bench.resources[box]].faults.switch_on(Fault(kind, **how))

    done = live.run(live.sequence(TWO_POINTS), prepare_bench=switch_on)
    struck = in_wire(done.folder, "!") + in_wire(done.folder, "~")
    assert struck or kind in ("clips", "error", "previous")
    same(done.folder)


def test_a_terse_serial_supply_is_the_same(live: Live) -> None:
    bench = live.demo("bench", 'family = "scpi-supply"', 'family = "line-supply"')
    changed(Path(bench), "TCPIP0::supply.boathouse.example::5025::SOCKET", "ASRL7::INSTR")
    folder = two_points(live, bench=bench)
    assert "V1?" in in_wire(folder, ">")
    same(folder)


def test_what_people_typed_is_typed_again(live: Live) -> None:
    bench = str(resolve("demo", "bench").with_name("hand_bench.toml"))
    person = ScriptedPerson(live, instead=mistyped_once())
    done = live.run(
        live.sequence(TWO_POINTS.replace("Draw(2.0)", "Draw(0.4)")), bench=bench, person=person
    )
    assert done.ending.name == "done", done.ending.message
    assert "line wet" in in_wire(done.folder, TYPED)
    write_tables(done.folder)
    assert same(done.folder).tables


class Typist:
    """Types another word first, then what was asked for."""

    def __init__(self) -> None:
        self._lines = iter([None, "perhaps", None, "GO"])

    def say(self, text: str) -> None:
        pass

    def ask(self, text: str) -> None:
        pass

    def line(self) -> str | None:
        return next(self._lines)


def test_a_step_that_asks_is_answered_as_it_was(live: Live) -> None:
    body = 'yield PowerUp(24.0)\nyield Ask("is the cover on?", "GO")\nyield Read()'
    done = live.run(live.sequence(body), person=Typist())
    assert done.ending.name == "done", done.ending.message
    assert in_wire(done.folder, TYPED) == ["line perhaps", "line GO"]
    same(done.folder)


def mistyped_once() -> Any:
    wrong = iter(["wet"])
    return lambda question: next(wrong, None) if "output of the module" in question else None


@pytest.fixture
def served(tmp_path: Path) -> Any:
    """The bench file of a served demo bench whose heat goes 60 times as fast."""
    path = tmp_path / "served.toml"
    arguments = [*SERVE, "sim", "serve", "demo", "--write-bench", str(path), "--speed", "60"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None and "written" in server.stdout.readline()
        yield path
        server.terminate()


def test_a_run_over_sockets_in_real_time_is_the_same(served: Path, tmp_path: Path) -> None:
    quick = ["--lines-v", "24", "--points", "3", "--samples", "3", "--every-s", "0.02"]
    quick += ["--audit", "no", "--tare", "no", "--warm-up-s", "0.2", "--settle-s", "0.05"]
    run = [*SERVE, "run", "load_sweep", "--bench", str(served), "--out", str(tmp_path / "run")]
    subprocess.run([*run, *quick, "--soak", "no"], check=True, capture_output=True, timeout=120)
    told = same(tmp_path / "run")
    assert told.tables == 3 and told.took_s < told.journals.t_s and told.times_apart_s == 0.0
    with patch.object(Bench, "look", looking_twice_at_the_clock(Bench.look)):
        same(tmp_path / "run")  # a version that asks the clock once more is no other version


def looking_twice_at_the_clock(look: Callable[[Bench], Reading]) -> Callable[[Bench], Reading]:
    def twice(bench: Bench) -> Reading:
        bench.clock.now_s()
        return look(bench)

    return twice


@pytest.mark.parametrize(("later_s", "is_same"), [(0.004, True), (0.02, False)])
def test_times_may_be_apart_by_less_than_their_tolerance(
    live: Live, later_s: float, is_same: bool
) -> None:
    folder = two_points(live)
    rows = []
    for row in (folder / "wire.log").read_text("utf-8").splitlines():
        rows.append(row)
        t_s, instrument, way, _ = row.split("\t")
        if (instrument, way) == ("case", "<"):  # the last box of a look
            rows.append(f"{float(t_s) + later_s}\t\t=\t")
    (folder / "wire.log").write_text("\n".join([*rows, ""]), "utf-8")
    told = replay(folder)
    assert (told.differences == ()) is is_same
    if is_same:
        assert told.times_apart_s == pytest.approx(later_s, abs=1e-5) and later_s < TIMES_WITHIN_S


# ------------------------------------------------------------------------ first differences


def test_a_changed_sequence_is_told_with_the_line_and_the_step(live: Live) -> None:
    folder = two_points(live)
    changed(folder / "inputs" / "sequence.py", "Draw(2.0)", "Draw(2.1)")
    told = replay(folder)
    assert told.exit_code == DIFFERS
    wire, in_journal = told.differences
    number = next(
        k
        for k, row in enumerate((folder / "wire.log").read_text("utf-8").split("\n"), 1)
        if "load\t>\tCURR 2;" in row
    )
    assert (wire.of, wire.where) == ("wire", f"wire.log, line {number}")
    assert wire.recorded.startswith("load > CURR 2;") and wire.now.startswith("load > CURR 2.1;")
    assert wire.step == "step 4 (drawing 2.1 A)"
    assert in_journal.where.endswith("args.iout_a") and in_journal.recorded == "2.0"
    assert any("inputs/sequence.py was changed" in note for note in told.notes)


def test_another_version_of_the_sequence_may_be_named(live: Live, tmp_path: Path) -> None:
    folder = two_points(live)
    newer = tmp_path / "newer.py"
    newer.write_bytes((folder / "inputs" / "sequence.py").read_bytes())
    assert replay(folder, other_sequence=str(newer)).exit_code == 0
    changed(newer, "yield PowerDown()", "pass")
    told = replay(folder, other_sequence=str(newer))
    assert told.differences[0].of == "wire" and told.notes == ()


def test_an_altered_line_of_a_driver_is_told(live: Live, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = two_points(live)
    from drivers.supplies import ScpiSupply

    plain = ScpiSupply.set_output

    def with_a_question(self: ScpiSupply, on: bool) -> None:
        self.link.ask("*OPC?")
        plain(self, on)

    monkeypatch.setattr(ScpiSupply, "set_output", with_a_question)
    told = replay(folder)
    (wire,) = told.differences
    assert wire.now.startswith("supply > *OPC?") and wire.recorded.startswith("supply > OUTP ON;")


def test_an_altered_outcome_is_told_though_the_lines_are_the_same(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = two_points(live)
    from runner.spread import Spread

    plain = Spread.sd.fget  # type: ignore[attr-defined]
    monkeypatch.setattr(Spread, "sd", property(lambda self: 1.001 * plain(self)))
    told = replay(folder)
    first = told.differences[0]
    assert (first.of, first.step.split()[:2]) == ("journal", ["step", "3"])
    assert "(outcome Point) values.sd." in first.where
    assert float(first.now) == pytest.approx(1.001 * float(first.recorded))


def test_an_altered_analysis_is_told_with_its_table_and_column(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = two_points(live)
    monkeypatch.setattr("runner.report.rows.efficiency", lambda pin_w, pout_w: pin_w / pout_w)
    told = replay(folder)
    (table,) = told.differences
    assert (table.of, table.where) == ("tables", "efficiency.csv, line 2, efficiency_pct")
    # The wrong way round gives the reciprocal, in percent.
    assert float(table.now) == pytest.approx(1e4 / float(table.recorded), abs=1e-3)


def test_a_line_that_is_not_sent_any_more_is_told(live: Live) -> None:
    folder = two_points(live)
    with (folder / "wire.log").open("a", encoding="utf-8") as file:
        file.write("99.5\tload\t>\tINP OFF\n")
    (wire,) = replay(folder).differences
    assert (wire.recorded, wire.now) == ("load > INP OFF", "nothing more")
