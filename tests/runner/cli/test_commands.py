"""The command line: help, exit codes, one clear line for every mistake."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from runner.cli.main import COMMANDS, main
from runner.errors import StorageError
from runner.files.toml_file import resolve


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.parametrize("command", sorted(COMMANDS))
def test_every_command_has_help_with_examples(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    assert ended.value.code == 0
    out = capsys.readouterr().out
    assert f"usage: ampworth {command}" in out and "examples:" in out


def test_the_options_of_a_sequence_are_in_its_help(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["run", "load_sweep", "--help"])
    out = capsys.readouterr().out
    assert "--lines-v" in out and "110 % of rated" in out and "[V]" in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["rnu"], "no command 'rnu'"),
        (["rnu"], "did you mean 'run'"),
        (["run"], "the following arguments are required: sequence"),
        (["run", "--points", "3", "load_sweep"], "come after its name"),
        (["run", "--bench", "demo", "load_sweep", "--points", "x"], "--points: found 'x'"),
        (["run", "--json", "load_sweep", "--points", "x"], "--points: found 'x'"),
        (["run", "load_swep"], "did you mean 'load_sweep'"),
        (["run", "load_sweep", "--point", "9"], "did you mean --points?"),
        (["run", "load_sweep", "--points", "x"], "--points: found 'x', allowed is a whole number"),
        (["run", "load_sweep", "--points", "1"], "--points: found 1, at least 2"),
        (["run", "load_sweep", "--bench", "nowhere.toml"], "nowhere.toml: there is no such file"),
        (["run", "load_sweep", "--most-a", "9"], "load current: found"),
        (["run", "load_sweep", "--lines-v", "60"], "line voltage: found 60.0 V"),
        (["run", "derating", "--ambients-c", "25,200"], "ambient: found 200.0 °C; allowed: 20 to"),
        (["check", "nowhere.toml"], "nowhere.toml: there is no such file"),
        (["report", "nowhere"], "nowhere"),
        (["new", "bank", "x.toml"], "invalid choice: 'bank'"),
        (["sim", "serve", "demo", "--host", "203.0.113.9"], "cannot be bound"),
    ],
)
def test_a_mistake_is_one_clear_message_and_exit_code_2(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, err = said(capsys, *arguments)
    assert code == 2 and out == ""
    assert says in err and "Traceback" not in err


def test_an_address_that_no_simulated_box_can_have_is_bad_input(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = resolve("demo", "bench").read_text("utf-8")
    (tmp_path / "bench.toml").write_text(text.replace("GPIB0::9::INSTR", "GPIB9::INSTR"), "utf-8")
    code, _, err = said(capsys, "run", "load_sweep", "--bench", str(tmp_path / "bench.toml"))
    assert code == 2 and "bench.toml" in err and "Traceback" not in err


def test_a_run_folder_that_holds_something_is_never_replaced(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "precious.txt").write_text("evidence", "utf-8")
    code, _, err = said(capsys, "run", "load_sweep", "--out", str(tmp_path))
    assert code == 2 and "a run is never replaced" in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["precious.txt"]


def test_a_folder_that_cannot_be_made_has_an_exit_code_of_its_own(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("", "utf-8")
    code, _, err = said(capsys, "run", "load_sweep", "--out", str(tmp_path / "file" / "run"))
    assert code == 7 and "cannot be made" in err


def test_how_a_run_ended_is_told_though_its_report_cannot_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(folder: Path) -> None:
        raise StorageError(f"{folder}: No space left on device")

    monkeypatch.setattr("runner.report.page.write_report", full)
    text = resolve("demo", "bench").read_text("utf-8")
    (tmp_path / "b.toml").write_text(text.replace("ploss_max_w = 15.0", "ploss_max_w = 1.5"))
    options = ["--bench", str(tmp_path / "b.toml"), "--out", str(tmp_path / "run")]
    code, _, err = said(capsys, "run", "load_sweep", *options)
    assert code == 3
    assert err.index("ampworth: tripped: ploss_w") < err.index("No space left on device")


def test_no_folder_is_left_where_there_is_no_room(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("runner.run_folder.LEAST_FREE_BYTES", 1 << 62)
    code, _, err = said(capsys, "run", "load_sweep", "--out", str(tmp_path / "run"))
    assert code == 7 and "MB are free" in err
    assert not (tmp_path / "run").exists()


def test_json_is_alone_on_standard_output(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    options = ["--points", "3", "--lines-v", "24", "--soak", "no", "--out", str(tmp_path / "r")]
    code, out, _ = said(capsys, "run", "load_sweep", "--json", *options)
    result = json.loads(out)
    assert code == 0 and result["ending"] == "done"
    assert Path(result["written"]["efficiency.csv"]).is_file()
    code, again, _ = said(capsys, "report", str(tmp_path / "r"), "--json")
    assert code == 0 and json.loads(again)["points"] == result["points"]


@pytest.mark.parametrize("kind", ["bench", "module", "sequence"])
def test_a_starter_is_written_once(
    kind: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    path = tmp_path / f"mine.{'py' if kind == 'sequence' else 'toml'}"
    assert said(capsys, "new", kind, str(path))[0] == 0
    code, _, err = said(capsys, "new", kind, str(path))
    assert code == 2 and "exists already" in err


def test_check_shows_every_box_and_the_offsets(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = said(capsys, "check", "demo")
    assert code == 0 and "every box is there" in out and err == ""
    assert "BOATHOUSE,SUPPLY 40-5" in out and "at rest" in out


def test_check_goes_on_after_a_missing_box(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = resolve("demo", "bench").read_text("utf-8")
    nobody = re.sub(r'"(TCPIP0|USB0|GPIB0)::[^"]*"', '"TCPIP0::127.0.0.1::9::SOCKET"', text)
    nobody = nobody.replace('visa = "simulated"', 'visa = "pure-python"')
    names = iter(range(9, 99))
    nobody = re.sub(r"127.0.0.1::9::", lambda match: f"127.0.0.1::{next(names)}::", nobody)
    nobody = nobody.replace("ASRL3", "ASRL/dev/null")
    path = tmp_path / "bench.toml"
    path.write_text(nobody, "utf-8")
    code, out, _ = said(capsys, "check", str(path))
    assert code == 4 and "the bench is NOT complete" in out
    assert out.count("MISSING") == 6


def test_nothing_heavy_is_imported_for_help() -> None:
    code = (
        "import sys; from runner.cli.main import main; main(['--help']); "
        "heavy = {'numpy', 'pandas', 'scipy', 'pyvisa', 'pydantic', 'rich'} & set(sys.modules); "
        "sys.exit(f'imported: {heavy}' if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
