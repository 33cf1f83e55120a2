"""A bench file is right, or one error names the file, every wrong key and the way out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from runner.errors import BadInput
from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.mistakes import dotted
from runner.files.toml_file import read, resolve
from tests.runner.files.spoiling import Spoilt, spoilt
from tests.runner.files.toml_text import changed, renamed, toml_text, without

DEMO = read(resolve("demo", "bench"))
VIN = {"resource": "TCPIP::m::5025::SOCKET", "family": "scpi-meter", "range_v": 100.0}
FULL = DEMO | {
    "roles": DEMO["roles"] | {"vin": "vin", "iin": "iin"},
    "instruments": DEMO["instruments"]
    | {
        "vin": VIN,
        "iin": VIN | {"resource": "GPIB0::4::INSTR", "range_v": 0.1, "shunt_ohm": 0.01},
    },
}
"""The demo bench with two meters, one of them over a shunt."""


def load(folder: Path, table: dict[str, Any]) -> BenchFile:
    path = folder / "bench.toml"
    path.write_text(toml_text(table), encoding="utf-8")
    return load_bench_file(path)


def refusal(folder: Path, table: dict[str, Any]) -> str:
    with pytest.raises(BadInput) as caught:
        load(folder, table)
    message = str(caught.value)
    assert message.startswith(f"{folder / 'bench.toml'}: ")
    return message


def test_the_shipped_bench_and_the_starter_are_right() -> None:
    demo = load_bench_file("demo")
    assert demo.supply.rated_v == 40.0
    assert demo.load.current_accuracy[1].range_a == 30.0
    assert demo.chamber is not None
    assert demo.meter("vin") is None
    load_bench_file(resolve("demo", "bench").with_name("starter_bench.toml"))


def test_a_bench_with_meters_is_right_and_survives_json(tmp_path: Path) -> None:
    bench = load(tmp_path, FULL)
    meter = bench.meter("iin")
    assert meter is not None
    assert meter.shunt_ohm == 0.01
    plain = json.dumps(bench.model_dump(mode="json"), allow_nan=False)
    assert BenchFile.model_validate_json(plain) == bench


def test_a_bench_cannot_be_changed_after_loading() -> None:
    with pytest.raises(ValueError, match="frozen"):
        load_bench_file("demo").supply.rated_v = 60.0


@settings(
    max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(case=spoilt(FULL))
def test_a_spoilt_bench_file_is_right_or_bad_input_that_names_it(
    tmp_path: Path, case: Spoilt
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(toml_text(case.table), encoding="utf-8")
    try:
        bench = load_bench_file(path)
    except BadInput as error:
        message = str(error)
        assert message.startswith(f"{path}: ")
        assert names_one_of(message, case.names)
    else:
        json.dumps(bench.model_dump(mode="json"), allow_nan=False)
        assert bench.supply.rated_a > 0.0


def names_one_of(message: str, names: tuple[str, ...]) -> bool:
    return any(dotted([name]) in message for name in names)


SUPPLY = ("instruments", "supply")
LOAD = ("instruments", "load")


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (
            renamed(DEMO, (*SUPPLY, "rated_a"), "rated_ma"),
            "instruments.supply.rated_a: found no such key; allowed: a number in A, above 0",
        ),
        (
            changed(DEMO, (*SUPPLY, "rated_ma"), 5000),
            "instruments.supply.rated_ma: found the unknown key rated_ma = 5000; allowed: the keys",
        ),
        (changed(DEMO, (*SUPPLY, "rated_ma"), 5000), "this file writes it in A: rated_a = 5.0"),
        (changed(DEMO, (*SUPPLY, "timeout_ms"), 500), "this file writes it in s: timeout_s = 0.5"),
        (changed(DEMO, ("limits", "v_mV"), 1), "the keys in V are vin_max_v, vout_max_v"),
        (changed(DEMO, (*SUPPLY, "rated"), 1), "add the unit to the name: rated_v or rated_a"),
        (changed(DEMO, (*SUPPLY, "Rated_V"), 1), "did you mean rated_v?"),
        (changed(DEMO, (*SUPPLY, "vin_max_v"), 1.0), "vin_max_v belongs under [limits]"),
        (changed(DEMO, (*SUPPLY, "rated_v"), "2 V"), "found '2 V'; allowed: a number in V"),
        (
            changed(DEMO, (*SUPPLY, "rated_v"), -1),
            "rated_v: found -1; allowed: a number in V, above",
        ),
        (changed(DEMO, (*SUPPLY, "rated_v"), True), "rated_v: found True; allowed: a number in V"),
        (changed(DEMO, (*SUPPLY, "baud"), 9600), "supply.baud: found 9600 on 'TCPIP0::supply"),
        (
            changed(DEMO, (*SUPPLY, "channel"), 2),
            "instruments.supply.channel: found 2; allowed: none",
        ),
        (
            changed(DEMO, (*SUPPLY, "family"), "scpi-supply-list"),
            "supply.channel: found no such key; allowed: 1 or more",
        ),
        (
            changed(DEMO, (*SUPPLY, "family"), "scpi-suply"),
            "supply.family: found 'scpi-suply'; allowed: one of",
        ),
        (without(DEMO, (*SUPPLY, "family")), "instruments.supply.family: found no such key"),
        (changed(DEMO, (*SUPPLY, "resource"), "COM3"), "supply.resource: found 'COM3'"),
        (changed(DEMO, (*SUPPLY, "least_v"), 1.0), "supply.least_v: found the unknown key"),
        (
            changed(DEMO, (*LOAD, "current_accuracy", 1, "range_a"), "6"),
            "instruments.load.current_accuracy[1].range_a: found '6'; allowed: a number in A",
        ),
        (
            changed(DEMO, (*LOAD, "current_accuracy", 1, "range_a"), 5.0),
            "load.current_accuracy[1].range_a: found 5.0; allowed: above 6.0",
        ),
        (
            changed(DEMO, (*LOAD, "voltage_accuracy", 0, "offset_v"), 45),
            "load.voltage_accuracy[0].offset_v: found 45.0; allowed: at most a fifth",
        ),
        (
            changed(DEMO, (*LOAD, "voltage_accuracy"), {"range_v": 80.0}),
            "put it in a list: voltage_accuracy = [{ ... }]",
        ),
        (
            changed(DEMO, ("roles", "load"), "lode"),
            "roles.load: found 'lode'; allowed: the name of",
        ),
        (changed(DEMO, ("roles", "load"), "lode"), "did you mean 'load'?"),
        (
            changed(DEMO, ("roles", "load"), "supply"),
            "roles.load: found 'supply', whose family is 'scpi-supply'; allowed: an instrument of",
        ),
        (
            changed(DEMO, ("roles", "case"), "hot_spot"),
            "roles.hot_spot: found 'hot_spot', already in roles.case",
        ),
        (without(DEMO, ("roles", "supply")), "roles.supply: found no such key; allowed: text"),
        (without(DEMO, ("roles",)), "add the table [roles]"),
        (renamed(DEMO, ("instruments",), "instrument"), "did you mean instruments?"),
        (
            changed(DEMO, ("instruments", "case", "timeout_s"), 5.0),
            "case.timeout_s: found 5.0; allowed: 2.0 as in instruments.hot_spot, on the same",
        ),
        (
            changed(DEMO, ("instruments", "case", "channel"), 101),
            "instruments.case.channel: found 101; allowed: another than in instruments.hot_spot",
        ),
        (
            changed(DEMO, ("instruments", "case", "resource"), "gpib::9::instr"),
            "case.resource: found 'gpib::9::instr'; allowed: 'GPIB0::9::INSTR' as in",
        ),
        (
            changed(DEMO, ("instruments", "chamber", "least_temp_c"), 90.0),
            "instruments.chamber.least_temp_c: found 90.0; allowed: below rated_temp_c 85.0",
        ),
        (
            without(FULL, ("instruments", "vin", "range_v")),
            "instruments.vin.range_v: found no such",
        ),
        (
            changed(FULL, ("instruments", "vin", "shunt_ohm"), 0.1),
            "instruments.vin.shunt_ohm: found 0.1; allowed: none in the role vin",
        ),
        (
            without(FULL, ("instruments", "iin", "shunt_ohm")),
            "instruments.iin.range_v: found 0.1; allowed: none: it reads A in the role iin",
        ),
        ({}, "4 mistakes"),
    ],
)
def test_a_mistake_is_named_with_what_to_do(
    tmp_path: Path, table: dict[str, Any], says: str
) -> None:
    assert says in refusal(tmp_path, table)


def test_three_mistakes_are_listed_at_once(tmp_path: Path) -> None:
    table = changed(DEMO, (*SUPPLY, "rated_v"), "40 V")
    table = without(changed(table, ("limits", "vin_max_mv"), 1), ("name",))
    lines = refusal(tmp_path, table).splitlines()
    assert lines[0].endswith("3 mistakes")
    assert [line.split(":")[0].strip() for line in lines[1:]] == [
        "name",
        "limits.vin_max_mv",
        "instruments.supply.rated_v",
    ]
