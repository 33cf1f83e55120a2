"""Every family against the simulated box that speaks it, with live physics behind.

The simulator was written from the same list of commands by other hands; the two share
no code. Tolerances of readings are the boxes' stated accuracy.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from drivers import families
from drivers.errors import (
    BadReply,
    BoxError,
    InstrumentError,
    LostInstrument,
    SettingRefused,
)
from drivers.link import Link
from drivers.roles import Load, Supply
from sim.build import BoxSpec, SimBench
from sim.faults import Fault, Kind
from tests.drivers.live_bench import (
    SOCKET,
    SUPPLY_CHANNELS,
    bench_of,
    link_to,
    load_box,
    supply_box,
)

LOADS = ("scpi-load-function", "scpi-load-mode")


class Pair:
    """A supply, a module and a load, ready to be driven."""

    def __init__(self, supply_family: str, load_family: str = LOADS[0]) -> None:
        resource = "ASRL5::INSTR" if supply_family == "line-supply" else None
        self.supply_box = supply_box(supply_family, *([resource] if resource else []))
        self.load_box = load_box(load_family)
        self.bench: SimBench = bench_of([self.supply_box, self.load_box])
        self.record: list[tuple[str, str, str]] = []
        link = link_to(self.bench, self.supply_box, lambda *line: self.record.append(line))
        self.supply: Supply = families.supply(
            supply_family, link, name="supply", channel=SUPPLY_CHANNELS[supply_family]
        )
        self.load: Load = families.load(
            load_family, link_to(self.bench, self.load_box), name="load"
        )

    def strike(self, box: BoxSpec, kind: Kind, **how: Any) -> None:
        self.bench.devices[box.resource].faults.switch_on(Fault(kind, **how))

    def run(self, v_v: float = 24.0, iout_a: float = 2.0) -> None:
        self.supply.prepare(remote_sense=False)
        self.supply.set_level(v_v, 4.0)
        self.load.prepare(remote_sense=False, range_a=6.0)
        self.supply.set_output(True)
        self.load.set_level(iout_a)
        self.load.set_input(True)
        self.bench.clock.sleep(1.0)


@pytest.fixture(params=SUPPLY_CHANNELS)
def pair(request: pytest.FixtureRequest) -> Iterator[Pair]:
    made = Pair(request.param)
    yield made
    made.bench.close()


@pytest.fixture
def plain() -> Iterator[Pair]:
    made = Pair("scpi-supply")
    yield made
    made.bench.close()


def test_every_supply_family_drives_the_module(pair: Pair) -> None:
    pair.run()
    assert pair.supply.is_on()
    reading = pair.supply.measure()
    # stated accuracy of the box: 0.05 % + 10 mV, and 1 mohm of its own at about 1 A
    assert reading.v_v == pytest.approx(24.0, abs=0.0005 * 24.0 + 0.010 + 0.002)
    assert (reading.mode, reading.output_on) == ("CV", True)
    # what goes in is what comes out and what is lost: between 70 and 100 % of 18 W arrive
    assert 18.0 < reading.v_v * reading.i_a < 18.0 / 0.7
    pair.supply.set_output(False)
    assert not pair.supply.is_on()
    pair.bench.clock.sleep(20.0)
    gone = pair.supply.measure()
    assert gone.mode == "OFF" and abs(gone.v_v) < 0.1 and abs(gone.i_a) < 0.01


def test_every_supply_family_reports_constant_current(pair: Pair) -> None:
    pair.run(iout_a=0.5)
    pair.load.set_level(9.0, "CR")  # without regulation: 0.3 A through 9 ohm
    pair.supply.set_level(24.0, 0.3)
    pair.bench.clock.sleep(1.0)
    reading = pair.supply.measure()
    assert reading.mode == "CC"
    assert reading.i_a == pytest.approx(0.3, abs=0.0015 * 0.3 + 0.005 + 0.001)


def test_every_supply_family_sets_and_meets_its_trip(pair: Pair) -> None:
    pair.run(v_v=20.0)
    assert pair.supply.set_protection(22.0, 4.5) == ()
    with pytest.raises(InstrumentError):  # the trip ends it, or the box refuses the level
        pair.supply.set_level(25.0, 4.0)
        pair.bench.clock.sleep(1.0)
        assert pair.supply.measure().mode == "TRIPPED"
        pair.supply.set_output(True)
    pair.supply.prepare(remote_sense=False)
    pair.bench.clock.sleep(20.0)
    assert pair.supply.measure().mode == "OFF"


def test_every_supply_family_refuses_what_is_out_of_range(pair: Pair) -> None:
    pair.run()
    with pytest.raises((BoxError, SettingRefused)) as caught:
        pair.supply.set_level(99.0, 2.0)
    text = str(caught.value)
    assert "99 V" in text and pair.supply_box.resource in text and "24.0" in text
    assert isinstance(caught.value, SettingRefused) == (pair.supply_box.family == "line-supply")
    if pair.supply_box.channel is not None:
        assert f"on channel {pair.supply_box.channel}" in text
    assert pair.supply.measure().v_v == pytest.approx(24.0, abs=0.1)


def test_every_supply_family_notices_a_quiet_clip(pair: Pair) -> None:
    pair.run(v_v=20.0)
    command = {"line-supply": "V1 ", "scpi-supply-suffix": "VOLT "}.get(
        pair.supply_box.family, "VOLT "
    )
    pair.strike(pair.supply_box, "clips", when=command, most=23.5)
    with pytest.raises(SettingRefused, match=r"asked for 24 V .*23\.5"):
        pair.supply.set_level(24.0, 4.0)


def test_settings_of_one_batch_go_in_one_message(plain: Pair) -> None:
    plain.supply.prepare(remote_sense=False)
    plain.record.clear()
    plain.supply.set_level(24.0, 4.0)
    assert [direction for _, direction, _ in plain.record] == [">", "<"]
    plain.record.clear()
    plain.supply.measure()
    assert [direction for _, direction, _ in plain.record] == [">", "<"]


def test_channel_is_chosen_in_every_message() -> None:
    pair = Pair("scpi-supply-instrument")
    pair.run()
    stranger = link_to(pair.bench, pair.supply_box)  # another client moves the selection
    for number in range(5):
        stranger.tell("INST:NSEL 1")
        assert pair.supply.measure().v_v == pytest.approx(24.0, abs=0.1)
        stranger.tell("INST:NSEL 3")
        pair.supply.set_level(24.0, 4.0 - 0.1 * number)
        stranger.tell("INST:NSEL 3")
        assert stranger.tell("VOLT?") == ["0.000"]
    pair.bench.close()


def test_remote_sense_is_set_or_refused() -> None:
    pair = Pair("scpi-supply")
    pair.supply.prepare(remote_sense=True)
    assert pair.bench.world.supply.remote_sense
    pair.supply.prepare(remote_sense=False)
    assert not pair.bench.world.supply.remote_sense
    pair.bench.close()


@pytest.mark.parametrize("family", LOADS)
def test_every_load_family_in_every_mode(family: str) -> None:
    pair = Pair("scpi-supply", family)
    pair.run(iout_a=1.0)
    reading = pair.load.measure()
    # stated accuracy: 0.05 % + 0.05 % of the 6 A range; 0.025 % + 4.5 mV
    assert reading.i_a == pytest.approx(1.0, abs=0.0005 + 0.003 + 0.001 + 0.004)
    assert (reading.mode, reading.input_on) == ("CC", True)
    for level, mode in ((9.0, "CR"), (10.0, "CP"), (0.5, "CC")):
        pair.load.set_level(level, mode)  # type: ignore[arg-type]
        pair.bench.clock.sleep(1.0)
        found = pair.load.measure()
        assert found.mode == mode
        drawn = {"CR": found.v_v / found.i_a, "CP": found.v_v * found.i_a, "CC": found.i_a}[mode]
        assert drawn == pytest.approx(level, rel=0.02)
    pair.load.set_input(False)
    pair.bench.clock.sleep(1.0)
    assert pair.load.measure().mode == "OFF" and not pair.load.is_on()
    pair.bench.close()


@pytest.mark.parametrize("family", LOADS)
def test_every_load_family_sets_its_trips_and_range(family: str) -> None:
    pair = Pair("scpi-supply", family)
    pair.run(iout_a=1.0)
    assert pair.load.set_protection(2.0, 100.0) == ()
    pair.load.set_level(3.0)
    pair.bench.clock.sleep(1.0)
    assert pair.load.measure().mode == "TRIPPED"
    pair.load.prepare(remote_sense=False)
    assert pair.load.set_protection(None, None) == ()
    with pytest.raises(BoxError, match="-222"):
        pair.load.prepare(remote_sense=False, range_a=100.0)
    pair.load.prepare(remote_sense=False, range_a=6.0)
    with pytest.raises(InstrumentError, match="8 A in CC"):
        pair.load.set_level(8.0)  # above the range
    pair.bench.close()


def test_load_that_cannot_hold_its_current_says_so(plain: Pair) -> None:
    plain.run()
    plain.supply.set_output(False)
    plain.bench.clock.sleep(20.0)
    assert plain.load.measure().mode == "UNREGULATED"


METERS = (
    BoxSpec("vin", "GPIB0::11::INSTR", "scpi-meter", wired="vin"),
    BoxSpec("iout", "GPIB0::12::INSTR", "scpi-meter", wired="iout"),
    BoxSpec("iin", "GPIB0::13::INSTR", "scpi-meter", wired="iin", shunt_ohm=0.01),
)


def test_meters_of_volts_amperes_and_over_a_shunt(plain: Pair) -> None:
    pair = plain
    bench = bench_of([pair.supply_box, pair.load_box, *METERS])
    pair.supply = families.supply("scpi-supply", link_to(bench, pair.supply_box), name="supply")
    pair.load = families.load(LOADS[0], link_to(bench, pair.load_box), name="load")
    pair.bench = bench
    pair.run()
    made = [
        families.meter(
            "scpi-meter",
            link_to(bench, box),
            name=box.name,
            quantity="V" if box.name == "vin" else "A",
            shunt_ohm=box.shunt_ohm,
        )
        for box in METERS
    ]
    for meter, most in zip(made, (30.0, 5.0, 4.0), strict=True):
        meter.prepare(range_max=most)
    vin_v, iout_a, iin_a = (meter.measure() for meter in made)
    now = bench.world.now()
    assert vin_v == pytest.approx(now.vin_v, rel=1e-3)
    assert iout_a == pytest.approx(now.iout_a, rel=1e-3)
    assert iin_a == pytest.approx(now.iin_a, rel=1e-3)
    with pytest.raises(InstrumentError):
        made[0].prepare(range_max=1e6)
    made[0].prepare(range_max=0.1)
    with pytest.raises(BadReply, match=r"overload.*needs a greater range"):
        made[0].measure()
    bench.close()


SCANNER = "GPIB0::9::INSTR"
THERMOMETERS = (
    BoxSpec("hot_spot", SCANNER, "scpi-thermometer", channel=101, sensor="K", wired="hot_spot"),
    BoxSpec("ambient", SCANNER, "scpi-thermometer", channel=103, sensor="PT100", wired="ambient"),
)
CHAMBER = BoxSpec(
    "chamber",
    "ASRL3::INSTR",
    "scpi-chamber",
    least_temp_c=20.0,
    rated_temp_c=85.0,
    wired="chamber",
)


def test_thermometers_and_chamber(plain: Pair) -> None:
    bench = bench_of([plain.supply_box, plain.load_box, *THERMOMETERS, CHAMBER])
    link = link_to(bench, THERMOMETERS[0])
    hot, ambient = (
        families.thermometer(
            "scpi-thermometer", link, name=box.name, channel=box.channel, sensor=box.sensor
        )
        for box in THERMOMETERS
    )
    chamber = families.chamber("scpi-chamber", link_to(bench, CHAMBER), name="chamber")
    chamber.prepare()
    for thermometer in (hot, ambient):
        thermometer.prepare()
    replies = link.batch([*hot.queries, *ambient.queries])
    assert hot.parse(replies[:1]) == pytest.approx(25.0, abs=1.5)
    assert ambient.parse(replies[1:]) == pytest.approx(25.0, abs=1.0)
    chamber.set_temp(60.0)
    bench.clock.sleep(4 * 3600.0)
    assert chamber.measure() == pytest.approx(60.0, abs=1.0)
    assert ambient.measure() == pytest.approx(60.0, abs=1.5)
    with pytest.raises(BoxError, match="-222"):
        chamber.set_temp(200.0)
    chamber.stop()
    nothing = families.thermometer("scpi-thermometer", link, name="case", channel=110)
    with pytest.raises(BadReply, match=r"case: .*overload.*not open and is wired"):
        nothing.measure()
    wrong = families.thermometer("scpi-thermometer", link, name="x", channel=101, sensor="PT100")
    wrong.prepare()
    with pytest.raises(BadReply):
        wrong.measure()
    bench.close()


KINDS: tuple[Kind, ...] = ("late", "no-reply", "half-line", "garbage", "previous", "disconnects")


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_of_the_wire_gives_the_right_reading_or_an_error(kind: Kind, pair: Pair) -> None:
    pair.run()
    right = pair.supply.measure()
    for skip in range(3):
        pair.strike(pair.supply_box, kind, skip=skip, delay_s=1.5)
        for _ in range(4):
            try:
                found = pair.supply.measure()
            except InstrumentError:
                continue
            assert found.v_v == pytest.approx(right.v_v, abs=0.02)
            assert found.i_a == pytest.approx(right.i_a, rel=0.05)
            assert found.output_on and found.mode == "CV"
        pair.bench.devices[pair.supply_box.resource].faults.switch_off()
        pair.bench.clock.sleep(5.0)
        assert pair.supply.is_on()


def test_restart_of_a_box_is_noticed_before_its_readings_are_used(plain: Pair) -> None:
    plain.run()
    plain.strike(plain.supply_box, "restarts")
    with pytest.raises(LostInstrument, match="switched off and on"):
        plain.supply.measure()
    assert not plain.supply.is_on()


def test_queued_error_stops_the_setting(plain: Pair) -> None:
    plain.run()
    plain.strike(plain.supply_box, "error", code=-310)
    with pytest.raises(BoxError, match=r"asked for 23 V.*-310"):
        for _ in range(2):  # the box may queue it only after it has answered
            plain.supply.set_level(23.0, 4.0)


def test_output_off_is_sent_to_a_box_that_answers_nothing(plain: Pair) -> None:
    plain.run()
    plain.strike(plain.supply_box, "no-reply", times=0)
    with pytest.raises(InstrumentError):
        plain.supply.measure()
    with pytest.raises(InstrumentError):
        plain.supply.set_output(False)
    assert not plain.bench.world.supply.on


@pytest.mark.parametrize(
    ("batch", "resource"),
    [
        ("one-line", SOCKET),
        ("lines", SOCKET),
        ("single", SOCKET),
        ("one-line", "GPIB0::5::INSTR"),
        ("single", "GPIB0::5::INSTR"),
    ],
)
def test_each_framing_gives_the_same_readings(batch: Any, resource: str) -> None:
    box = supply_box("scpi-supply", resource)
    bench = bench_of([box])
    link: Link = link_to(bench, box)
    link.close()
    link.style = families.style("scpi-supply", resource, batch)
    supply = families.supply("scpi-supply", link, name="supply")
    supply.prepare(remote_sense=False)
    supply.set_level(12.0, 1.0)
    supply.set_output(True)
    bench.clock.sleep(1.0)
    assert supply.measure().v_v == pytest.approx(12.0, abs=0.02)
    with pytest.raises(BoxError, match="-222"):
        supply.set_level(99.0, 1.0)
    bench.close()
