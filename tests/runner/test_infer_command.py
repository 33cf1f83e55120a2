"""`ampworth infer`: what it says, and that it says nothing it cannot know."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from runner.cli.main import main
from runner.files.starters import starter_text
from runner.infer_words import rounded
from tests.runner.files.toml_text import Keys, changed, toml_text

STARTER = tomllib.loads(starter_text("inference"))
AMMETER = {
    "current_accuracy": [{"range_a": 10.0, "reading_pct": 1.0, "offset_a": 0.03, "digit_a": 0.01}]
}
Show = Callable[..., str]


@pytest.fixture
def show(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Show:
    """Run the command on a changed starter and give its output, on one line."""

    def shown(*changes: tuple[Keys, Any], options: tuple[str, ...] = ()) -> str:
        table = STARTER
        for keys, value in changes:
            table = changed(table, keys, value)
        path = tmp_path / "readings.toml"
        path.write_text(toml_text(table), encoding="utf-8")
        capsys.readouterr()
        assert main(["infer", str(path), *options]) == 0
        text = capsys.readouterr().out
        return text if options else " ".join(text.split())

    return shown


def test_measured_and_assumed_stand_under_headings_of_their_own(show: Show) -> None:
    measured, _, assumed = show().partition("RESTS ON AN ASSUMPTION")
    assert "efficiency 78.8 ± 5.2 %" in measured
    assert "assumed" not in measured
    table = assumed.partition("NOT DETERMINED")[0]
    assert "output current" in table
    assert "efficiency" not in table


def test_the_circle_is_named(show: Show) -> None:
    text = show()
    assert "Circular: an assumed efficiency cannot confirm an efficiency" in text
    assert "better meters do not help" in text
    assert "were the efficiency 76 %, this output current would be overstated by 13 %" in text
    assert "mast instruments: the efficiency is not determined" in text


def test_an_assumed_voltage_on_a_resistor_is_a_circle(show: Show) -> None:
    assumed = {"vout_v": 9.0, "vout_limits_v": 0.27, "source": "the module's setting"}
    point = {key: value for key, value in STARTER["points"][0].items() if key != "vout_v"}
    text = show((("points", 0), point | {"assumed": assumed}))
    assert "a resistor's current follows from its voltage, I = V / R" in text
    assert "measure the output voltage instead" in text
    assert "No efficiency is given: one of its four inputs is assumed" in text


def test_what_is_not_redundant_checks_nothing(show: Show) -> None:
    assert "Nothing is redundant" in show()


def test_a_contradiction_voids_the_results_and_accuses_no_innocent(show: Show) -> None:
    text = show((("ammeter",), AMMETER), (("points", 0, "iout_a"), 2.40))
    assert "VOID: the readings contradict each other" in text
    assert "Which one is wrong cannot be told" in text
    assert "iout_a at 3.3 ohm (2.4, but the others say 2.6" in text
    assert "WHAT THIS DECIDES" not in text


def test_agreement_is_said(show: Show) -> None:
    text = show((("ammeter",), AMMETER), (("points", 0, "iout_a"), 2.68))
    assert "They agree (chi-squared" in text
    unchecked = text.partition("Checked by nothing, an error would not show: ")[2]
    assert (
        "supply_v at 3.3 ohm, supply_a at 3.3 ohm," in unchecked.partition(".")[0] + unchecked[:200]
    )


def test_an_assumption_that_measurement_contradicts(show: Show) -> None:
    assumed = {"efficiency_pct": 94.0, "efficiency_limits_pct": 1.0, "source": "label"}
    text = show((("points", 0, "assumed"), assumed))
    assert "It CONTRADICTS what was measured without it, 78.8 ± 5.2 %, and is not used" in text


def test_more_out_than_in(show: Show) -> None:
    text = show((("points", 0, "supply_a"), 0.9))
    assert "more out than in" in text


def test_the_next_measurement_is_ranked(show: Show) -> None:
    text = show()
    assert text.index("1. the output current with an ammeter") < text.index("3. the resistors cold")


def test_hot_resistors_are_warned_of(show: Show) -> None:
    assert "150 to 250 °C" in show()
    assert "each resistor takes 23.9 W of its 20 W: OVERLOADED" in show(
        (("banks", "one", "rated_w"), 20.0)
    )


def test_json_holds_the_same(show: Show) -> None:
    found = json.loads(show(options=("--json",)))
    (efficiency,) = (r for r in found["results"] if r["quantity"] == "efficiency")
    assert efficiency["provenance"] == "derived"
    assert efficiency["expanded_u"] == pytest.approx(2.0 * efficiency["u"])
    assert {r["provenance"] for r in found["rests_on_an_assumption"]} == {"assumed"}
    assert ["mast instruments", "efficiency"] in found["not_determined"]
    assert found["consistency"]["agree"] is None
    assert found["next"][0]["better"][0]["measure"] == ["iout_a"]
    assert any("Circular" in line for line in found["says"])


@pytest.mark.parametrize(
    ("value", "expanded_u", "expected"),
    [
        (78.812, 5.2319, ("78.8", "5.2")),
        (24.00868, 0.1434, ("24.01", "0.14")),
        (41.86, 11.62, ("42", "12")),
        (1234.0, 123.0, ("1230", "120")),
        (9.02, 0.0, ("9.02", "0")),
    ],
)
def test_a_value_is_rounded_to_two_digits_of_its_uncertainty(
    value: float, expanded_u: float, expected: tuple[str, str]
) -> None:
    # JCGM 100:2008, 7.2.6: at most two significant digits, the estimate to the same place.
    assert rounded(value, expanded_u) == expected
