"""The inference file: the starter is right, and every mistake in one is one clear error."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from runner.errors import BadInput
from runner.files.infer_file import READINGS, InferFile, load_infer_file
from runner.files.starters import starter_text, write_starter
from runner.files.toml_file import validate
from runner.infer import infer_file, sparse_bench
from tests.runner.files.toml_text import Keys, changed, toml_text, without

STARTER = tomllib.loads(starter_text("inference"))


def refusal(tmp_path: Path, table: dict[str, Any]) -> str:
    path = tmp_path / "readings.toml"
    path.write_text(toml_text(table), encoding="utf-8")
    with pytest.raises(BadInput) as caught:
        infer_file(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    return message


def test_the_starter_is_right(tmp_path: Path) -> None:
    inference = infer_file(write_starter("inference", tmp_path / "readings.toml"))
    efficiency = inference.findings.result("3.3 ohm", "efficiency")
    assert efficiency is not None
    assert 0.7 < efficiency.value < 0.9
    assert inference.findings.result("mast instruments", "efficiency") is None


def test_every_optional_key_of_the_starter_is_one() -> None:
    text = starter_text("inference")
    table = tomllib.loads(re.sub(r"^# (?=\[|[a-z_]+ = )", "", text, flags=re.MULTILINE))
    file = validate(table, InferFile, file="starter")
    assert set(file.points[0].readings()) == set(READINGS)
    assert None not in dict(file).values()
    assert None not in dict(file.banks["one"]).values()


def test_limits_become_rectangular_standard_uncertainties() -> None:
    # JCGM 100:2008, 4.3.7: half width over the square root of 3.
    bench = sparse_bench(validate(STARTER, InferFile, file="starter"))
    reading = bench.situations[0].readings["supply_a"]
    assert reading.gain_u == pytest.approx(0.005 * 1.283 / 3**0.5)
    assert reading.offset_u == pytest.approx(0.010 / 3**0.5)
    assert reading.own_u == pytest.approx(0.0005 / 3**0.5)
    assert bench.banks["one"].resistance_ohm.u == pytest.approx(0.05 * 3.3 / 3**0.5)
    assert bench.banks["one"].coefficient_per_k.u == pytest.approx(200e-6 / 3**0.5)


def test_an_expanded_uncertainty_is_halved() -> None:
    keys: Keys = ("supply", "current_accuracy", 0, "distribution")
    bench = sparse_bench(validate(changed(STARTER, keys, "normal-k2"), InferFile, file="starter"))
    reading = bench.situations[0].readings["supply_a"]
    assert (reading.offset_u, reading.shape) == (0.005, "normal")


def test_the_smallest_range_that_shows_a_value_is_taken() -> None:
    keys: Keys = ("points", 0, "vout_v")
    bench = sparse_bench(validate(changed(STARTER, keys, 21.0), InferFile, file="starter"))
    assert bench.situations[0].readings["vout_v"].instrument == "voltmeter, 200 V range"


def test_remote_sense_takes_the_leads_out() -> None:
    table = changed(STARTER, ("supply", "remote_sense"), True)
    assert sparse_bench(validate(table, InferFile, file="starter")).supply_lead_ohm.value == 0.0


@pytest.mark.parametrize(
    ("keys", "value", "expected"),
    [
        (("points", 0, "supply_a"), "1.283 A", "write supply_a = 1.283, without quotes or unit"),
        (("points", 0, "supply_a"), 0.0, "points[0].supply_a: found 0.0; allowed: a number in A"),
        (("points", 0, "supply_v"), 44.0, "at most 40, the greatest range of [supply]"),
        (("points", 0, "iout_a"), 2.6, "only with current_accuracy in [ammeter]"),
        (("points", 0, "bank"), "on", "did you mean 'one'?"),
        (("points", 1, "name"), "3.3 ohm", "a name of its own for each point"),
        (("points", 1, "vload_v"), 8.9, "only with a bank"),
        (("points", 1, "assumed", "efficiency_pct"), 0.86, "86, not 0.86"),
        (("points", 1, "assumed", "efficiency_u_pct"), 5.0, "one of efficiency_limits_pct and"),
        (("points", 1, "assumed", "vout_v"), 9.0, "vout_v: found 9.0 with no doubt stated"),
        (("points", 0, "vuot_v"), 9.0, "did you mean vout_v?"),
        (("points",), [], "points: found []"),
        (("banks", "one", "tolerance_pct"), 0.0, "banks.one.tolerance_pct: found 0.0"),
        (("banks", "one", "thermal_k_per_w"), 5.0, "given together with thermal_k_per_w"),
        (("banks", "one", "series"), 0, "banks.one.series: found 0"),
        (
            ("voltmeter", "voltage_accuracy", 0, "digit_v"),
            0,
            "voltage_accuracy[0].digit_v: found 0",
        ),
    ],
)
def test_a_wrong_value(tmp_path: Path, keys: Keys, value: object, expected: str) -> None:
    assert expected in refusal(tmp_path, changed(STARTER, keys, value))


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        (("points", 0, "body_temp_c"), "resistors under load are hot"),
        (("thermometer",), "points[0].body_temp_c: found 145.0; allowed: only with [thermometer]"),
        (("voltmeter",), "points[1].vout_v: found 9.03; allowed: only with voltage_accuracy in"),
        (("supply", "lead_resistance_ohm"), "supply.lead_resistance_ohm: found no such key"),
        (("banks", "one", "lead_resistance_limits_ohm"), "either way); add lead_resistance"),
        (("points", 1, "assumed", "source"), "points[1].assumed.source: found no such key"),
        (("points", 1, "assumed", "efficiency_pct"), "found None with efficiency_limits_pct"),
        (("name",), "name: found no such key"),
    ],
)
def test_a_missing_key(tmp_path: Path, keys: Keys, expected: str) -> None:
    assert expected in refusal(tmp_path, without(STARTER, keys))


def test_an_accuracy_of_zero(tmp_path: Path) -> None:
    table = changed(STARTER, ("supply", "current_accuracy", 0, "reading_pct"), 0.0)
    table = changed(table, ("supply", "current_accuracy", 0, "offset_a"), 0.0)
    message = refusal(tmp_path, table)
    assert "supply.current_accuracy[0]: found an accuracy of zero" in message


def test_a_point_without_a_reading(tmp_path: Path) -> None:
    table = changed(STARTER, ("points", 1), {"name": "nothing"})
    assert "points[1]: found no reading; allowed: at least one of" in refusal(tmp_path, table)


def test_every_mistake_is_listed(tmp_path: Path) -> None:
    table = changed(STARTER, ("points", 0, "bank"), "on")
    table = without(table, ("thermometer",))
    assert "2 mistakes" in refusal(tmp_path, table)


def test_a_file_that_is_absent() -> None:
    with pytest.raises(BadInput, match="there is no such file"):
        load_infer_file("no_such_readings.toml")
