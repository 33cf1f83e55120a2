"""A rehearsal is the run itself on a simulated bench: the same ending, and nothing is kept."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

from runner.attention import Attention
from runner.errors import BadInput, StorageError
from runner.files.bench_file import load_bench_file
from runner.files.module_file import load_module_file
from runner.files.starters import write_starter
from runner.files.toml_file import resolve
from runner.heights import Height, Moment, Peak, heights, quantities, ratings
from runner.interlocks import Limit
from runner.rehearsal import Heard as Ear
from runner.rehearsal import Rehearsal, rehearse, stage
from runner.run import execute, prepare
from runner.sequence import load
from runner.steps import Draw, PowerUp, Reading, Step
from tests.runner.live import Heard, Live
from tests.runner.test_wiring_audit import METERS, ROLES

WARM = "yield PowerUp(24.0)\nyield Draw(4.0)\nyield Wait(900.0)\nyield PowerDown()\n"
SHORT: dict[str, Any] = {"points": "3", "lines_v": "24", "soak": "no", "audit": "no"}
SOCKET = "TCPIP0::supply.boathouse.example::5025::SOCKET"
NOWHERE = 'visa = "/nowhere/no_such_visa_library.so"'  # opening it is refused


def rehearsed(
    name: str,
    bench: str = "demo",
    module: str = "demo",
    heard: Heard | None = None,
    attention: Attention | None = None,
    texts: Mapping[str, str] = {},
) -> Rehearsal:
    sequence, attention = load(name), attention or Attention()
    job = stage(prepare(sequence, sequence.values(texts), bench, module, attention))
    return rehearse(job, attention, heard or Heard())


def real(live: Live, *changes: tuple[str, str]) -> str:
    """The demo bench as a bench of real boxes, without [simulation], some texts changed."""
    text = resolve("demo", "bench").read_text("utf-8").partition("\n[simulation]")[0]
    for found, instead in (('visa = "simulated"', NOWHERE), *changes):
        assert found in text
        text = text.replace(found, instead)
    path = live.folder / "real.toml"
    path.write_text(text, "utf-8")
    return str(path)


def height(told: Rehearsal, quantity: str, source: str) -> Height:
    found = [h for h in told.heights if h.limit.quantity == quantity and source in h.limit.source]
    assert len(found) == 1
    return found[0]


# ------------------------------------------------------------------- it is the run itself


def test_a_rehearsal_tells_what_the_run_then_does(live: Live) -> None:
    told = rehearsed("load_sweep", texts=SHORT)
    done = live.run("load_sweep", **SHORT)
    records = live.records()
    points = [r["values"] for r in records if r.get("outcome") == "Point"]
    assert told.ending.name == done.ending.name == "done"
    assert told.exit_code == 0 and told.trip is None and not told.over
    assert told.duration_s == records[-1]["t_s"]
    assert told.steps == sum(r["kind"] == "step" for r in records)
    assert told.points == told.points_planned == len(points)
    sampled_a = max(r["iin_a"] for r in records if r["kind"] == "sample")
    assert height(told, "iin_a", "fuse_a").peak.value >= sampled_a > 1.0


def test_the_duration_is_simulated_time(live: Live) -> None:
    told = rehearsed(live.sequence(WARM))
    assert 900.0 < told.duration_s < 910.0  # the wait, a ramp up and a way out


def test_an_interlock_that_would_trip_is_told_with_its_step_and_trips_the_run_too(
    live: Live,
) -> None:
    bench = live.demo("bench", "hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 70.0")
    sequence = live.sequence(WARM)
    told = rehearsed(sequence, bench)
    done = live.run(sequence, bench=bench)
    assert told.exit_code == done.ending.exit_code == 3
    assert told.ending.message == done.ending.message
    assert told.trip is not None and told.trip.quantity == "hot_spot_temp_c"
    assert told.trip.limit == 70.0 and float(told.trip.value) > 70.0
    moment = told.trip.moment
    assert (moment.index, type(moment.step).__name__) == (2, "Wait")
    assert (moment.line_set_v, moment.iout_set_a) == (24.0, 4.0)
    trip = next(r for r in live.records() if r["kind"] == "trip")
    assert 0.0 <= trip["t_s"] - moment.t_s < 5.0  # the way out lies between, and one slice
    interlock = height(told, "hot_spot_temp_c", "[limits]")
    assert interlock.is_over and interlock.is_interlock
    assert interlock.peak.value == told.trip.value


def test_a_rating_that_no_interlock_guards_is_passed_with_the_code_of_a_trip(live: Live) -> None:
    # 4 A from the demo twin warm its hot spot past 75 °C, its interlock stays at 125 °C.
    module = live.demo("module", "hot_spot_max_temp_c = 110.0", "hot_spot_max_temp_c = 75.0")
    Path(module).write_text(
        Path(module).read_text("utf-8").replace("case_max_temp_c = 100.0", ""), "utf-8"
    )
    told = rehearsed(live.sequence(WARM), module=module)
    assert told.ending.name == "done" and told.trip is None and told.exit_code == 3
    assert [h.limit.source for h in told.over] == ["limits.hot_spot_max_temp_c of the module file"]


def test_a_supply_that_would_protect_itself_is_told_as_the_trip(live: Live) -> None:
    # 9 V x 4 A are 36 W, so that the files are let pass; with the module's loss it is more.
    bench = real(live, ("rated_w = 160.0", "rated_w = 38.0"))
    told = rehearsed(live.sequence(WARM), bench)
    assert told.exit_code == 3 and told.trip is not None
    assert (told.trip.quantity, told.trip.value) == ("supply protection", "tripped")
    assert told.trip.moment.index == 2  # while it waits, right after the load went up


def test_flags_of_points_are_counted(live: Live) -> None:
    body = 'yield PowerUp(24.0)\nyield Draw(1.0)\nyield Read(label="unsettled")\n'
    body += 'yield Settle()\nyield Read(label="settled")\nyield PowerDown()\n'
    told = rehearsed(live.sequence(body))
    assert (told.points, told.flagged, dict(told.flags)) == (2, 1, {"UNSETTLED": 1})


def test_what_a_sequence_gives_up_for_is_its_ending(live: Live) -> None:
    body = 'yield PowerUp(24.0)\nyield Note("looked")\nyield GiveUp("no good")\n'
    told = rehearsed(live.sequence(body))
    assert told.exit_code == 4 and "no good" in told.ending.message
    assert told.notes == ("looked",)


def test_a_stop_ends_a_rehearsal_as_it_ends_a_run(live: Live) -> None:
    attention = Attention()

    def stop(index: int, step: object) -> None:
        if isinstance(step, Draw):
            attention._request = "SIGINT"

    told = rehearsed(live.sequence(WARM), heard=Heard(at_step=stop), attention=attention)
    assert told.exit_code == 5 and told.ending.name == "stopped"


# ------------------------------------------------- nothing is opened, nothing is written


def test_real_boxes_are_never_opened_and_nothing_is_left(
    live: Live, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    here, temporary = tmp_path / "here", tmp_path / "temporary"
    here.mkdir()
    temporary.mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    bench = real(live)
    told = rehearsed("load_sweep", bench, texts=SHORT)
    assert told.ending.name == "done"
    assert not list(here.iterdir()) and not list(temporary.iterdir())
    sequence, attention = load("load_sweep"), Attention()
    job = prepare(sequence, sequence.values(SHORT), bench, "demo", attention)
    with pytest.raises(BadInput, match="cannot be loaded"):  # the run would have opened it
        execute(job, tmp_path / "run", attention, Heard())


def test_a_starter_bench_can_be_rehearsed_as_it_is_written(tmp_path: Path) -> None:
    bench = write_starter("bench", tmp_path / "bench.toml")
    assert rehearsed("load_sweep", str(bench), texts=SHORT).ending.name == "done"


@pytest.mark.parametrize(
    ("found", "instead"),
    [
        (SOCKET, "ASRL/dev/ttyUSB7::INSTR"),
        (SOCKET, "ASRL4::INSTR"),
        (SOCKET, "TCPIP0::192.0.2.7::inst0::INSTR"),
        (SOCKET, "vxi0::10::INSTR"),
        ("GPIB0::9::INSTR", "PXI0::3::INSTR"),  # one box, three channels
        ('family = "scpi-supply"', 'family = "line-supply"'),
        ('family = "scpi-load-function"', 'family = "scpi-load-mode"'),
        ("timeout_s = 2.0", 'timeout_s = 2.0\nbatch = "single"\ngap_s = 0.05'),
    ],
)
def test_any_box_of_a_bench_file_has_a_twin(live: Live, found: str, instead: str) -> None:
    told = rehearsed("load_sweep", real(live, (found, instead)), texts=SHORT)
    assert told.ending.name == "done" and told.points == told.points_planned


def test_the_leads_of_the_bench_file_are_those_of_the_twin(live: Live) -> None:
    sequence, attention = load("load_sweep"), Attention()
    job = stage(prepare(sequence, sequence.values({}), real(live), "demo", attention))
    told = job.setup.bench.simulation
    assert (told["supply_lead_ohm"], told["load_lead_ohm"]) == (0.030, 0.040)
    bench = live.demo("bench", "supply_lead_ohm = 0.030", "supply_lead_ohm = 0.5\nreal_time = true")
    job = stage(prepare(sequence, sequence.values({}), bench, "demo", attention))
    told = job.setup.bench.simulation  # what [simulation] says of them counts, its clock does not
    assert told["supply_lead_ohm"] == 0.5 and told["real_time"] is False


# -------------------------------------------------------------------------- refused


def without_twin(live: Live) -> tuple[str, str]:
    text = resolve("demo", "module").read_text("utf-8").partition("\n[twin]")[0]
    path = live.folder / "bare.toml"
    path.write_text(text, "utf-8")
    return "demo", str(path)


def by_hand(live: Live) -> tuple[str, str]:
    text = Path(real(live)).read_text("utf-8")
    eye = '[instruments.hot_spot]\nfamily = "thermometer-by-eye"\n\n[instruments.case]'
    text = re.sub(r"\[instruments\.hot_spot\].*?\[instruments\.case\]", eye, text, flags=re.DOTALL)
    path = live.folder / "hand.toml"
    path.write_text(text, "utf-8")
    return str(path), "demo"


def unknown_key(live: Live) -> tuple[str, str]:
    path = Path(real(live))
    path.write_text(path.read_text("utf-8") + "\n[simulation]\nspeeed = 3.0\n", "utf-8")
    return str(path), "demo"


@pytest.mark.parametrize(
    ("files", "says"),
    [
        (without_twin, r"bare\.toml: found no \[twin\] table.*demo_module\.toml"),
        (by_hand, r"hand\.toml: names boxes worked by hand \(hot_spot\)"),
        (unknown_key, r"real\.toml: .*simulation\.speeed"),
    ],
)
def test_what_cannot_be_rehearsed_is_refused_in_words(
    live: Live, files: Callable[[Live], tuple[str, str]], says: str
) -> None:
    with pytest.raises(BadInput) as refused:
        rehearsed("load_sweep", *files(live), texts=SHORT)
    assert re.search(says, str(refused.value), re.DOTALL)


def test_what_run_refuses_a_rehearsal_refuses_in_the_same_words(live: Live) -> None:
    with pytest.raises(BadInput) as by_rehearsal:
        rehearsed("load_sweep", texts={"most_a": "9"})
    with pytest.raises(BadInput) as by_run:
        live.run("load_sweep", most_a="9")
    assert str(by_rehearsal.value) == str(by_run.value)


def test_no_room_for_the_temporary_folder_is_said(
    live: Live, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "missing"))
    with pytest.raises(StorageError, match="TMPDIR"):
        rehearsed("load_sweep", texts=SHORT)


# ---------------------------------------------------------------------- the arithmetic


def test_power_and_supply_voltage_follow_from_a_reading() -> None:
    # By hand, Ohm's and Joule's laws: 24 V + 2 A x 0.05 ohm = 24.1 V; x 2 A = 48.2 W;
    # 9 V x 4.5 A = 40.5 W; 24 V x 2 A - 40.5 W = 7.5 W.
    reading = Reading(1.0, 24.0, 2.0, 9.0, 4.5, None, None, 80.0)
    found = dict(quantities(reading, 0.05))
    assert found == pytest.approx(
        {
            "supply_v": 24.1,
            "supply_w": 48.2,
            "vin_v": 24.0,
            "iin_a": 2.0,
            "vout_v": 9.0,
            "iout_a": 4.5,
            "pout_w": 40.5,
            "ploss_w": 7.5,
            "hot_spot_temp_c": 80.0,
        }
    )


def test_the_greatest_is_kept_with_the_step_it_was_in() -> None:
    ear = Ear(Heard(), load_bench_file("demo"))
    steps: list[tuple[Step, float]] = [(PowerUp(24.0), 0.1), (Draw(4.0), 1.7), (Draw(1.0), 0.4)]
    for index, (step, iin_a) in enumerate(steps):
        ear.on_step(index, step)
        ear.on_reading(Reading(float(index), 24.0, iin_a, 9.0, 0.0))
    assert ear.peaks["iin_a"] == Peak(1.7, Moment(1, Draw(4.0), 24.0, 4.0, 1.0))


@pytest.mark.parametrize(
    ("quantity", "most", "value", "is_interlock", "is_over"),
    [
        ("iin_a", 4.0, 4.0, True, False),
        ("iin_a", 4.0, 4.001, True, True),
        ("iin_a", 4.0, 4.03, False, False),  # at the rating: within 1 % of it
        ("iin_a", 4.0, 4.05, False, True),
        ("hot_spot_temp_c", 110.0, 110.9, False, False),  # within 1 K, not 1 %
        ("hot_spot_temp_c", 110.0, 111.05, False, True),
    ],
)
def test_a_reading_at_a_rating_is_not_over_it(
    quantity: str, most: float, value: float, is_interlock: bool, is_over: bool
) -> None:
    peak = Peak(value, Moment(0, None, 0.0, 0.0, 0.0))
    one = Height(Limit(quantity, most, "somewhere"), is_interlock, peak)
    assert one.margin == pytest.approx(most - value)
    assert one.is_over is is_over
    assert one.is_at is (value > most and not is_over)


def test_every_rating_of_the_files_bears_on_a_quantity(live: Live) -> None:
    text = resolve("demo", "bench").read_text("utf-8")
    text = text.replace("\n[limits]", ROLES, 1).replace("\n[simulation]", METERS, 1)
    path = live.folder / "metered.toml"
    path.write_text(text.replace("shunt_ohm = 0.010", "shunt_ohm = 0.010\nshunt_max_a = 9.0"))
    found = {
        (limit.quantity, limit.most, limit.source)
        for limit in ratings(load_bench_file(path), load_module_file("demo"))
    }
    assert found == {  # read off the two files
        ("supply_v", 40.0, "rated_v of supply"),
        ("supply_w", 160.0, "rated_w of supply"),
        ("vin_v", 35.0, "limits.line_abs_max_v of the module file"),
        ("vin_v", 100.0, "range_v of vin_meter"),
        ("iin_a", 5.0, "rated_a of supply"),
        ("iin_a", 10.0, "lead_max_a of supply"),
        ("iin_a", 5.0, "limits.fuse_a of the bench file"),
        ("iin_a", 10.0, "range of iin_meter"),
        ("vout_v", 80.0, "rated_v of load"),
        ("vout_v", 100.0, "range_v of vout_meter"),
        ("iout_a", 5.5, "limits.iout_max_a of the module file"),
        ("iout_a", 30.0, "rated_a of load"),
        ("iout_a", 10.0, "lead_max_a of load"),
        ("iout_a", 9.0, "shunt_max_a of iout_meter"),
        ("iout_a", 10.0, "range of iout_meter"),  # 0.1 V over 10 mohm
        ("pout_w", 200.0, "rated_w of load"),
        ("hot_spot_temp_c", 110.0, "limits.hot_spot_max_temp_c of the module file"),
        ("case_temp_c", 100.0, "limits.case_max_temp_c of the module file"),
    }


def test_the_nearest_limit_of_a_quantity_comes_first_and_one_never_read_has_none() -> None:
    peak = Peak(2.0, Moment(0, None, 0.0, 0.0, 0.0))
    rated = [Limit("iin_a", 5.0, "a"), Limit("case_temp_c", 100.0, "b"), Limit("iin_a", 3.0, "c")]
    found = list(heights({"iin_a": peak}, rated, (Limit("iin_a", 4.0, "d"),)))
    assert [(h.limit.source, h.is_interlock) for h in found] == [
        ("c", False),
        ("d", True),
        ("a", False),
    ]
