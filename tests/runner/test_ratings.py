"""A bench and a module are held together before anything is energised.

Input currents are checked against the power balance Pin = Vin Iin = Pout / efficiency (the
definition of efficiency in 10 CFR 430 Subpart B Appendix Z); the rest is Ohm's law.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from runner.errors import BadInput
from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.files.toml_file import read, resolve
from runner.ratings import (
    allowed,
    check,
    check_line,
    check_load,
    input_current_a,
    interlocks,
)
from tests.runner.files.toml_text import changed, without

BENCH = read(resolve("demo", "bench"))
MODULE = {key: value for key, value in read(resolve("demo", "module")).items() if key != "twin"}
SUPPLY = ("instruments", "supply")
LOAD = ("instruments", "load")
METER = {
    "resource": "GPIB0::4::INSTR",
    "family": "scpi-meter",
    "range_v": 0.1,
    "shunt_ohm": 0.01,
    "voltage_accuracy": [{"range_v": 0.1, "reading_pct": 0.01}],
}


def bench(table: dict[str, Any] = BENCH) -> BenchFile:
    return BenchFile.model_validate(table)


def module(**changes: Any) -> ModuleFile:
    return ModuleFile.model_validate(MODULE | changes)


def with_meter(role: str, **keys: Any) -> dict[str, Any]:
    table = changed(BENCH, ("roles", role), "meter")
    return changed(table, ("instruments", "meter"), METER | keys)


def refusal(table: dict[str, Any], device: ModuleFile | None = None) -> str:
    with pytest.raises(BadInput) as caught:
        check(bench(table), device or module(), "bench.toml", "module.toml")
    message = str(caught.value)
    assert message.startswith("bench.toml with module.toml: ")
    return message


def warned(table: dict[str, Any], device: ModuleFile | None = None) -> str:
    return "\n".join(check(bench(table), device or module(), "bench.toml", "module.toml"))


def test_the_shipped_bench_suits_the_shipped_module_without_a_warning() -> None:
    assert check(bench(), module(), "bench.toml", "module.toml") == ()


def test_input_current_follows_from_the_power_balance() -> None:
    # 9 V x 4 A = 36 W out; at 75 % 48 W in; from 20 V that is 2.4 A
    assert input_current_a(module(), 20.0, 4.0, 0.75) == pytest.approx(2.4, rel=1e-12)


@pytest.mark.parametrize(
    ("table", "most_a", "reason"),
    [
        (BENCH, 5.5, "limits.iout_max_a of the module file"),
        (changed(BENCH, (*LOAD, "rated_a"), 5.2), 5.2, "rated_a of load"),
        (changed(BENCH, (*LOAD, "lead_max_a"), 5.0), 5.0, "lead_max_a of load"),
        # 46.35 W at 9.27 V, the upper edge of 9 V with 3 %, are 5 A
        (changed(BENCH, (*LOAD, "rated_w"), 46.35), 5.0, "rated_w of load"),
        (changed(BENCH, ("limits", "iout_max_a"), 4.5), 4.5, "limits.iout_max_a of the bench"),
        (with_meter("iout", range_v=0.05), 5.0, "range of meter"),  # 50 mV over 10 mohm
        (with_meter("iout", shunt_max_a=4.2), 4.2, "shunt_max_a of meter"),
    ],
)
def test_the_greatest_load_is_the_least_of_all_that_carry_it(
    table: dict[str, Any], most_a: float, reason: str
) -> None:
    may = allowed(bench(table), module())
    assert may.iout_max_a == pytest.approx(most_a, rel=1e-9)
    assert may.iout_reason.startswith(reason)


@pytest.mark.parametrize(
    ("table", "most_v", "reason"),
    [
        (BENCH, 33.0, "limits.vin_max_v of the bench"),
        (without(BENCH, ("limits", "vin_max_v")), 35.0, "limits.line_abs_max_v of the module"),
        (changed(BENCH, (*SUPPLY, "rated_v"), 32.0), 32.0, "rated_v of supply"),
        (with_meter("vin", range_v=31.0), 31.0, "range_v of meter"),
    ],
)
def test_the_greatest_line_is_the_least_of_all_that_carry_it(
    table: dict[str, Any], most_v: float, reason: str
) -> None:
    may = allowed(bench(table), module())
    assert may.line_max_v == most_v
    assert may.line_reason.startswith(reason)


def test_a_set_point_above_the_greatest_is_refused_with_the_reason() -> None:
    may = allowed(bench(), module())
    check_load(may, 5.5)
    check_load(may, 55 * 0.1)  # 5.500000000000001
    check_line(may, 33.0)
    with pytest.raises(BadInput, match=r"found 5.51 A; allowed: 0 to 5.5 A \(limits.iout_max_a of"):
        check_load(may, 5.51)
    with pytest.raises(BadInput, match=r"found 33.1 V; allowed: 0.5 to 33 V \(limits.vin_max_v of"):
        check_line(may, 33.1)


@pytest.mark.parametrize("value", [-0.1, math.nan, math.inf, "1.0", None, True])
def test_a_set_point_that_is_no_quantity_is_refused(value: Any) -> None:
    may = allowed(bench(), module())
    with pytest.raises(BadInput):
        check_load(may, value)
    with pytest.raises(BadInput):
        check_line(may, value)


def test_hardware_limits_lie_above_the_interlocks_and_below_every_rating() -> None:
    may = allowed(bench(), module())
    most = {limit.quantity: limit.most for limit in interlocks(bench(), module())}
    assert most["iin_a"] < may.supply_limit_a < 5.0  # the fuse and the supply are 5 A
    assert most["vin_v"] < may.supply_trip_v <= 35.0  # the module's absolute maximum
    assert most["iout_a"] < may.load_trip_a <= 10.0  # the leads
    assert may.load_trip_w <= 200.0
    assert may.greatest() == {
        "vin_v": 33.0,
        "iin_a": may.supply_limit_a,
        "vout_v": 10.5,
        "iout_a": 5.5,
    }


@pytest.mark.parametrize(
    ("at", "value"), [((*SUPPLY, "lead_max_a"), 4.1), (("limits", "fuse_a"), 4.5)]
)
def test_the_supply_limit_spares_leads_and_fuse(at: tuple[str, ...], value: float) -> None:
    may = allowed(bench(changed(BENCH, at, value)), module())
    assert may.supply_limit_a <= 4.1
    assert may.supply_limit_a < value or at[-1] != "fuse_a"


def test_a_missing_interlock_has_its_stated_default() -> None:
    most = {
        limit.quantity: limit.most
        for limit in interlocks(bench(changed(BENCH, ("limits",), {})), module())
    }
    assert most == pytest.approx(
        {
            "vin_v": 35.0,  # the module's absolute maximum
            "iin_a": 5.0,  # the supply
            "vout_v": 9.9,  # 9.0 V and 10 %
            "iout_a": 5.775,  # 5.5 A and 5 %
            "ploss_w": 9.0 * 5.5 * 3.0 / 7.0,  # an efficiency of 70 %: loss is 3/7 of output
            "hot_spot_temp_c": 120.0,
            "case_temp_c": 110.0,
            "ambient_temp_c": 95.0,
            "ploss_jump_w": 0.5 * 9.0 * 5.5 * 3.0 / 7.0,  # half of the greatest loss allowed
            "hot_spot_rise_k_per_min": 10.0,
            "case_rise_k_per_min": 10.0,
        }
    )


def test_a_temperature_without_any_limit_is_not_watched() -> None:
    table = changed(without(BENCH, ("roles", "chamber")), ("limits",), {})
    device = module(limits={k: v for k, v in MODULE["limits"].items() if k != "case_max_temp_c"})
    quantities = [limit.quantity for limit in interlocks(bench(table), device)]
    assert "ambient_temp_c" not in quantities
    assert "case_temp_c" not in quantities


@pytest.mark.parametrize(
    ("at", "value", "says"),
    [
        (
            ("limits", "vin_max_v"),
            41.0,
            "limits.vin_max_v: found 41.0; allowed: at most 40, rated_v",
        ),
        (
            ("limits", "iin_max_a"),
            5.5,
            "limits.iin_max_a: found 5.5; allowed: at most 5, limits.fuse",
        ),
        (("limits", "vout_max_v"), 81.0, "limits.vout_max_v: found 81.0; allowed: at most 80"),
        (
            ("limits", "iout_max_a"),
            11.0,
            "limits.iout_max_a: found 11.0; allowed: at most 10, lead",
        ),
        (
            ("limits", "vin_max_v"),
            29.0,
            "limits.vin_max_v: found 29.0; allowed: at least 30 V, the",
        ),
        (("limits", "vout_max_v"), 9.2, "limits.vout_max_v: found 9.2; allowed: at least 9.27 V"),
        (("limits", "iout_max_a"), 3.9, "limits.iout_max_a: found 3.9; allowed: at least 4 A"),
        # 36 W from 20 V are 1.8 A, even without loss
        (("limits", "iin_max_a"), 1.7, "limits.iin_max_a: found 1.7; allowed: at least 1.8 A"),
        (("limits", "fuse_a"), 1.7, "limits.fuse_a: found 1.7; allowed: at least 1.8 A"),
        ((*SUPPLY, "rated_a"), 1.7, "supply.rated_a: found 1.7; allowed: at least 1.8 A"),
        ((*SUPPLY, "lead_max_a"), 1.7, "supply.lead_max_a: found 1.7; allowed: at least 1.8 A"),
        ((*SUPPLY, "rated_w"), 35.0, "supply.rated_w: found 35.0; allowed: at least 36 W"),
        # 30 V and 30 mohm times 1.2 A
        ((*SUPPLY, "rated_v"), 30.0, "supply.rated_v: found 30.0; allowed: at least 30.04 V"),
        ((*LOAD, "rated_v"), 9.0, "load.rated_v: found 9.0; allowed: at least 9.27 V"),
        ((*LOAD, "rated_a"), 3.0, "load.rated_a: found 3.0; allowed: at least 4 A"),
        ((*LOAD, "rated_w"), 30.0, "load.rated_w: found 30.0; allowed: at least 37.08 W"),
        ((*LOAD, "lead_max_a"), 3.0, "load.lead_max_a: found 3.0; allowed: at least 4 A"),
        ((*LOAD, "least_v"), 9.0, "load.least_v: found 9.0; allowed: at most 8.73 V"),
    ],
)
def test_what_cannot_work_together_is_refused_by_its_key(
    at: tuple[str, ...], value: float, says: str
) -> None:
    assert says in refusal(changed(BENCH, at, value))


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (with_meter("vin", range_v=20.0), "meter.range_v: found 20.0, which reads up to 20 V"),
        (
            with_meter("iout", range_v=0.03),
            "meter.range_v: found 0.03, which reads up to 3 A; allowed: at least 4 A",
        ),
        (
            with_meter("iin", shunt_max_a=1.0),
            "meter.shunt_max_a: found 1.0; allowed: at least 1.8 A",
        ),
    ],
)
def test_a_meter_that_cannot_hold_the_sweep_is_refused(table: dict[str, Any], says: str) -> None:
    assert says in refusal(table)


def test_everything_impossible_is_listed_at_once() -> None:
    table = changed(BENCH, ("limits", "vin_max_v"), 29.0)
    table = changed(table, (*LOAD, "rated_a"), 3.0)
    assert "mistakes\n" in refusal(table)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (
            without(changed(BENCH, (*LOAD, "remote_sense"), False), (*LOAD, "lead_resistance_ohm")),
            "instruments.load: remote_sense is false and lead_resistance_ohm is missing",
        ),
        (without(BENCH, (*SUPPLY, "current_accuracy")), "supply.current_accuracy is missing"),
        (without(BENCH, ("roles", "hot_spot")), "roles.hot_spot is missing"),
        (without(BENCH, ("roles", "ambient")), "roles.ambient is missing"),
        (
            changed(BENCH, ("limits", "hot_spot_max_temp_c"), 100.0),
            "limits.hot_spot_max_temp_c of the bench is 100 °C, below the module's 110 °C",
        ),
        # 9 V x 5.5 A / 70 % from 20 V are 3.54 A; 3 A of them are enough for 4.67 A out
        (
            changed(BENCH, ("limits", "iin_max_a"), 3.0),
            "would draw 3.54 A if its efficiency were only 70%; loads up to 4.67 A",
        ),
        (
            changed(BENCH, (*SUPPLY, "lead_resistance_ohm"), 0.2),
            "instruments.supply: the leads may drop 0.71 V",  # 3.54 A x 0.2 ohm
        ),
    ],
)
def test_what_should_be_known_before_a_night_is_a_warning(table: dict[str, Any], says: str) -> None:
    assert says in warned(table)


def test_leads_without_sense_are_no_matter_where_a_meter_reads_the_terminals() -> None:
    table = changed(with_meter("vout", range_v=20.0), (*LOAD, "remote_sense"), False)
    table = without(table, (*LOAD, "lead_resistance_ohm"))
    assert "remote_sense" not in warned(table)


def test_a_box_that_watches_its_line_more_impatiently_than_a_run_speaks_to_it_is_warned_of() -> (
    None
):
    brisk = warned(changed(BENCH, (*SUPPLY, "comm_watchdog_s"), 5.0))
    assert "instruments.supply.comm_watchdog_s is 5 s" in brisk and "for 10 s" in brisk
    assert warned(changed(BENCH, (*SUPPLY, "comm_watchdog_s"), 15.0)) == ""
    slow = changed(BENCH, (*LOAD, "timeout_s"), 20.0)
    assert "for 40 s" in warned(changed(slow, (*SUPPLY, "comm_watchdog_s"), 15.0))
