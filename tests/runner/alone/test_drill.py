"""A drill says of each part what was seen, and passes only where every part did."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from runner import journal, run, watchdog
from runner.alone import drill, parts, runs
from runner.alone.parts import Planned, judged_thermometers
from runner.alone.proof import PARTS, read_drill
from runner.attention import Attention
from runner.cli.main import main
from runner.errors import BadInput
from runner.files.toml_file import resolve
from runner.interlocks import Limit
from runner.run import prepare
from runner.run_folder import read_summary
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from runner.steps import Reading
from sim.faults import Fault
from tests.runner.alone.drilled import Confirming, bench_file, do_drill, part_of

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
DEAD_WATCHDOG = (
    "import runner.watchdog as w; w.COMMAND = 'import sys; sys.stdin.read()'; "
    "from runner.cli.main import entry; entry()"
)


@pytest.fixture
def served(tmp_path: Path) -> Iterator[str]:
    """The bench file of a served demo bench: its outputs outlive the runner."""
    path = tmp_path / "served.toml"
    arguments = [*AMPWORTH, "sim", "serve", "demo", "--write-bench", str(path), "--speed", "10"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert "written" in server.stdout.readline()
        yield str(path)
        server.terminate()
        assert server.wait(10) == 0


def with_fault(monkeypatch: pytest.MonkeyPatch, box: str, fault: Fault) -> None:
    """Every simulated bench of this test has a fault on the wire of one box."""

    def open_faulty(*files: Any) -> Seam:
        live = simulated_bench(*files)
        live.devices[live.resources[box]].faults.switch_on(fault)
        return Seam(live.resource_manager(), live.clock, live.close, SIMULATED, stays_on=False)

    for module in (run, parts):
        monkeypatch.setattr(module, "open_seam", open_faulty)


def reading(**temps_c: float) -> Reading:
    """A look at a bench at rest with these temperatures [°C]."""
    named = {f"{spot}_temp_c": temps_c.get(spot) for spot in ("ambient", "case", "hot_spot")}
    return Reading(0.0, 0.0, 0.0, 0.0, 0.0, **named, supply_mode="OFF", load_mode="OFF")


def test_a_drill_on_the_simulated_bench_passes_and_says_what_it_did_not_prove(
    tmp_path: Path,
) -> None:
    told: list[str] = []
    drilled = do_drill(tmp_path / "drill", say=told.append)
    assert (drilled.ending, drilled.exit_code) == ("passed", 0)
    states = {part.name: part.state for part in drilled.parts}
    watchdog_part = states.pop("watchdog")
    assert set(states.values()) == {"passed"} and len(states) == 8
    assert watchdog_part == "not here"
    assert "proves nothing about real boxes" in part_of(drilled, "watchdog").seen
    assert drilled.message.endswith("without watchdog, which this bench has not")
    assert told[0] == "simulated bench: nothing is energised"


def test_its_journal_is_chained_and_holds_every_question_part_and_identity(tmp_path: Path) -> None:
    drilled = do_drill(tmp_path / "drill")
    records = list(journal.read(drilled.folder / journal.FILE_NAME))
    assert (records[0]["kind"], records[-1]["kind"]) == ("run", "end")
    assert [r["part"] for r in records if "part" in r] == list(PARTS)
    assert [r["raw"] for r in records if r["kind"] == "answer"] == ["yes"] * 3
    proof = read_drill(drilled.folder)
    assert proof.identities["supply"].startswith("BOATHOUSE,SUPPLY 40-5")
    assert read_summary(drilled.folder)["ending"] == "passed"


def test_it_is_shown_as_runs_are(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(do_drill(tmp_path / "drill").folder)
    assert main(["watch", folder]) == 0
    assert "passed: stop: pressed with the output on" in capsys.readouterr().err
    assert main(["report", folder]) == 0
    assert "every part was passed" in capsys.readouterr().out
    assert main(["resume", folder]) == 2
    assert "a drill is done again, not resumed" in capsys.readouterr().err


def test_the_limits_were_sent_to_the_boxes_and_asked_back(tmp_path: Path) -> None:
    drilled = do_drill(tmp_path / "drill")
    rows = (drilled.folder / "limits" / "wire.log").read_text("utf-8")
    for question in ("VOLT:PROT?", "CURR:PROT?", "CURR?"):
        assert question in rows
    # 5 % above the interlock of 4 A, and below 90 % of the fuse of 5 A, as the bench file says.
    assert "supply 4.2 A" in part_of(drilled, "limits").seen


@pytest.mark.parametrize("about", ["tray", "smoke alarm", "mains switch"])
def test_what_the_person_does_not_confirm_ends_it_with_nothing_energised(
    tmp_path: Path, about: str
) -> None:
    drilled = do_drill(tmp_path / "drill", person=Confirming(instead={about: "no"}))
    assert (drilled.ending, drilled.exit_code) == ("failed", 4)
    assert part_of(drilled, "person").state == "failed"
    assert not list(drilled.folder.glob("*/journal.jsonl"))
    with pytest.raises(BadInput, match="was not passed"):
        read_drill(drilled.folder)


def test_enter_alone_confirms_nothing(tmp_path: Path) -> None:
    class Hasty(Confirming):
        def line(self) -> str | None:
            return "" if len(self.asked) < 3 else "stop"

    person = Hasty()
    drilled = do_drill(tmp_path / "drill", person=person)
    assert (drilled.ending, drilled.exit_code) == ("stopped", 5)
    assert "type yes or no, in full" in person.asked[1]


def test_a_bench_that_declares_no_fuse_is_asked_for_it_and_judged_by_it(tmp_path: Path) -> None:
    bench = bench_file(tmp_path, "fuse_a = 5.0", "# no fuse named")
    small = do_drill(tmp_path / "a", bench=bench, person=Confirming(instead={"fuse": "4 A"}))
    assert "at most 3.6 A" in part_of(small, "fuse").seen  # 90 % of it
    assert small.ending == "failed"
    enough = do_drill(tmp_path / "b", bench=bench, person=Confirming(instead={"fuse": "5"}))
    assert "the fuse of 5 A as the person says" in part_of(enough, "fuse").seen
    assert enough.ending == "passed"


@pytest.mark.parametrize(
    ("temps_c", "room_temp_c", "state", "seen"),
    [
        ({"case": 21.0, "ambient": 22.5}, None, "passed", "1.5 K apart"),
        ({"case": 21.0, "ambient": 27.0}, None, "failed", "6.0 K apart, at most 5 K"),
        ({"case": 26.0, "ambient": 20.0}, 22.0, "passed", "4.0 K apart"),
        ({"case": 28.0}, 22.0, "failed", "6.0 K apart"),
        ({"case": 21.0}, None, "failed", "one alone proves nothing"),
        ({"case": 400.0, "ambient": 401.0}, None, "failed", "no temperature of a cold bench"),
        ({"case": float("nan"), "ambient": 20.0}, None, "failed", "no temperature"),
        ({}, None, "not here", "no thermometer"),
    ],
)
def test_thermometers_are_held_against_each_other_or_the_room(
    temps_c: dict[str, float], room_temp_c: float | None, state: str, seen: str
) -> None:
    part = judged_thermometers(temps_c, reading(**temps_c), room_temp_c, 5.0)
    assert part.state == state and seen in part.seen


def test_a_thermometer_that_reads_nothing_is_no_thermometer_less() -> None:
    part = judged_thermometers(["case", "ambient"], reading(ambient=20.0), None, 5.0)
    assert part.state == "failed" and part.seen.startswith("case reads nothing")


@pytest.mark.parametrize(
    ("box", "fault", "part"),
    [
        ("case", Fault("garbage", when="TEMP", times=0), "boxes thermometers"),
        ("load", Fault("no-reply", times=0), "boxes"),
        ("supply", Fault("garbage", when="*IDN", times=0), "boxes"),
        ("supply", Fault("clips", when="PROT ", most=1.2, times=0), "limits"),
    ],
)
def test_a_box_that_fails_at_its_part_fails_the_drill(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, box: str, fault: Fault, part: str
) -> None:
    with_fault(monkeypatch, box, fault)
    drilled = do_drill(tmp_path / "drill")
    assert drilled.ending == "failed" and drilled.exit_code == 4
    failed = [one.name for one in drilled.parts if one.state == "failed"]
    assert failed and set(failed) <= {*part.split(), "thermometers"}
    assert not (tmp_path / "drill" / "stop").exists()


def test_a_stop_that_is_not_heeded_fails_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runs, "ask_to_stop", lambda watched, who: None)
    drilled = do_drill(tmp_path / "drill")
    assert drilled.ending == "failed"
    stop = part_of(drilled, "stop")
    assert stop.state == "failed" and "the run ended done" in stop.seen


def test_an_interlock_that_does_not_trip_fails_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def unchanged(limits: tuple[Limit, ...], quantity: str, most: float) -> tuple[Limit, ...]:
        return limits

    monkeypatch.setattr(runs, "lowered", unchanged)
    drilled = do_drill(tmp_path / "drill")
    assert part_of(drilled, "interlock").state == "failed"
    assert "stop" not in [part.name for part in drilled.parts]  # nothing more was energised


def test_a_night_that_is_too_short_or_a_disk_too_full_fails_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sequence = load("derating")
    job = prepare(sequence, sequence.values({}), "demo", "demo", Attention())
    short = do_drill(tmp_path / "a", planned=Planned(job, within_h=0.1))
    assert "--within-h 0.1" in part_of(short, "disk and time").seen
    long = do_drill(tmp_path / "b", planned=Planned(job, within_h=240.0))
    assert "derating is planned for" in part_of(long, "disk and time").seen
    monkeypatch.setattr("runner.alone.proof.BYTES_PER_S", 1e12)
    full = do_drill(tmp_path / "c", planned=Planned(job))
    assert "may be needed" in part_of(full, "disk and time").seen
    assert [d.ending for d in (short, long, full)] == ["failed", "passed", "failed"]


def test_a_bench_worked_by_hand_gets_none(tmp_path: Path) -> None:
    hand = str(resolve("demo", "bench").with_name("hand_bench.toml"))
    with pytest.raises(BadInput, match="such a bench cannot be left alone"):
        do_drill(tmp_path / "drill", bench=hand)
    assert not (tmp_path / "drill").exists()


def test_on_a_bench_that_outlives_its_runner_the_runner_is_killed_and_the_output_goes_off(
    served: str, tmp_path: Path
) -> None:
    told: list[str] = []
    drilled = do_drill(tmp_path / "drill", bench=served, say=told.append)
    assert drilled.ending == "passed", drilled.message
    assert {part.state for part in drilled.parts} == {"passed"}
    assert "on the line; the output was asked over another" in part_of(drilled, "watchdog").seen
    killed = list(journal.read(drilled.folder / "watchdog" / journal.FILE_NAME))
    assert "end" not in [record["kind"] for record in killed]
    assert told[0].startswith("this energises real parts")
    assert read_drill(drilled.folder).ended is not None


def test_a_watchdog_that_does_nothing_fails_it_and_the_bench_is_made_safe(
    served: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watchdog, "LONGEST_TRY_S", 6.0)
    monkeypatch.setattr(watchdog, "COMMAND", DEAD_WATCHDOG)
    monkeypatch.setattr(runs, "LEAVE_ALONE_S", 2.0)
    only = {name: parts.ENERGISED[name] for name in ("limits", "watchdog")}
    monkeypatch.setattr(drill, "ENERGISED", only)
    drilled = do_drill(tmp_path / "drill", bench=served)
    assert drilled.ending == "failed"
    dropped = part_of(drilled, "watchdog")
    assert "supply says that it is on" in dropped.seen
    assert "made safe by the drill; it must not be left alone" in dropped.seen
    done = subprocess.run([*AMPWORTH, "make-safe", served], capture_output=True, text=True)
    assert done.returncode == 0


def test_a_box_that_goes_off_by_itself_does_not_stand_for_a_dead_watchdog(
    served: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, silence = Path(served), "rated_v = {}\ncomm_watchdog_s = 20.0  # at ten times the speed"
    text = path.read_text("utf-8")
    for rated in ("rated_v = 40.0", "rated_v = 80.0"):
        text = text.replace(rated, silence.format(rated.partition(" = ")[2]), 1)
    path.write_text(text, "utf-8")
    monkeypatch.setattr(watchdog, "LONGEST_TRY_S", 6.0)
    monkeypatch.setattr(watchdog, "COMMAND", DEAD_WATCHDOG)
    only = {name: parts.ENERGISED[name] for name in ("limits", "watchdog")}
    monkeypatch.setattr(drill, "ENERGISED", only)
    drilled = do_drill(tmp_path / "drill", bench=served)
    assert "supply told to go off after 20 s of silence" in part_of(drilled, "limits").seen
    dropped = part_of(drilled, "watchdog")
    assert dropped.state == "failed" and "was not the watchdog's doing" in dropped.seen
