"""Supplies and loads: settings, readbacks, channels and trips on the coupled bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from sim.build import BoxSpec, SimBench
from tests.sim.conftest import AMPS, LOAD_AMPS, SPECS, SUPPLY, VOLTS, MakeBench

Ask = Callable[[str, str], str | None]
QUESTIONABLE = "STAT:QUES:COND?"


def number(reply: str | None) -> float:
    assert reply is not None
    return float(reply)


def power_up(ask: Ask, bench: SimBench, iout_a: float = 2.0) -> None:
    ask("supply", "VOLT 24;CURR 4;:OUTP ON")
    bench.clock.sleep(1.0)
    ask("load", f"CURR {iout_a};:INP ON")
    bench.clock.sleep(1.0)


def test_readbacks_follow_the_world_within_the_stated_accuracy(ask: Ask, bench: SimBench) -> None:
    """The maker's limits hold for the mean; noise (2 % of the floor) is allowed 5 sigma."""
    power_up(ask, bench)
    point = bench.world.now()
    for name, query, true, accuracy in (
        ("supply", "MEAS:VOLT?", point.v_supply_v, VOLTS[0]),
        ("supply", "MEAS:CURR?", point.iin_a, AMPS[0]),
        ("load", "MEAS:CURR?", point.iout_a, LOAD_AMPS[1]),
    ):
        reading = number(ask(name, query))
        assert abs(reading - true) <= accuracy.limit(true) + 0.1 * accuracy.floor() + 5e-4
        assert reading != true


def test_what_the_supply_gives_depends_on_what_the_load_draws(ask: Ask, bench: SimBench) -> None:
    power_up(ask, bench, 1.0)
    light_a = number(ask("supply", "MEAS:CURR?"))
    ask("load", "CURR 4")
    bench.clock.sleep(1.0)
    assert number(ask("supply", "MEAS:CURR?")) > 3.0 * light_a


def test_errors_are_drawn_once_from_the_seed(make_bench: MakeBench) -> None:
    def reading(seed: int) -> str | None:
        box = make_bench(seed=seed).devices[SUPPLY].box
        box.handle("VOLT 24;:OUTP ON")
        return box.handle("MEAS:VOLT?")

    assert reading(5) == reading(5)
    assert reading(5) != reading(6)


def test_cv_cc_and_off_show_in_the_questionable_condition(ask: Ask, bench: SimBench) -> None:
    assert ask("supply", QUESTIONABLE) == "0"
    power_up(ask, bench)
    assert ask("supply", QUESTIONABLE) == "2"
    ask("load", "FUNC RES;:RES 12")  # a resistor lets the module drop out instead of starving
    ask("supply", "VOLT 8;CURR 0.5")
    bench.clock.sleep(1.0)
    assert ask("supply", QUESTIONABLE) == "1"


def test_over_voltage_trips_latches_and_is_cleared(ask: Ask, bench: SimBench) -> None:
    power_up(ask, bench)
    ask("supply", "VOLT:PROT 20")
    assert ask("supply", f"OUTP?;:{QUESTIONABLE};:VOLT:PROT:TRIP?") == "0;512;1"
    assert ask("supply", "OUTP ON;OUTP?;:SYST:ERR?") == (
        '0;-221,"Settings conflict;OVP is latched"'
    )
    ask("supply", "VOLT:PROT MAX;:OUTP:PROT:CLE;:OUTP ON")
    bench.clock.sleep(1.0)
    assert ask("supply", f"OUTP?;:{QUESTIONABLE};:SYST:ERR?") == '1;2;0,"No error"'


def test_over_current_trips_only_when_armed_and_after_its_delay(ask: Ask, bench: SimBench) -> None:
    power_up(ask, bench, 4.0)
    ask("supply", "CURR:PROT 1")
    bench.clock.sleep(1.0)
    assert ask("supply", "OUTP?") == "1"
    ask("supply", "CURR:PROT:STAT ON;:OUTP:PROT:DEL 0.2")
    bench.clock.sleep(0.1)
    assert ask("supply", "OUTP?") == "1"
    bench.clock.sleep(0.3)
    assert ask("supply", f"OUTP?;:{QUESTIONABLE};:CURR:PROT:TRIP?") == "0;1024;1"
    assert ask("supply", "STAT:QUES?") == str(1024 | 2)  # latched since power-up: CV, then the trip


def test_a_trip_acts_before_another_box_answers(ask: Ask, bench: SimBench) -> None:
    power_up(ask, bench, 1.0)
    ask("supply", "CURR:PROT 1;PROT:STAT ON;:OUTP:PROT:DEL 0")
    ask("load", "CURR 4")
    bench.clock.sleep(0.5)
    ask("load", "*OPC?")  # the supply trips though nobody asks it anything
    assert not bench.world.supply.on
    bench.clock.sleep(0.5)
    assert number(ask("load", "MEAS:CURR?")) < 0.1


def test_more_than_the_rated_power_trips_the_supply(make_bench: MakeBench) -> None:
    bench = make_bench(changed={"supply": {"rated_w": 20.0}})
    supply, load = (bench.devices[bench.resources[name]].box for name in ("supply", "load"))
    supply.handle("VOLT 24;:OUTP ON")
    bench.clock.sleep(1.0)
    load.handle("CURR 4;:INP ON")
    bench.clock.sleep(1.0)
    assert supply.handle(f"OUTP?;:{QUESTIONABLE}") == "0;4096"


def test_reset_switches_off_and_restores_the_defaults(ask: Ask, bench: SimBench) -> None:
    power_up(ask, bench)
    ask("supply", "*RST")
    ask("load", "*RST")
    assert ask("supply", "OUTP?;:VOLT?;:CURR?;:CURR:PROT:STAT?") == "0;0.000;5.0000;0"
    assert ask("load", "INP?;:FUNC?;:CURR?;:CURR:RANG?") == "0;CURR;0.000;30.000"
    assert not bench.world.supply.on and not bench.world.load.on


def test_remote_sense_is_refused_by_a_box_that_has_none(ask: Ask) -> None:
    ask("supply", "SYST:SENS ON")
    assert ask("supply", "SYST:SENS?;:SYST:ERR:COUN?") == "1;0"
    assert ask("load", "SYST:SENS ON;SENS?;:SYST:ERR?") == (
        '0;-241,"Hardware missing;remote sense"'
    )


def test_remote_sense_moves_the_voltage_to_the_far_end_of_the_leads(
    make_bench: MakeBench,
) -> None:
    """Ohm's law: 0.5 ohm of lead loses half a volt per ampere, unless it is sensed."""
    bench = make_bench(supply_lead_ohm=0.5)
    box = bench.devices[SUPPLY].box
    bench.devices[bench.resources["load"]].box.handle("CURR 3;:INP ON")
    box.handle("VOLT 24;:OUTP ON")
    bench.clock.sleep(1.0)
    point = bench.world.now()
    assert point.v_supply_v - point.vin_v == pytest.approx(0.5 * point.iin_a, rel=1e-3)
    box.handle("SYST:SENS ON")
    bench.clock.sleep(1.0)
    assert bench.world.now().vin_v == pytest.approx(24.0, abs=VOLTS[0].limit(24.0))
    assert number(box.handle("MEAS:VOLT?")) == pytest.approx(24.0, abs=2 * VOLTS[0].limit(24.0))


# ------------------------------------------------------------------ several channels


def channels(family: str) -> tuple[BoxSpec, ...]:
    """Return a bench whose supply is channel 2 of a bigger one."""
    return tuple(
        replace(spec, family=family, channel=2) if spec.name == "supply" else spec for spec in SPECS
    )


@pytest.mark.parametrize(
    ("family", "setting", "query", "measure", "condition"),
    [
        (
            "scpi-supply-instrument",
            "INST:NSEL 2;:VOLT 24;:OUTP ON",
            "VOLT?;:INST:NSEL?;:INST?",
            "MEAS:VOLT?",
            "STAT:QUES:COND?",
        ),
        (
            "scpi-supply-list",
            "VOLT 24,(@2);:OUTP ON,(@2)",
            "VOLT? (@2);:VOLT? (@1);:VOLT?",
            "MEAS:VOLT? (@2)",
            "STAT:QUES:COND? (@2)",
        ),
        (
            "scpi-supply-suffix",
            "SOUR2:VOLT 24;:OUTP2 ON",
            "SOUR2:VOLT?;:SOUR1:VOLT?;:VOLT?",
            "MEAS2:VOLT?",
            "STAT:QUES:INST:ISUM2:COND?",
        ),
    ],
)
def test_each_style_reaches_the_channel_that_is_wired(
    make_bench: MakeBench, family: str, setting: str, query: str, measure: str, condition: str
) -> None:
    bench = make_bench(specs=channels(family))
    box = bench.devices[SUPPLY].box
    box.handle(setting)
    bench.clock.sleep(1.0)
    first = "24.000;2;CH2" if family == "scpi-supply-instrument" else "24.000;0.000;0.000"
    assert box.handle(query) == first
    assert number(box.handle(measure)) == pytest.approx(24.0, abs=0.05)
    assert bench.world.supply.v_set_v == pytest.approx(24.0, abs=0.05)
    assert box.handle(condition) == "2"
    assert box.handle("SYST:ERR?") == '0,"No error"'


def test_a_channel_that_is_not_wired_has_open_terminals(make_bench: MakeBench) -> None:
    box = make_bench(specs=channels("scpi-supply-list")).devices[SUPPLY].box
    box.handle("VOLT 5,(@1,3);:OUTP ON,(@1:3)")
    reply = box.handle("MEAS:VOLT? (@1:3);:MEAS:CURR? (@3)")
    assert reply is not None
    volts, _, amps = reply.partition(";")
    assert [round(float(v), 1) for v in volts.split(",")] == [5.0, 0.0, 5.0]
    assert abs(float(amps)) < 0.01


@pytest.mark.parametrize(
    ("family", "message", "code"),
    [
        ("scpi-supply-list", "VOLT 5,(@4)", "-222"),
        ("scpi-supply-suffix", "OUTP4 ON", "-114"),
        ("scpi-supply-suffix", "OUTP0 ON", "-114"),
        ("scpi-supply-instrument", "INST:NSEL 4", "-222"),
        ("scpi-supply-instrument", "INST FOO", "-224"),
        ("scpi-supply", "VOLT 5,(@1)", "-108"),
        ("scpi-supply", "OUTP1 ON", "-113"),
    ],
)
def test_a_channel_that_does_not_exist_is_an_error(
    make_bench: MakeBench, family: str, message: str, code: str
) -> None:
    specs = SPECS if family == "scpi-supply" else channels(family)
    box = make_bench(specs=specs).devices[SUPPLY].box
    box.handle(message)
    assert (box.handle("SYST:ERR?") or "").startswith(code)


# ------------------------------------------------------------------ loads


def test_a_level_above_the_range_is_refused_and_a_lower_range_clips(ask: Ask) -> None:
    assert ask("load", "CURR 20;CURR:RANG 5;RANG?;:CURR?") == "6.000;6.0000"
    assert (ask("load", "CURR 7;CURR?;:SYST:ERR?") or "").startswith("6.0000;-222")
    assert ask("load", "CURR:RANG 6.1;RANG?;:CURR? MAX") == "30.000;30.000"


@pytest.mark.parametrize(
    ("function", "level", "mode"),
    [("CURR", "CURR 1.5", "CC"), ("RES", "RES 6", "CR"), ("POW", "POW 12", "CP")],
)
def test_each_function_keeps_its_own_level(
    ask: Ask, bench: SimBench, function: str, level: str, mode: str
) -> None:
    power_up(ask, bench)
    ask("load", f"{level};:FUNC {function}")
    bench.clock.sleep(1.0)
    assert bench.world.load.mode == mode
    v_v, i_a = (number(ask("load", q)) for q in ("MEAS:VOLT?", "MEAS:CURR?"))
    held = {"CC": i_a / 1.5, "CR": v_v / i_a / 6.0, "CP": v_v * i_a / 12.0}[mode]
    assert held == pytest.approx(1.0, rel=0.02)
    assert ask("load", "FUNC?") == function


def test_the_second_style_switches_with_mode_and_output(make_bench: MakeBench) -> None:
    bench = make_bench(changed={"load": {"family": "scpi-load-mode"}})
    box = bench.devices[bench.resources["load"]].box
    assert box.handle("MODE POWer;:POW 5;:OUTP ON;:MODE?;:OUTP?") == "POW;1"
    assert (box.handle("INP ON;:SYST:ERR?") or "") == ""
    assert (box.handle("SYST:ERR?") or "").startswith("-113")


@pytest.mark.parametrize(
    ("setting", "bit"),
    [("CURR:PROT 1;PROT:STAT ON", "1024"), ("POW:PROT 5;PROT:STAT ON", "4096")],
)
def test_a_load_trips_and_holds_its_input_off(
    ask: Ask, bench: SimBench, setting: str, bit: str
) -> None:
    power_up(ask, bench)
    ask("load", setting)
    bench.clock.sleep(0.5)
    assert ask("load", f"INP?;:{QUESTIONABLE}") == f"0;{bit}"
    assert (ask("load", "INP ON;:SYST:ERR?") or "").startswith("-221")
    ask("load", "CURR:PROT:STAT OFF;:POW:PROT:STAT OFF;:INP:PROT:CLE;:INP ON")
    assert ask("load", f"INP?;:{QUESTIONABLE}") == "1;0"


def test_a_load_that_cannot_hold_its_level_says_so(ask: Ask, bench: SimBench) -> None:
    ask("load", "CURR 2;:INP ON")
    bench.clock.sleep(1.0)
    assert ask("load", QUESTIONABLE) == "2048"
