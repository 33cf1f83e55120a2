"""The starter files are right as they are, and with every optional key in use."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest

from runner.errors import BadInput
from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.claims_file import AnyClaim
from runner.files.module_file import ModuleFile, load_module_file
from runner.files.starters import Kind, starter_text, write_starter
from runner.files.toml_file import validate
from runner.ratings import check


def uncommented(text: str) -> dict[str, Any]:
    """The starter with every optional key and section taken into use."""
    return tomllib.loads(re.sub(r"^# (?=\[|[a-z_]+ = )", "", text, flags=re.MULTILINE))


def test_the_starters_written_are_right_and_suit_each_other(tmp_path: Path) -> None:
    bench = write_starter("bench", tmp_path / "bench.toml")
    module = write_starter("module", tmp_path / "module.toml")
    warnings = check(load_bench_file(bench), load_module_file(module), bench, module)
    assert all(warning.startswith("roles.") for warning in warnings)


def test_every_optional_key_shown_in_the_bench_starter_is_one() -> None:
    table = uncommented(starter_text("bench"))
    bench = validate(table, BenchFile, file="starter")
    assert None not in dict(bench.roles).values()
    assert None not in dict(bench.limits).values()
    assert None not in dict(bench.supply).values()
    families = {section.family for section in bench.instruments.values()}
    assert {"scpi-meter", "scpi-thermometer", "scpi-chamber"} <= families


def test_every_kind_of_claim_is_shown_in_the_module_starter() -> None:
    module = validate(uncommented(starter_text("module")), ModuleFile, file="starter")
    assert {type(claim) for claim in module.claims} == set(AnyClaim.__subclasses__())


def test_the_sequence_starter_is_python_without_a_machine_or_a_clock() -> None:
    text = starter_text("sequence")
    compile(text, "starter_sequence.py", "exec")
    assert re.findall(r"^(?:from|import) (\w+)", text, flags=re.MULTILINE) == ["typing", "runner"]


@pytest.mark.parametrize("kind", get_args(Kind))
def test_a_starter_overwrites_nothing(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / "mine"
    path.write_text("precious", encoding="utf-8")
    with pytest.raises(BadInput, match="exists already and is left as it is"):
        write_starter(kind, path)
    assert path.read_text(encoding="utf-8") == "precious"


def test_a_missing_folder_is_named(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match=r"there is no folder '.*none'; make it first"):
        write_starter("bench", tmp_path / "none" / "bench.toml")
    with pytest.raises(BadInput, match=r"exists already|cannot be written"):
        write_starter("bench", tmp_path)
    with pytest.raises(BadInput, match="cannot be written"):
        write_starter("bench", "\0")
