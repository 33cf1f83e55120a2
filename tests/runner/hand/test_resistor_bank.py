"""Which resistor stands for a load, and for how long: Ohm's law and the file's own figures."""

from __future__ import annotations

from math import inf, isinf
from pathlib import Path
from typing import Any

import pytest

from runner.errors import BadInput
from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.module_file import ModuleFile, load_module_file
from runner.files.toml_file import read, resolve
from runner.hand.eyes import eyes_of
from runner.hand.resistor_bank import OPEN, Bank, bank_of, check_stay
from runner.ratings import allowed, check
from tests.runner.files.toml_text import changed, toml_text, without

HAND = read(resolve("demo", "bench").with_name("hand_bench.toml"))
RESISTORS = ("instruments", "resistors")
NINE_V = load_module_file("demo")


def resistor(ohm: float, **keys: Any) -> dict[str, Any]:
    plain = {"tolerance_pct": 1.0, "temp_coefficient_ppm_per_k": 50.0, "rated_w": 100.0}
    return plain | {"resistance_ohm": ohm} | keys


def file(*resistors: dict[str, Any], **keys: Any) -> BenchFile:
    table = changed(HAND, (*RESISTORS, "resistors"), list(resistors))
    for key, value in keys.items():
        table = changed(table, (*RESISTORS, key), value)
    return BenchFile.model_validate(table)


def bank(*resistors: dict[str, Any], iout_max_a: float = 5.5, **keys: Any) -> Bank:
    found = bank_of(file(*resistors, **keys), NINE_V, iout_max_a)
    assert found is not None
    return found


def test_the_nearest_current_is_chosen_leads_included() -> None:
    # 9 V over 4.46 + 0.04 ohm is 2 A, over 8.96 + 0.04 ohm 1 A (Ohm's law).
    found = bank(resistor(8.96), resistor(4.46), lead_resistance_ohm=0.04)
    assert [choice.iout_a for choice in found.choices] == pytest.approx([1.0, 2.0])
    for asked_a, gets_a in ((0.01, 1.0), (1.4, 1.0), (1.6, 2.0), (5.0, 2.0)):
        assert found.nearest(asked_a).iout_a == pytest.approx(gets_a)
    assert found.nearest(1.0).power_w == pytest.approx(8.96)  # I²R
    assert found.nearest(0.0) == OPEN and OPEN.iout_a == 0.0


def test_within_its_rating_a_resistor_stays_on_above_it_for_its_time_only() -> None:
    # 9 V, 3 % high, over 9 ohm, 1 % low, is 9.64 W.
    alone = {"lead_resistance_ohm": 0.0}
    (cool,) = bank(resistor(9.0, rated_w=9.7), **alone).choices
    assert isinf(cool.may_stay_s) and isinf(cool.use_s)
    brief = {"rated_w": 9.6, "greatest_w": 20.0, "greatest_w_for_s": 30.0}
    (hot,) = bank(resistor(9.0, **brief), **alone).choices
    assert (hot.may_stay_s, hot.use_s) == (30.0, 20.0)  # asked off 10 s before
    assert hot.power_at(9.0) == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"rated_w": 5.0}, "9 W of 5 W"),
        ({"rated_w": 5.0, "greatest_w": 9.2, "greatest_w_for_s": 60.0}, "9 W of 9.2 W"),
        ({"rated_w": 5.0, "greatest_w": 20.0, "greatest_w_for_s": 12.0}, "at least 10 s of use"),
    ],
)
def test_a_bench_without_a_resistor_for_this_module_is_refused(
    keys: dict[str, Any], says: str
) -> None:
    with pytest.raises(BadInput, match="add a greater resistor") as caught:
        bank(resistor(9.0, **keys))
    assert says in str(caught.value)


def test_a_resistor_that_draws_more_than_anything_allows_is_not_used() -> None:
    found = bank(resistor(9.0), resistor(1.0), iout_max_a=5.5)
    assert [choice.called for choice in found.choices] == ["9 ohm"]


def test_the_limit_of_error_has_tolerance_and_its_own_heating() -> None:
    # 2.25 ohm, 5 % and 150 K at 200 ppm/K: 8 % of it (0.05 + 0.03).
    keys = {"tolerance_pct": 5.0, "temp_coefficient_ppm_per_k": 200.0, "rated_w": 36.0}
    (choice,) = bank(
        resistor(2.25, hot_by_k=150.0, **keys, greatest_w=50.0, greatest_w_for_s=60.0),
        lead_resistance_ohm=0.0,
    ).choices
    assert choice.power_w == pytest.approx(36.0)
    assert choice.ohm_limit == pytest.approx(0.08 * 2.25)


def test_a_step_longer_than_the_resistor_may_stay_is_refused() -> None:
    brief = {"rated_w": 5.0, "greatest_w": 20.0, "greatest_w_for_s": 30.0}
    (choice,) = bank(resistor(9.0, **brief)).choices
    check_stay(choice, "Read", 20.0)
    check_stay(OPEN, "Soak", inf)
    with pytest.raises(BadInput, match="may stay on for 30 s"):
        check_stay(choice, "Soak", 300.0)


def test_the_shipped_bench_suits_the_shipped_module() -> None:
    bench, module = BenchFile.model_validate(HAND), NINE_V
    supply, ambient = check(bench, module, "bench.toml", "module.toml")
    assert "iin_max_a" in supply and "roles.ambient is missing" in ambient
    found = bank_of(bench, module, allowed(bench, module).iout_max_a)
    assert found is not None and len(found.choices) == 5
    assert [eye.role for eye in eyes_of(bench)] == ["hot_spot", "vout"]
    assert bench.by_hand == ("resistors", "multimeter", "thermometer")


def test_an_unknown_lead_resistance_is_warned_of_with_what_it_costs() -> None:
    bench = BenchFile.model_validate(without(HAND, (*RESISTORS, "lead_resistance_ohm")))
    warnings = "\n".join(check(bench, NINE_V, "bench.toml", "module.toml"))
    assert "clips of 50 mohm are 2.3 % of the smallest resistor" in warnings  # 0.05 / 2.2


FIRST = (*RESISTORS, "resistors", 0)
EYE = {"family": "thermometer-by-eye"}
CHAMBER = {
    "resource": "ASRL3::INSTR",
    "family": "scpi-chamber",
    "least_temp_c": 20.0,
    "rated_temp_c": 85.0,
}


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (without(HAND, ("roles", "vout")), "roles.vout: found no such key; allowed: a meter"),
        (
            changed(HAND, (*FIRST, "greatest_w"), 20.0),
            "instruments.resistors.resistors[0].greatest_w: found only one of the two",
        ),
        (
            changed(HAND, (*RESISTORS, "resistors", 4, "greatest_w"), 20.0),
            "resistors[4].greatest_w: found 20.0; allowed: above rated_w 25",
        ),
        (changed(HAND, (*FIRST, "tolerance_pct"), 0.0), "above 0: no resistor is exact"),
        (changed(HAND, (*FIRST, "resistance_ohm"), 0.0), "resistors[0].resistance_ohm: found 0.0"),
        (without(HAND, (*FIRST, "rated_w")), "resistors[0].rated_w: found no such key"),
        (changed(HAND, (*RESISTORS, "resistors"), []), "instruments.resistors.resistors: found []"),
        (
            changed(HAND, (*RESISTORS, "resource"), "COM3"),
            "instruments.resistors.resource: found the unknown key",
        ),
        (
            without(HAND, ("instruments", "multimeter", "range_v")),
            "instruments.multimeter.range_v: found no such key",
        ),
        (
            changed(HAND, ("roles", "load"), "thermometer"),
            "whose family is 'thermometer-by-eye'; allowed: an instrument of family scpi-load",
        ),
        (
            changed(
                changed(
                    changed(HAND, ("instruments", "room"), EYE),
                    ("instruments", "chamber"),
                    CHAMBER,
                ),
                ("roles",),
                HAND["roles"] | {"ambient": "room", "chamber": "chamber"},
            ),
            "roles.ambient: found 'room', read by eye; allowed: a thermometer that the program",
        ),
    ],
)
def test_a_mistake_in_a_hand_worked_bench_is_named_with_what_to_do(
    tmp_path: Path, table: dict[str, Any], says: str
) -> None:
    path = tmp_path / "hand.toml"
    path.write_text(toml_text(table), "utf-8")
    with pytest.raises(BadInput) as caught:
        load_bench_file(path)
    assert says in str(caught.value)


def test_an_electronic_load_needs_no_bank() -> None:
    module: ModuleFile = NINE_V
    assert bank_of(load_bench_file("demo"), module, 5.5) is None
