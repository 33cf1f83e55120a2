"""Meters, thermometer and chamber: ranges, overload, channel lists, slow air."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from sim.build import Accuracy, BoxSpec, SimBench
from sim.instruments import sensors
from sim.instruments.chamber import CONTROL_TIME_CONSTANT_S
from tests.sim.conftest import SPECS, MakeBench

Ask = Callable[[str, str], str | None]
OVERLOAD = 9.9e37  # SCPI-1999 volume 1, 7.2.1.5


def number(reply: str | None) -> float:
    assert reply is not None
    return float(reply)


@pytest.fixture
def live(ask: Ask, bench: SimBench) -> Ask:
    """Return the bench with 24 V on the module and 2 A drawn from it."""
    ask("supply", "VOLT 24;CURR 4;:OUTP ON")
    ask("load", "CURR 2;:INP ON")
    bench.clock.sleep(2.0)
    return ask


def test_a_meter_reads_the_module_terminals(live: Ask, bench: SimBench) -> None:
    """Default accuracy 0.005 % + 0.003 % of 100 V: 4.2 mV at 24 V, noise beside it."""
    live("vin", "CONF:VOLT:DC 30")
    assert number(live("vin", "READ?")) == pytest.approx(bench.world.now().vin_v, abs=0.005)
    live("iin", "CONF:CURR:DC 3")
    assert number(live("iin", "READ?")) == pytest.approx(bench.world.now().iin_a, abs=0.0015)


def test_a_fixed_range_overloads_and_autorange_does_not(live: Ask) -> None:
    live("vin", "CONF:VOLT 10")
    assert live("vin", "VOLT:RANG?;RANG:AUTO?") == "10.000000;0"
    assert number(live("vin", "READ?")) == OVERLOAD
    assert number(live("vin", "MEAS:VOLT?")) == pytest.approx(24.0, abs=0.05)
    assert live("vin", "VOLT:RANG?;RANG:AUTO?") == "100.000000;1"  # MEASure reconfigured it


def test_fetch_has_nothing_until_something_was_measured(live: Ask) -> None:
    live("vin", "*RST")
    assert live("vin", "FETC?") is None
    assert (live("vin", "SYST:ERR?") or "").startswith("-230")
    live("vin", "INIT")
    assert live("vin", "FETC?") == live("vin", "FETC?")


def test_samples_come_comma_joined_and_cost_their_time(live: Ask, bench: SimBench) -> None:
    live("vin", "CONF:VOLT 100;:SAMP:COUN 3;:VOLT:NPLC 10")
    reply = live("vin", "READ?")
    assert reply is not None and len(reply.split(",")) == 3
    box = bench.devices[bench.resources["vin"]].box
    assert box.busy_s == pytest.approx(3 * 10 * 0.02)


def test_the_function_is_a_quoted_string(live: Ask) -> None:
    assert live("vin", "FUNC?") == '"VOLT:DC"'
    assert live("vin", 'FUNC "CURR:DC";FUNC?') == '"CURR:DC"'
    assert abs(number(live("vin", "READ?"))) < 0.01  # not wired for amperes
    live("vin", "FUNC CURR")
    assert (live("vin", "SYST:ERR?") or "").startswith("-104")
    live("vin", 'FUNC "FREQ"')
    assert (live("vin", "SYST:ERR?") or "").startswith("-224")


def test_a_range_beyond_the_last_is_refused(live: Ask) -> None:
    for message in ("CONF:VOLT 2000", "VOLT:RANG 2000", "MEAS:VOLT? 2000"):
        live("vin", message)
        assert (live("vin", "SYST:ERR?") or "").startswith("-222")


def test_a_meter_with_a_shunt_sees_the_shunt_voltage(make_bench: MakeBench) -> None:
    """Ohm's law: 10 mohm."""
    shunt = {"shunt_ohm": 0.01, "voltage_accuracy": (Accuracy(0.1, 0.005, 0.003),)}
    bench = make_bench(changed={"iin": shunt})
    boxes = {name: bench.devices[bench.resources[name]].box for name in bench.resources}
    boxes["supply"].handle("VOLT 24;:OUTP ON")
    boxes["load"].handle("CURR 4;:INP ON")
    bench.clock.sleep(2.0)
    expected_v = bench.world.now().iin_a * 0.01
    boxes["iin"].handle("CONF:VOLT 0.1")
    assert number(boxes["iin"].handle("READ?")) == pytest.approx(expected_v, abs=1e-5)


def test_a_scanner_reads_each_sensor_and_open_ones_overload(live: Ask, bench: SimBench) -> None:
    """Default accuracy 1 K."""
    bench.clock.sleep(3600.0)
    point = bench.world.now()
    reply = live("case", "MEAS:TEMP? (@101:104)")
    assert reply is not None
    hot_c, case_c, ambient_c, none = (float(part) for part in reply.split(","))
    assert hot_c == pytest.approx(point.hot_spot_temp_c, abs=1.2)
    assert case_c == pytest.approx(point.case_temp_c, abs=1.2)
    assert ambient_c == pytest.approx(point.ambient_temp_c, abs=1.2)
    assert none == OVERLOAD


def test_a_channel_set_for_another_sensor_reads_overload(live: Ask) -> None:
    assert live("case", "TEMP:TRAN:TYPE? (@101,103)") == "TC,K,RTD,85"
    live("case", "CONF:TEMP TC,T,(@101)")
    assert number(live("case", "MEAS:TEMP? (@101)")) == OVERLOAD
    live("case", "CONF:TEMP TC,DEF,(@101);:CONF:TEMP RTD,85,(@103)")
    assert number(live("case", "MEAS:TEMP? (@101)")) < 500.0
    assert live("case", "SYST:ERR:COUN?") == "0"


def test_units_of_temperature_are_converted(live: Ask) -> None:
    """0 °C = 273.15 K = 32 °F."""
    celsius = number(live("case", "MEAS:TEMP? (@103)"))
    assert number(live("case", "UNIT:TEMP K;:MEAS:TEMP? (@103)")) == pytest.approx(
        celsius + 273.15, abs=0.2
    )
    assert number(live("case", "UNIT:TEMP F;:MEAS:TEMP? (@103)")) == pytest.approx(
        celsius * 1.8 + 32.0, abs=0.4
    )


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("MEAS:TEMP? (@100)", "-222"),
        ("MEAS:TEMP? (@101:130)", "-222"),
        ("MEAS:TEMP? 101", "-104"),
        ("MEAS:TEMP? (@101),(@102)", "-108"),
        ("CONF:TEMP TC,X,(@101)", "-224"),
        ("CONF:TEMP FOO,K,(@101)", "-224"),
        ("CONF:TEMP TC,K", "-109"),
    ],
)
def test_a_bad_channel_or_sensor_is_refused(ask: Ask, message: str, code: str) -> None:
    assert ask("case", message) is None
    assert (ask("case", "SYST:ERR?") or "").startswith(code)


def test_the_chamber_brings_its_air_to_the_set_point_as_first_order(
    ask: Ask, bench: SimBench
) -> None:
    """After one time constant 63.2 % of the way (1 - 1/e), after many all of it."""
    ask("chamber", "TEMP 65;:OUTP ON")
    assert ask("chamber", "STAT:OPER:COND?;:TEMP?;:OUTP?") == "2;65.00;1"
    for _ in range(240):
        bench.clock.sleep(CONTROL_TIME_CONSTANT_S / 240)
        ask("chamber", "*OPC?")
    expected_c = 25.0 + 40.0 * (1.0 - math.exp(-1.0))
    assert bench.world.now().ambient_temp_c == pytest.approx(expected_c, abs=0.05)
    bench.clock.sleep(20 * CONTROL_TIME_CONSTANT_S)
    assert number(ask("chamber", "MEAS:TEMP?")) == pytest.approx(65.0, abs=0.7)
    assert ask("chamber", "STAT:OPER:COND?") == "0"
    assert number(ask("ambient", "MEAS:TEMP? (@103)")) == pytest.approx(65.0, abs=1.2)


def test_the_chamber_refuses_what_it_cannot_make(ask: Ask) -> None:
    assert (ask("chamber", "TEMP 86;TEMP?;:SYST:ERR?") or "").startswith("25.00;-222")


def test_a_sensor_elsewhere_is_left_open(make_bench: MakeBench) -> None:
    loose = BoxSpec("loose", "GPIB0::9::INSTR", "scpi-thermometer", channel=110, wired="")
    bench = make_bench(specs=(*SPECS, loose))
    reply = bench.devices["GPIB0::9::INSTR"].box.handle("MEAS:TEMP? (@110)")
    assert number(reply) == OVERLOAD


# ------------------------------------------------------------------ bare sensors on a meter


@pytest.mark.parametrize(
    ("temp_c", "ohm"),
    [
        (-40.0, 84.27),
        (0.0, 100.0),
        (25.0, 109.73),
        (50.0, 119.40),
        (100.0, 138.51),
        (150.0, 157.33),
    ],
)
def test_a_platinum_sensor_has_the_resistance_of_the_standards_table(
    temp_c: float, ohm: float
) -> None:
    """IEC 60751:2008, table 1, printed to two decimals (25 °C from memory)."""
    assert sensors.platinum_ohm(temp_c) == pytest.approx(ohm, abs=0.006)


@pytest.mark.parametrize(
    ("kind", "temp_c", "emf_mv"),
    [
        *[("K", -40.0, -1.527), ("K", 25.0, 1.000), ("K", 50.0, 2.023), ("K", 100.0, 4.096)],
        *[("K", 200.0, 8.138), ("T", -40.0, -1.475), ("T", 25.0, 0.992), ("T", 50.0, 2.036)],
        *[("T", 100.0, 4.279), ("T", 200.0, 9.288)],
    ],
)
def test_a_thermocouple_has_the_emf_of_the_tables(kind: str, temp_c: float, emf_mv: float) -> None:
    """NIST Monograph 175 (ITS-90), printed to a microvolt (from memory)."""
    assert sensors.thermocouple_v(kind, temp_c, 0.0) * 1e3 == pytest.approx(emf_mv, abs=0.0006)


@pytest.mark.parametrize(("temp_c", "ohm"), [(0.0, 33620.6), (50.0, 3588.18), (100.0, 697.52)])
def test_an_ntc_follows_the_beta_equation(temp_c: float, ohm: float) -> None:
    """1/T = 1/T25 + ln(R/R25)/B worked by hand for 10 kohm and 3950 K."""
    assert sensors.ntc_ohm(temp_c) == pytest.approx(ohm, rel=2e-6)


@pytest.mark.parametrize(
    ("sensor", "configure", "expected", "limit"),
    [
        # limits: 0.01 % of reading + 0.001 % of range in ohms, 3 uV on the 0.1 V range
        ("PT100", "CONF:FRES 1000", 109.7347, 0.021),  # IEC 60751:2008 at 25 °C
        ("NTC", "CONF:RES 1E6", 10_000.0, 11.0),  # by definition
        ("K", "CONF:VOLT:DC 0.1", 0.0, 3e-6),  # both ends at 25 °C
    ],
)
def test_a_meter_sees_a_bare_sensor(
    make_bench: MakeBench, sensor: str, configure: str, expected: float, limit: float
) -> None:
    bench = make_bench(changed={"vin": {"wired": "ambient", "sensor": sensor}})
    box = bench.devices[bench.resources["vin"]].box
    box.handle(configure)
    assert number(box.handle("READ?")) == pytest.approx(expected, rel=0, abs=1.1 * limit)
    assert (box.handle("CONF?") or "").startswith('"' + configure[5:].split()[0].split(":")[0])


def test_open_leads_overload_in_ohms(live: Ask) -> None:
    live("vin", "CONF:RES")
    assert number(live("vin", "READ?")) == OVERLOAD
