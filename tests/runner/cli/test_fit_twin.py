"""`ampworth fit-twin` from the command line, and a rehearsal on what it wrote."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest

from runner.cli.main import main
from runner.files.module_file import load_module_file

SWEEP = ("run", "load_sweep", "--points", "9", "--samples", "5")


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def swept(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> str:
    """A load sweep of the demo module."""
    folder = str(tmp_path / "run")
    assert said(capsys, *SWEEP, "--out", folder)[0] == 0
    return folder


def test_the_table_tells_what_was_learned_and_what_was_not(
    swept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "twin.toml"
    code, out, err = said(capsys, "fit-twin", swept, "--out", str(path))
    assert (code, err) == (0, "")
    assert "loss at 24 V, 4 A, 25 °C" in out
    (line,) = [line for line in out.splitlines() if "heat.case_k_per_w" in line]
    assert "learned" in line
    (line,) = [line for line in out.splitlines() if "lockout.stop_v" in line]
    assert "assumed" in line and "no lower line was tried" in line
    assert out.rstrip().endswith(str(path))


def test_the_file_names_its_run_and_keeps_the_module(
    swept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "twin.toml"
    said(capsys, "fit-twin", swept, "--out", str(path))
    text, demo = path.read_text("utf-8"), load_module_file("demo")
    assert "load_sweep" in text.splitlines()[1]
    assert "u = " in text
    written = load_module_file(path)
    assert written.twin["topology"] == "measured"
    assert written.model_copy(update={"twin": demo.twin}) == demo


def test_json_has_every_key_with_its_basis(
    swept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "twin.toml"
    code, out, _ = said(capsys, "fit-twin", swept, "--out", str(path), "--json")
    assert code == 0
    result = json.loads(out)
    assert {one["basis"] for one in result["keys"]} == {"learned", "assumed", "set"}
    known = {one["key"]: one for one in result["keys"]}
    demo = tomllib.loads(
        (Path(__file__).parents[3] / "runner/examples/demo_module.toml").read_text("utf-8")
    )["twin"]
    for key in ("case_k_per_w", "case_time_constant_s", "loss_growth_per_k"):
        found = known[f"heat.{key}"]
        assert abs(found["value"] - demo["heat"][key]) < 2.5 * found["u"], key


def test_the_next_sequence_is_rehearsed_on_the_learned_module(
    swept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "twin.toml"
    said(capsys, "fit-twin", swept, "--out", str(path))
    arguments = ("derating", "--lines-v", "30", "--loads-a", "2,4")
    found = {}
    for module in ("demo", str(path)):
        code, out, err = said(capsys, "rehearse", *arguments, "--module", module, "--json")
        assert code == 0, err
        found[module] = hottest_c(json.loads(out))
    # The hottest spot of the real demo module, foretold from a sweep: within 2 K of 75 K.
    assert found[str(path)] == pytest.approx(found["demo"], abs=2.0)


def hottest_c(result: object) -> float:
    """The greatest hot spot anywhere in a rehearsal's JSON."""
    if isinstance(result, dict):
        if result.get("quantity") in ("hot spot", "hot_spot_temp_c"):
            value = next(result[key] for key in ("greatest", "value") if key in result)
            return float(value)
        return max((hottest_c(value) for value in result.values()), default=-273.0)
    if isinstance(result, list):
        return max((hottest_c(value) for value in result), default=-273.0)
    return -273.0


def test_a_file_that_is_there_is_left_alone(
    swept: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "twin.toml"
    path.write_text("mine", "utf-8")
    code, _, err = said(capsys, "fit-twin", swept, "--out", str(path))
    assert code == 2
    assert "exists already and is left as it is" in err
    assert path.read_text("utf-8") == "mine"


def test_no_run_folder_is_bad_input(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = said(capsys, "fit-twin", str(tmp_path), "--out", str(tmp_path / "twin.toml"))
    assert code == 2
    assert "cannot read the journal" in err
