"""`ampworth rehearse`: what it prints, its exit codes, and the options it shares with `run`."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from runner.attention import Attention
from runner.cli.main import main
from runner.errors import Stopped
from runner.files.toml_file import resolve

QUICK = ("load_sweep", "--points", "3", "--lines-v", "24", "--soak", "no", "--audit", "no")


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def too_hot(tmp_path: Path) -> str:
    """The demo bench with an interlock that the warm-up reaches."""
    text = resolve("demo", "bench").read_text("utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(text.replace("hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 30.0"))
    return str(path)


def test_a_rehearsal_that_goes_well_says_so_and_leaves_nothing(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = said(capsys, "rehearse", *QUICK)
    assert code == 0 and not list(tmp_path.iterdir())
    assert "verdict    would end well, within every rating" in out
    assert "twin of boathouse bench" in out and "planned" in out
    # An interlock's source names a table of the file: [limits] must not be taken for markup.
    assert "interlock: [limits] of the bench file" in out
    assert "it is no heat in the module" in out  # the loss was greatest in a Release
    assert "limits.fuse_a of the bench file" in out and "lead_max_a of supply" in out


def test_a_trip_is_told_with_its_step_and_its_exit_code(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, err = said(capsys, "rehearse", *QUICK, "--bench", too_hot(tmp_path))
    assert code == 3
    assert "verdict    would trip: hot_spot_temp_c is 30" in out
    assert re.search(r"trip +in step \d+ \(.*\), after 0:00:\d\d, with 24 V and .* A set", out)
    assert out.count(" OVER") == 1
    assert "ampworth: would trip: hot_spot_temp_c is 30" in err


def test_a_derating_run_reaches_the_limit_it_looks_for_and_is_let_pass(
    capsys: pytest.CaptureFixture[str],
) -> None:
    # Its soaks end where the hot spot passes the module's limit, which it cannot hit exactly.
    options = ("--ambients-c", "60", "--lines-v", "24", "--loads-a", "4", "--audit", "no")
    code, out, _ = said(capsys, "rehearse", "derating", *options)
    assert code == 0 and "at one, over it by no more than a reading's own error: hot spot" in out
    assert " K at " in out and " OVER" not in out


def test_json_is_alone_on_standard_output_and_whole(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    code, out, _ = said(capsys, "rehearse", *QUICK, "--json", "--bench", too_hot(tmp_path))
    told = json.loads(out)
    assert code == told["exit_code"] == 3 and told["ending"] == "tripped"
    assert told["trip"]["quantity"] == "hot_spot_temp_c" and told["trip"]["limit"] == 30.0
    assert 0 < told["trip"]["moment"]["index"] == told["steps"] - 1
    over = [one for one in told["limits"] if one["over"]]
    assert [(one["quantity"], one["interlock"]) for one in over] == [("hot_spot_temp_c", True)]
    for one in told["limits"]:
        assert one["margin"] == pytest.approx(one["most"] - one["greatest"])


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ([], "the following arguments are required: sequence"),
        (["--points", "3", "load_sweep"], "as in `ampworth rehearse load_sweep --points 9`"),
        (["load_sweep", "--point", "9"], "did you mean --points?"),
        (["load_sweep", "--most-a", "9"], "load current: found"),
        (["load_sweep", "--lines-v", "60"], "line voltage: found 60.0 V"),
        (["load_sweep", "--bench", "nowhere.toml"], "nowhere.toml: there is no such file"),
        (["load_sweep", "--out", "folder"], "'--out' is not known here"),
        (["derating", "--ambients-c", "25,200"], "ambient: found 200.0 °C; allowed: 20 to"),
    ],
)
def test_a_mistake_is_one_clear_message_and_exit_code_2(
    arguments: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = said(capsys, "rehearse", *arguments)
    assert code == 2 and out == ""
    assert says in err and "Traceback" not in err


def test_a_rehearsal_that_is_stopped_says_nothing_of_how_the_run_would_end(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    asked = iter(range(10**6))

    def stop_at_the_hundredth_look(self: Attention) -> None:
        if next(asked) >= 100:
            raise Stopped("stopped by SIGINT")

    monkeypatch.setattr(Attention, "check", stop_at_the_hundredth_look)
    code, out, err = said(capsys, "rehearse", *QUICK)
    assert code == 5 and "would" not in out
    assert "ampworth: not rehearsed to its end: stopped by SIGINT" in err


@pytest.mark.parametrize("command", ["run", "rehearse"])
def test_a_parameter_named_like_an_option_of_run_is_refused_by_both(
    command: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    own = tmp_path / "own.py"
    own.write_text(
        "from runner import *\n\ndef sequence(setup: Setup, out: str = 'x') -> Steps:\n"
        "    yield PowerDown()\n",
        "utf-8",
    )
    code, _, err = said(capsys, command, str(own))
    assert code == 2 and "parameter 'out': `ampworth run` has an option of that name" in err
