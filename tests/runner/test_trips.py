"""Trips on the live demo bench: what is lost, what rises, what is switched behind its back."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import pytest

from runner.steps import Read, Step, Wait
from sim.build import NamedFault
from tests.runner.live import Heard, Live

WARM = """
    yield PowerUp(24.0)
    yield Draw(4.0)
    yield Wait(120.0)
    yield Read()
    yield PowerDown()
    yield Wait(5.0)
"""
SOAKED = """
    yield PowerUp(24.0)
    yield Draw(4.0)
    yield Soak(at_most_s=4000.0)
    yield Read("soaked")
    yield Wait(600.0)
    yield PowerDown()
"""


def tripped(live: Live, body: str = WARM, **asked: Any) -> dict[str, Any]:
    """The trip of a run that has to have one, and be off."""
    done = live.run(live.sequence(body), **asked)
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3), done.ending.message
    assert live.outputs_on() == (False, False)
    (trip,) = [record for record in live.records() if record["kind"] == "trip"]
    assert {"quantity", "value", "limit", "source", "tripped_s", "utc"} <= trip.keys()
    return trip


def at(live: Live, begins: Callable[[Step], bool], act: Callable[[], None]) -> Heard:
    """Do something to the bench when the first such step begins."""
    left = [act]

    def at_step(index: int, step: Step) -> None:
        if begins(step) and left:
            left.pop()()

    return Heard(at_step=at_step)


def at_read(live: Live, **fault: Any) -> Heard:
    """A fault that strikes when the point is read."""

    def strike() -> None:
        assert live.bench is not None
        live.bench.faults.switch_on(NamedFault(**fault))

    return at(live, lambda step: isinstance(step, Read), strike)


def obey(live: Live, name: str, message: str) -> None:
    assert live.bench is not None
    live.bench.devices[live.bench.resources[name]].obey(message)


# ------------------------------------------------------------------ thermometers


@pytest.mark.parametrize("part", ["hot_spot", "case", "ambient"])
def test_a_thermometer_that_breaks_is_a_trip_with_its_quantity(live: Live, part: str) -> None:
    trip = tripped(live, heard=at_read(live, name="thermometer-open", instrument=part))
    assert (trip["quantity"], trip["value"]) == (f"{part}_temp_c", "not read")
    assert "+9.90000000E+37" in trip["source"] and "the sensor is not open" in trip["source"]


def test_a_thermometer_box_that_falls_silent_is_a_trip_too(live: Live) -> None:
    trip = tripped(live, heard=at_read(live, name="mute", instrument="hot_spot"))
    assert "hot_spot_temp_c" in trip["quantity"] and trip["value"] == "not read"


@pytest.mark.parametrize("part", ["hot_spot", "case"])
def test_a_thermometer_that_falls_off_is_a_trip_within_two_seconds(live: Live, part: str) -> None:
    trip = tripped(live, heard=at_read(live, name="thermometer-off", instrument=part))
    assert trip["quantity"] == f"{part}_temp_c" and "come off" in trip["source"]
    step = next(record for record in live.records() if record.get("step") == "Read")
    assert trip["tripped_s"] - step["t_s"] < 2.0


def test_one_open_reading_is_noted_and_ends_nothing(live: Live) -> None:
    once = {"name": "thermometer-open", "instrument": "hot_spot", "for_s": 1e-4}
    done = live.run(live.sequence(WARM), heard=at_read(live, **once, after_messages=3))
    assert done.ending.exit_code == 0, done.ending.message
    (note,) = [record["text"] for record in live.records() if "sample" in record.get("text", "")]
    assert "not confirmed by a second look" in note and "hot_spot_temp_c is not read" in note


def test_a_thermometer_that_never_gave_anything_is_a_bench_that_is_not_as_its_file_says(
    live: Live,
) -> None:
    def lose(bench: Any) -> None:
        bench.faults.switch_on(NamedFault(name="thermometer-open", instrument="case"))

    done = live.run(live.sequence(WARM), prepare_bench=lose)
    assert (done.ending.name, done.ending.exit_code) == ("lost", 4)
    assert "the sensor is not open" in done.ending.message


# ----------------------------------------------------------------- rise and jump


@pytest.mark.parametrize("keys", ["", "\nrise_judged_after_s = 900.0"])
def test_a_heat_sink_that_comes_off_is_noticed_by_the_rise(live: Live, keys: str) -> None:
    bench = live.demo("bench", "fuse_a = 5.0", f"fuse_a = 5.0{keys}")
    heard = at_read(live, name="heat-sink-off")
    trip = tripped(live, SOAKED, bench=bench, heard=heard)
    assert trip["quantity"] in ("hot_spot_rise_k_per_min", "case_rise_k_per_min")
    assert 10.0 < trip["value"] < 20.0 and trip["limit"] == 10.0
    read = next(record for record in live.records() if record.get("step") == "Read")
    assert trip["tripped_s"] - read["t_s"] < 40.0  # hot spot limit would take minutes


def test_a_healthy_module_that_soaks_trips_nothing_and_raises_no_doubt(live: Live) -> None:
    done = live.run(live.sequence(SOAKED))
    assert done.ending.exit_code == 0, done.ending.message
    notes = [record["text"] for record in live.records() if record["kind"] == "note"]
    assert not [note for note in notes if "not confirmed" in note or "time of day" in note]


# ------------------------------------------------------- somebody else at the bench


@pytest.mark.parametrize("message", ["OUTP ON", "VOLT 12;OUTP ON"])
def test_a_supply_that_is_switched_on_behind_the_runs_back_is_a_trip(
    live: Live, message: str
) -> None:
    def is_last(step: Step) -> bool:
        return isinstance(step, Wait) and step.duration_s == 5.0

    heard = at(live, is_last, lambda: obey(live, "supply", message))
    trip = tripped(live, heard=heard)
    assert (trip["quantity"], trip["value"], trip["limit"]) == ("supply output", "on", "off")


def test_a_load_that_is_switched_on_behind_the_runs_back_is_a_trip(live: Live) -> None:
    body = "yield PowerUp(24.0)\nyield Wait(5.0)\nyield PowerDown()"
    heard = at(
        live, lambda step: isinstance(step, Wait), lambda: obey(live, "load", "CURR 1;INP ON")
    )
    trip = tripped(live, body, heard=heard)
    assert (trip["quantity"], trip["value"]) == ("load input", "on")


# ------------------------------------------------------------ limits of the person


@pytest.mark.parametrize(
    ("kind", "found", "key", "iout_a", "quantity"),
    [
        ("module", "iout_max_a = 5.5", "ploss_max_w = 1.5", 4.0, "ploss_w"),
        ("bench", "fuse_a = 5.0", "pin_max_w = 45.0", 4.8, "pin_w"),
        ("bench", "fuse_a = 5.0", "pout_max_w = 42.0", 4.8, "pout_w"),
        ("bench", "fuse_a = 5.0", "vout_min_v = 8.5", 5.4, "vout_v"),  # it limits at 5 A
    ],
)
def test_a_limit_of_the_persons_own_trips(
    live: Live,
    kind: Literal["bench", "module"],
    found: str,
    key: str,
    iout_a: float,
    quantity: str,
) -> None:
    files = {kind: live.demo(kind, found, f"{found}\n{key}")}
    body = WARM.replace("Draw(4.0)", f"Draw({iout_a})")
    trip = tripped(live, body, **files)
    assert trip["quantity"] == quantity and trip["source"] == f"[limits] of the {kind} file"


# -------------------------------------------------- the boxes' own watch on their line


def watched(live: Live, **changes: str) -> str:
    """The demo bench with a communication watchdog on supply and load."""
    path = live.demo("bench", "rated_a = 5.0", "comm_watchdog_s = 12.0\nrated_a = 5.0")
    text = (live.folder / "bench.toml").read_text("utf-8")
    text = text.replace("rated_a = 30.0", "comm_watchdog_s = 12.0\nrated_a = 30.0")
    for found, instead in changes.items():
        text = text.replace(found.replace("_", "-"), instead)
    (live.folder / "bench.toml").write_text(text, "utf-8")
    return path


def test_the_boxes_watch_their_line_before_the_output_goes_on_and_are_let_go_at_the_end(
    live: Live,
) -> None:
    done = live.run(live.sequence(WARM), bench=watched(live))
    assert done.ending.exit_code == 0, done.ending.message
    wire = live.wire()
    on = next(k for k, line in enumerate(wire) if "supply OUTP ON" in line)
    for box in ("supply", "load"):
        armed = [k for k, line in enumerate(wire) if line.startswith(f"{box} SYST:COMM:WATC:TIM")]
        assert armed and armed[0] < on
        assert "SYST:COMM:WATC:STAT?" in wire[armed[0]]
        assert any(f"{box} SYST:COMM:WATC:STAT OFF" in line for line in wire[on:])
    notes = [record["text"] for record in live.records() if record["kind"] == "note"]
    assert not [note for note in notes if "not available" in note]


def test_a_box_that_cannot_watch_its_line_is_declared_and_nothing_is_made_up(live: Live) -> None:
    bench = watched(live, scpi_supply="line-supply")
    text = (live.folder / "bench.toml").read_text("utf-8")
    text = text.replace("TCPIP0::supply.boathouse.example::5025::SOCKET", "ASRL7::INSTR")
    (live.folder / "bench.toml").write_text(text, "utf-8")
    done = live.run(live.sequence(WARM), bench=bench)
    assert done.ending.exit_code == 0, done.ending.message
    notes = [record["text"] for record in live.records() if record["kind"] == "note"]
    assert "protection not available: communication watchdog of supply" in notes


@pytest.mark.parametrize(
    ("box", "message", "says"),
    [("supply", "VOLT 27", "supply voltage is 27"), ("load", "CURR 2.8", "load current is 2.8")],
)
def test_a_set_point_that_has_stood_is_held_closer(
    live: Live, box: str, message: str, says: str
) -> None:
    def at_step(index: int, step: Step) -> None:
        if isinstance(step, Wait) and live.bench is not None:
            live.bench.devices[live.bench.resources[box]].obey(message)

    steps = ("PowerUp(24.0)", "Draw(2.0)", "Settle(11.0)", "Wait(5.0)")
    text = "\n".join(f"    yield {step}" for step in steps)
    done = live.run(live.sequence(f"\n{text}\n"), heard=Heard(at_step=at_step))
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3), done.ending.message
    assert says in done.ending.message and live.outputs_on() == (False, False)
