"""Each fault by name does what it says, at its time or with its message, and no longer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sim.build import NamedFault, SimBench
from sim.fault_names import KINDS
from sim.seam import Gone
from tests.sim.conftest import CHAMBER, LOAD, SCANNER, SPECS, SUPPLY, MakeBench

Ask = Callable[[str, str], str | None]


@pytest.fixture
def tell(bench: SimBench) -> Ask:
    """Return a way to send a message over the wire to a box, by its instrument's name."""

    def tell_box(name: str, message: str) -> str | None:
        reply = bench.devices[bench.resources[name]].obey(message)
        return None if reply is None else reply.data.decode("latin-1").strip()

    return tell_box


def strike(bench: SimBench, name: Any, **keys: Any) -> None:
    bench.faults.switch_on(NamedFault(name=name, **keys))


def power(bench: SimBench, tell: Ask, iout_a: float = 2.0) -> None:
    tell("supply", "VOLT 24;CURR 4;:OUTP ON")
    tell("load", f"CURR {iout_a};:INP ON")
    bench.clock.sleep(1.0)


def test_a_fault_comes_at_its_time_and_goes_after_its_own(bench: SimBench, tell: Ask) -> None:
    strike(bench, "mute", instrument="supply", at_s=10.0, for_s=5.0)
    answers = []
    for _ in range(4):
        answers.append(tell("supply", "VOLT?") is not None)
        bench.clock.sleep(6.0)
    assert answers == [True, True, False, True]  # at 0, 6, 12 and 18 s
    assert not bench.faults.pending


def test_a_fault_comes_with_its_message(bench: SimBench, tell: Ask) -> None:
    strike(bench, "mute", instrument="supply", after_messages=2, messages=1)
    answers = [tell("supply", "VOLT?") is not None for _ in range(4)]
    assert answers == [True, True, False, True]


def test_a_fault_that_needs_no_instrument_counts_the_messages_of_the_supply(
    bench: SimBench, tell: Ask
) -> None:
    strike(bench, "fuse-opens", after_messages=1)
    tell("supply", "VOLT 24")
    for _ in range(3):
        tell("load", "CURR?")
    assert not bench.world.fuse.open
    tell("supply", "OUTP ON")
    assert bench.world.fuse.open


def test_a_fault_strikes_only_the_messages_it_names(bench: SimBench, tell: Ask) -> None:
    strike(bench, "clips", instrument="supply", in_message="VOLT ", level=20.0)
    assert tell("supply", "VOLT 24;:CURR 4;:VOLT?;:CURR?") == "20.000;4.0000"


@pytest.mark.parametrize(
    ("name", "says"),
    [("half-line", "0.0"), ("garbage", None), ("previous-reply", "9.000"), ("mute", None)],
)
def test_the_faults_of_the_wire(bench: SimBench, tell: Ask, name: Any, says: str | None) -> None:
    tell("supply", "VOLT 9")
    assert tell("supply", "VOLT?") == "9.000"
    strike(bench, name, instrument="supply", messages=1)
    spoilt = tell("supply", "CURR 0;CURR?")
    assert spoilt == says or (name, says) == ("garbage", None)
    assert spoilt is None or name != "garbage" or not spoilt.isascii()
    assert tell("supply", "CURR?") == "0.0000"


def test_a_box_that_hangs_does_not_obey(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    strike(bench, "hangs", instrument="supply", for_s=1.0)
    assert tell("supply", "OUTP OFF;OUTP?") is None
    assert bench.world.supply.on
    bench.clock.sleep(1.0)
    assert tell("supply", "OUTP OFF;OUTP?") == "0"


def test_a_reply_is_late_by_its_level(bench: SimBench) -> None:
    strike(bench, "reply-late", instrument="supply", level=0.7)
    reply = bench.devices[SUPPLY].obey("VOLT?")
    assert reply is not None and reply.ready_s == pytest.approx(0.702)


def test_a_flood_fills_the_queue_with_every_message(bench: SimBench, tell: Ask) -> None:
    strike(bench, "errors-flood", instrument="supply")
    for _ in range(5):
        tell("supply", "VOLT?")
    entries = [tell("supply", "SYST:ERR?") for _ in range(3)]
    assert all(entry and entry.startswith("-310") for entry in entries)


def test_a_box_that_disconnects_is_away_and_comes_back(bench: SimBench, tell: Ask) -> None:
    strike(bench, "disconnects", instrument="supply", at_s=1.0, for_s=2.0)
    device = bench.devices[SUPPLY]
    port = device.connect()
    bench.clock.sleep(1.5)
    with pytest.raises(Gone):
        device.connect()
    assert not port.alive
    bench.clock.sleep(1.5)
    assert device.connect().alive


def test_a_box_that_restarts_loses_its_settings(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    strike(bench, "restarts", instrument="supply")
    assert tell("supply", "OUTP?;:VOLT?;*ESR?") == "0;0.000;128"


def test_a_mains_dip_takes_every_output_at_once(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    tell("chamber", "TEMP 60;:OUTP ON")
    strike(bench, "mains-dip", at_s=bench.clock.now_s() + 1.0, for_s=0.5)
    bench.clock.sleep(1.2)
    assert tell("supply", "OUTP?") is None
    assert not bench.world.supply.on and not bench.world.load.on
    for resource in (SUPPLY, LOAD, SCANNER, CHAMBER):
        with pytest.raises(Gone):
            bench.devices[resource].connect()
    bench.clock.sleep(0.4)
    assert tell("supply", "OUTP?") == tell("load", "INP?") == tell("chamber", "OUTP?") == "0"


@pytest.mark.parametrize("name", ["supply", "load"])
def test_a_stuck_readback_stands_while_the_box_obeys(bench: SimBench, tell: Ask, name: str) -> None:
    power(bench, tell)
    strike(bench, "readback-stuck", instrument=name, for_s=60.0)
    before = tell(name, "MEAS:VOLT?;CURR?")
    power(bench, tell, 4.0)
    assert bench.world.now().iout_a == pytest.approx(4.0, abs=0.02)  # stated: 17 mA
    assert tell(name, "MEAS:VOLT?;CURR?") == before
    bench.clock.sleep(60.0)
    assert tell(name, "MEAS:CURR?") != (before or "").partition(";")[2]


def temp_c(tell: Ask, channel: int) -> float:
    return float(tell("case", f"MEAS:TEMP? (@{channel})") or "nan")


def test_a_thermometer_that_falls_off_reads_the_air_until_it_is_put_back(
    bench: SimBench, tell: Ask
) -> None:
    power(bench, tell, 4.0)
    bench.clock.sleep(600.0)
    was_c = temp_c(tell, 101)
    strike(bench, "thermometer-off", instrument="hot_spot", for_s=10.0)
    # 2 K: the stated error of a thermocouple here is 1 K either way.
    assert temp_c(tell, 101) == pytest.approx(25.0, abs=2.0) and was_c > 32.0
    bench.clock.sleep(10.0)
    assert temp_c(tell, 101) == pytest.approx(was_c, abs=1.0)


def test_a_thermometer_whose_wire_breaks_says_overload(bench: SimBench, tell: Ask) -> None:
    strike(bench, "thermometer-open", instrument="case")
    assert temp_c(tell, 102) == 9.9e37  # SCPI-1999 volume 1, 7.2.1.5
    assert temp_c(tell, 101) == pytest.approx(25.0, abs=2.0)


def test_a_meter_on_a_sensor_loses_it_too(make_bench: MakeBench) -> None:
    bench = make_bench(changed={"vin": {"wired": "case", "sensor": "PT100"}}, specs=ONE_CASE)
    box = bench.devices[bench.resources["vin"]].box
    ohm = float(box.handle("MEAS:RES?") or "nan")
    assert ohm == pytest.approx(109.7, abs=0.5)  # Pt100 at 25 °C: IEC 60751:2008, table 1
    bench.faults.switch_on(NamedFault(name="thermometer-open", instrument="vin", for_s=1.0))
    assert float(box.handle("MEAS:RES?") or "nan") == 9.9e37


ONE_CASE = tuple(spec for spec in SPECS if spec.name != "case")


def test_the_supplys_own_protection_and_the_loads_drop_out(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    strike(bench, "load-drops-out")
    assert tell("load", "INP?") == "0" and not bench.world.load.on and bench.world.supply.on
    strike(bench, "supply-trips")
    assert tell("supply", "CURR:PROT:TRIP?;:OUTP?") == "1;0" and not bench.world.supply.on


def test_what_breaks_in_the_module_breaks_at_its_time(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    died_s = bench.clock.now_s() + 100.0
    strike(bench, "module-dies-open", at_s=died_s)
    bench.clock.sleep(100.0)
    bench.faults.strike()
    hot_c = bench.world.now().hot_spot_temp_c
    bench.clock.sleep(30.0)
    tell("supply", "VOLT?")  # nobody looked for 30 s: it has cooled all the same
    assert bench.world.now().hot_spot_temp_c < hot_c - 2.0
    assert bench.world.now().vout_v < 0.1


def test_a_module_that_dies_short_has_the_line_at_its_output(bench: SimBench, tell: Ask) -> None:
    power(bench, tell)
    strike(bench, "module-dies-short")
    bench.clock.sleep(1.0)
    point = bench.world.now()
    assert point.vout_v == pytest.approx(point.vin_v, abs=0.5)


@pytest.mark.parametrize("name", ["heat-sink-off", "thermal-runaway"])
def test_heat_goes_where_it_should_not(bench: SimBench, tell: Ask, name: Any) -> None:
    power(bench, tell, 3.0)
    bench.clock.sleep(2000.0)
    before = bench.world.now()
    strike(bench, name)
    bench.clock.sleep(0.01)
    assert bench.world.now().hot_spot_temp_c == pytest.approx(before.hot_spot_temp_c, abs=0.1)
    bench.clock.sleep(2000.0)
    assert bench.world.now().hot_spot_temp_c > before.hot_spot_temp_c + 20.0


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"name": "mute"}, "instrument: found no such key; allowed: for 'mute' one of 'supply'"),
        ({"name": "mute", "instrument": "lod"}, "instrument: found 'lod'; allowed: for 'mute'"),
        ({"name": "thermometer-off", "instrument": "load"}, "one of 'hot_spot', 'case', 'amb"),
        ({"name": "fuse-opens", "instrument": "load"}, "'fuse-opens' needs none; take it out"),
        ({"name": "fuse-opens", "for_s": 2.0}, "for_s: found 2.0; allowed: 'fuse-opens' has"),
        ({"name": "fuse-opens", "level": 2.0}, "level: found 2.0; allowed: 'fuse-opens' has"),
        ({"name": "restarts", "instrument": "load", "messages": 2}, "messages: found 2"),
        ({"name": "clips", "instrument": "load"}, "level: found no such key; allowed: for 'clips'"),
    ],
)
def test_a_fault_that_cannot_be_is_refused(
    bench: SimBench, keys: dict[str, Any], says: str
) -> None:
    with pytest.raises(ValueError) as caught:
        bench.faults.switch_on(NamedFault(**keys))
    assert says in str(caught.value)


@pytest.mark.parametrize("name", sorted(KINDS))
def test_every_fault_can_be_switched_on(bench: SimBench, tell: Ask, name: Any) -> None:
    power(bench, tell)
    where = "case" if name.startswith("thermometer") else "supply"
    instrument = where if KINDS[name].in_box else ""
    strike(bench, name, instrument=instrument, level=3.0 if KINDS[name].level is not None else None)
    for box in ("supply", "load", "case", "chamber"):
        tell(box, "*IDN?")
