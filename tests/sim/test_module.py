"""The keys of a [twin] table: what is taken and what is refused."""

from __future__ import annotations

import tomllib
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from sim.module import Limit, Twin
from sim.protection import Protection

EXAMPLE = Path(__file__).parent.parent.parent / "runner" / "examples" / "demo_module.toml"
LEAST = {
    "topology": "buck",
    "vout_v": 9.0,
    "switching_frequency_hz": 150e3,
    "inductance_h": 33e-6,
}


def missing_keys(value: Any, table: dict[str, Any], where: str = "twin") -> list[str]:
    """Fields of a dataclass that a table does not spell out."""
    missing = []
    for field in fields(value):
        name = f"{where}.{field.name}"
        if field.name not in table:
            missing.append(name)
        elif is_dataclass(getattr(value, field.name)):
            missing += missing_keys(getattr(value, field.name), table[field.name], name)
    return missing


def test_the_example_spells_out_every_key_of_a_buck() -> None:
    table = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))["twin"]
    twin = TypeAdapter(Twin).validate_python(table)
    of_others = {"twin.dropout_v", "twin.dropout_ohm", "twin.loss_map"}
    no_line_regulation = {"twin.line_regulation_v_per_v", "twin.regulated_at_v"}
    assert set(missing_keys(twin, table)) == of_others | no_line_regulation


def test_every_key_of_the_example_is_known() -> None:
    def known(kind: Any, table: dict[str, Any]) -> None:
        names = {field.name for field in fields(kind)}
        assert set(table) <= names
        for name, value in table.items():
            if isinstance(value, dict):
                known(getattr(TypeAdapter(Twin).validate_python(whole), name), value)

    whole = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))["twin"]
    known(Twin, whole)


def test_four_keys_are_enough() -> None:
    assert TypeAdapter(Twin).validate_python(LEAST).limit.kind == "constant-current"
    assert TypeAdapter(Protection).validate_python({}).kind == "none"


@pytest.mark.parametrize(
    "wrong",
    [
        {"vout_v": -1.0},
        {"topology": "flyback"},
        {"vout_place": 2.0},
        {"greatest_duty": 0.0},
        {"diode": {"saturation_a": 0.0}},
        {"limit": {"kind": "foldback", "current_a": 1.0, "short_circuit_a": 2.0}},
        {"lockout": {"start_v": 5.0, "stop_v": 6.0}},
        {"shutdown": {"stop_temp_c": 100.0, "start_temp_c": 120.0}},
    ],
)
def test_impossible_parts_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(Twin).validate_python(LEAST | wrong)


def test_a_unit_has_its_own_place_in_the_tolerance() -> None:
    twin = TypeAdapter(Twin).validate_python(LEAST | {"vout_tolerance_pct": 3.0, "vout_place": 0.5})
    assert twin.vout_true_v == pytest.approx(9.0 * 1.015)
    assert replace(twin, limit=Limit(kind="none")).vout_true_v == twin.vout_true_v
