"""`ampworth judge` on the demo bench: headline, verdicts, exit codes, mistakes."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from runner.cli.main import main
from runner.files.toml_file import resolve


@pytest.fixture(scope="module")
def swept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("runs") / "first"
    assert main(["run", "load_sweep", "--out", str(folder)]) == 0
    return folder


@pytest.fixture(scope="module")
def soaked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("runs") / "hot"
    arguments = ["--ambients-c", "25,60", "--lines-v", "24", "--out", str(folder)]
    assert main(["run", "derating", *arguments]) == 0
    return folder


def said(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    capsys.readouterr()
    code = main(arguments)
    out, err = capsys.readouterr()
    return code, out, err


def claims_file(folder: Path, claims: str, **changes: str) -> str:
    """The demo module with other claims."""
    text = resolve("demo", "module").read_text("utf-8")
    head, rest = text.split("[[claims]]", 1)
    text = head + claims + "\n[twin]" + rest.split("[twin]", 1)[1]
    for found, instead in changes.items():
        assert found in text
        text = text.replace(found, instead)
    path = folder / "seller.toml"
    path.write_text(text, "utf-8")
    return str(path)


CLAIM = """[[claims]]
about = "efficiency"
efficiency_min_pct = {:g}
vin_v = 24.0
iout_a = 2.0
source = "seller's page, 2026-05"
"""


def test_the_demo_shows_every_verdict_there_is(
    swept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(capsys, "judge", str(swept))
    assert code == 8
    for verdict in ("pass", "fail", "inconclusive", "not-comparable", "not-tested"):
        assert f"{verdict}: " in out
    assert out.startswith("rated 4 A; worth ")
    assert "rule: guard band 1 U (95 %)" in out
    assert (swept / "verdicts.csv").is_file() and (swept / "claims.svg").is_file()


def test_the_headline_is_the_worth_at_the_ambient_it_will_see(
    soaked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = said(capsys, "judge", str(soaked), "--ambient-c", "60")
    first = out.splitlines()[0]
    assert "at 60 °C and 24 V, limited by the hot spot (measured)" in first
    assert " ± " in first and " A at " in first


def test_json_holds_what_the_table_shows(soaked: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = said(capsys, "judge", str(soaked), "--json", "--ambient-c", "25")
    values = json.loads(out)
    assert code == 8 and values["rule"] == "guard band 1 U (95 %)"
    assert [one["claim"] for one in values["claims"]] == list(range(1, 12))
    (worth,) = values["worth"]
    assert worth["limited_by"] == "hot-spot" and worth["expanded_u_a"] > 0.0
    deciding = [row for row in values["verdicts"] if row["decides"]]
    assert [row["verdict"] for row in deciding] == [one["verdict"] for one in values["claims"]]
    assert Path(values["written"]["verdicts.csv"]).is_file()


@pytest.mark.parametrize(("least_pct", "code"), [(80.0, 0), (99.0, 8), (89.75, 9)])
def test_exit_codes_tell_pass_fail_and_undecided(
    least_pct: float, code: int, swept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seller = claims_file(tmp_path, CLAIM.format(least_pct))
    assert said(capsys, "judge", str(swept), "--claims", seller)[0] == code


def test_no_claims_is_no_pass(
    swept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = said(capsys, "judge", str(swept), "--claims", claims_file(tmp_path, ""))
    assert code == 9 and "states no claims: nothing was judged" in out
    assert out.startswith("rated 4 A; worth ")


def test_another_rule_decides_otherwise(
    swept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seller = claims_file(tmp_path, CLAIM.format(89.75))
    for rule, says, code in (
        (["--rule", "simple"], "rule: simple acceptance", 0),
        (["--guard", "0.01"], "rule: guard band 0.01 U (95 %)", 0),
        (["--rule", "risk", "--risk-pct", "1"], "rule: risk of a wrong decision at most 1 %", 9),
    ):
        found, out, _ = said(capsys, "judge", str(swept), "--claims", seller, *rule)
        assert (found, says in out) == (code, True), rule


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--guard", "-1"], "--guard: found -1.0; allowed: 0 to 10 times U"),
        (["--rule", "risk", "--risk-pct", "50"], "--risk-pct: found 50.0; allowed: above 0"),
        (["--rule", "simple", "--guard", "1"], "--guard 1: belongs to --rule guard-band"),
        (["--risk-pct", "5"], "--risk-pct 5: belongs to --rule risk"),
        (["--ambient-c", "nan"], "--ambient-c: found nan; allowed: -50 to 300 °C"),
        (["--guard", "nan"], "--guard: found nan"),
        (["--claims", "nowhere.toml"], "nowhere.toml: there is no such file"),
    ],
)
def test_a_mistake_is_one_clear_message(
    arguments: list[str], says: str, swept: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = said(capsys, "judge", str(swept), *arguments)
    assert code == 2 and out == "" and says in err


def test_claims_on_another_output_are_refused(
    swept: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    seller = claims_file(tmp_path, CLAIM.format(80.0), **{"vout_set_v = 9.0": "vout_set_v = 5.0"})
    code, _, err = said(capsys, "judge", str(swept), "--claims", seller)
    assert code == 2 and "vout_set_v: found 5.0; allowed: 9.0" in err


def test_a_folder_that_is_no_run_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, _, err = said(capsys, "judge", str(tmp_path))
    assert code == 2 and "journal.jsonl" in err
