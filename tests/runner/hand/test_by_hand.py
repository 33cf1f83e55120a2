"""A bench worked by hand, from its file to its end: a script works it in the live world."""

from __future__ import annotations

import json
import signal
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from runner.attention import Attention
from runner.errors import BadInput
from runner.files.toml_file import resolve
from runner.report.tables import write_tables
from tests.runner.hand.scripted_person import ScriptedPerson
from tests.runner.live import Heard, Live

HAND = resolve("demo", "bench").with_name("hand_bench.toml")
ONE_POINT = """
    yield PowerUp(24.0)
    yield Draw({load})
    yield Settle()
    yield Read("fast", 4)
    yield PowerDown()
"""


def hand(live: Live, *changes: tuple[str, str]) -> str:
    """The shipped hand-worked bench, with one text in place of another."""
    text = HAND.read_text("utf-8")
    for found, instead in changes:
        assert found in text
        text = text.replace(found, instead)
    path = live.folder / "hand.toml"
    path.write_text(text, "utf-8")
    return str(path)


def one_point(live: Live, load_a: float) -> str:
    return live.sequence(ONE_POINT.format(load=load_a))


def kinds(live: Live, kind: str) -> list[dict[str, Any]]:
    return [record for record in live.records() if record["kind"] == kind]


def test_a_whole_load_sweep_is_worked_by_hand(live: Live) -> None:
    person = ScriptedPerson(live)
    done = live.run(
        "load_sweep",
        bench=hand(live),
        person=person,
        points="5",
        lines_v="24",
        soak_a="0.9",
        soak_at_most_s="3600",
    )
    assert (done.ending.name, done.ending.exit_code) == ("done", 0), done.ending.message
    assert live.outputs_on()[0] is False
    table = pd.read_csv(write_tables(done.folder).written["efficiency.csv"])
    assert set(table.iout_a_source) == {"derived"} and set(table.vout_v_source) == {"measured"}
    loaded = table[table.iout_a > 0.0]
    # Ohm's law over the resistor and its clips, 0.04 ohm (the bench file's own figures).
    ohms = {round(v / i - 0.04, 3) for v, i in zip(loaded.vout_v, loaded.iout_a, strict=True)}
    assert ohms <= {22.0, 10.0, 4.7, 3.3, 2.2} and len(ohms) >= 4
    assert (loaded.efficiency_pct.between(70.0, 100.0)).all()
    assert (table.kind == "soaked").sum() == 1
    assert table[table.label == "no load"].iout_a.eq(0.0).all()


def test_the_derived_current_and_its_uncertainty_cover_the_true_one(live: Live) -> None:
    # The 22 ohm resistor is 4 % high, within its 5 %: the current is that much lower.
    person = ScriptedPerson(live, off_by=0.04)
    done = live.run(one_point(live, 0.4), bench=hand(live), person=person)
    table = pd.read_csv(write_tables(done.folder).written["efficiency.csv"])
    row = {name: float(table[name].iloc[0]) for name in ("iout_a", "iout_a_u", "efficiency_pct_u")}
    true_a = 9.0 / (22.0 * 1.04 + 0.04)
    assert abs(row["iout_a"] - true_a) / true_a > 0.03
    # Rectangular within tolerance and own heating (JCGM 100:2008, 4.3.7), 2 u is beyond 4 %.
    hot = 200e-6 * 200.0 * (9.0 / 22.04) ** 2 * 22.0 / 10.0
    assert row["iout_a_u"] == pytest.approx(row["iout_a"] * (0.05 + hot) / 3**0.5, rel=0.05)
    assert abs(row["iout_a"] - true_a) < 2.0 * row["iout_a_u"]
    assert row["efficiency_pct_u"] > 2.0


def test_a_by_eye_reading_is_asked_for_once_a_point_and_journaled(live: Live) -> None:
    person = ScriptedPerson(live)
    live.run(one_point(live, 0.9), bench=hand(live), person=person)
    asked = [record["about"] for record in kinds(live, "question")]
    assert asked == ["connect", "connect", "hot_spot_temp_c", "vout_v"]
    answers = kinds(live, "answer")
    assert [record["taken"] for record in answers] == ["taken"] * 4
    (point,) = [r["values"] for r in kinds(live, "outcome") if r["outcome"] == "Point"]
    assert point["vout_v"] == answers[-1]["value"] == float(answers[-1]["raw"])
    assert point["samples"] == 4 and "vout_v" not in point["sd"] and "iin_a" in point["sd"]
    assert {record["vout_v"] for record in kinds(live, "sample")} == {point["vout_v"]}
    (connected,) = [r for r in kinds(live, "connected") if r["iout_a"]]
    assert (connected["resistor"], connected["ohm"]) == ("10 ohm", 10.04)
    assert connected["why"] == "0.9 A asked for"
    assert connected["iout_a"] == pytest.approx(9.0 / 10.04)


def test_the_person_is_told_which_resistor_and_what_it_draws(live: Live) -> None:
    person = ScriptedPerson(live)
    live.run(one_point(live, 0.9), bench=hand(live), person=person)
    assert person.asked[0].startswith("take off whatever is connected")
    assert (
        "connect 10 ohm (0.9 A asked for, it draws 0.896 A, 8.04 W), then Enter"
        in (person.asked[1])
    )
    assert any("may be hot" in text for text in person.said)


def test_cautions_about_hot_resistors_are_shown(live: Live) -> None:
    heard = Heard()
    live.run(one_point(live, 0.9), bench=hand(live), person=ScriptedPerson(live), heard=heard)
    assert any("resistors reach 150 to 250 °C" in note for note in heard.notes)


NONSENSE = ["", "nine", "9.0.2", "9,020.5 V", "9 A", "nan", "inf", "-9.02", "902", "1e9"]


@pytest.mark.parametrize("nonsense", NONSENSE)
def test_nonsense_is_asked_again_with_the_reason(live: Live, nonsense: str) -> None:
    given: list[str] = []

    def once(question: str) -> str | None:
        if "output of the module" in question and not given:
            given.append(nonsense)
            return nonsense
        return None

    person = ScriptedPerson(live, instead=once)
    done = live.run(one_point(live, 0.9), bench=hand(live), person=person)
    assert done.ending.name == "done"
    refused, taken = [r for r in kinds(live, "answer") if r["about"] == "vout_v"]
    assert refused["taken"] == "refused" and refused["raw"] == nonsense and refused["reason"]
    assert taken["taken"] == "taken" and 8.5 < taken["value"] < 9.5
    assert person.asked[-1].startswith(refused["reason"])


@pytest.mark.parametrize(
    ("typed", "value", "says"),
    [
        ("9.9", 9.9, "more than the"),  # more power out than the supply gives
        ("5", 5.0, "far from the 9 V"),
    ],
)
@pytest.mark.parametrize("kept_by", ["", "again"])
def test_what_the_other_readings_contradict_has_to_be_confirmed(
    live: Live, typed: str, value: float, says: str, kept_by: str
) -> None:
    def always(question: str) -> str | None:
        if "output of the module" not in question:
            return None
        return (typed if kept_by else "") if "Enter keeps it" in question else typed

    person = ScriptedPerson(live, instead=always)
    done = live.run(one_point(live, 0.9), bench=hand(live), person=person)
    assert done.ending.name == "done", done.ending.message
    doubted, kept = [r for r in kinds(live, "answer") if r["about"] == "vout_v"]
    assert doubted["taken"] == "doubted" and says in doubted["reason"]
    assert kept["taken"] == "confirmed" and kept["value"] == value


def test_a_confirmed_reading_beyond_a_limit_trips(live: Live) -> None:
    def always(question: str) -> str | None:
        return "11.5" if "output of the module" in question else None

    done = live.run(
        one_point(live, 0.9), bench=hand(live), person=ScriptedPerson(live, instead=always)
    )
    assert done.ending.exit_code == 3 and "vout_v is 11.5, allowed is 10.5" in done.ending.message
    assert live.outputs_on()[0] is False


def test_a_resistor_that_draws_nothing_is_doubted(live: Live) -> None:
    def forgets(question: str) -> str | None:
        return "" if "connect 4.7 ohm" in question and "is it connected" not in question else None

    person = ScriptedPerson(live, instead=forgets)
    done = live.run(one_point(live, 2.0), bench=hand(live), person=person)
    assert done.ending.name == "done"
    (doubt,) = [r for r in kinds(live, "answer") if r["taken"] == "doubted"]
    # 9 V over 4.7 ohm and 0.04 ohm of clips: 1.9 A, 16.9 W in the resistor (Ohm's law).
    assert "4.7 ohm alone should take 16.9 W" in doubt["reason"]
    assert person.connected_ohm == [None, 4.7]


SHORT = ("greatest_w_for_s = 60.0", "greatest_w_for_s = 40.0")
OVERLOADED_A = 4.0


def test_a_resistor_is_asked_off_in_time_and_the_step_is_begun_again(live: Live) -> None:
    person = ScriptedPerson(live, dawdles_on="output of the module", dawdles_s=100.0)
    done = live.run(one_point(live, OVERLOADED_A), bench=hand(live, SHORT), person=person)
    assert done.ending.name == "done", done.ending.message
    assert any("TIME IS UP for 2.2 ohm (the green one)" in text for text in person.asked)
    assert any("cools for" in text for text in person.said)
    assert person.connected_ohm == [None, 2.2, None, 2.2]
    connected = kinds(live, "connected")
    times_s = [r["t_s"] for r in connected]
    assert connected[1]["may_stay_s"] == 40.0
    assert times_s[2] - times_s[1] < 40.0


def test_a_person_who_does_not_take_it_off_in_time_loses_the_supply(live: Live) -> None:
    person = ScriptedPerson(live, silent_on="output of the module|TIME IS UP")
    done = live.run(one_point(live, OVERLOADED_A), bench=hand(live, SHORT), person=person)
    assert (done.ending.name, done.ending.exit_code) == ("tripped", 3)
    assert "2.2 ohm" in done.ending.message and "not seen to be taken off" in done.ending.message
    assert live.outputs_on()[0] is False
    on_s = next(r["t_s"] for r in kinds(live, "connected") if r["iout_a"])
    (trip,) = kinds(live, "trip")
    assert trip["t_s"] - on_s < 40.0 and trip["value"] == pytest.approx(40.0, abs=1.0)
    assert [text.strip() for text in person.said[-6:]] == [
        f"{left} s, then the supply goes off" for left in (10, 5, 4, 3, 2, 1)
    ][-6:]


def test_a_step_that_never_fits_into_a_resistors_time_ends_the_run(live: Live) -> None:
    person = ScriptedPerson(live, silent_on="output of the module")
    done = live.run(one_point(live, OVERLOADED_A), bench=hand(live, SHORT), person=person)
    assert done.ending.exit_code == 4
    assert "Read takes longer than 2.2 ohm (the green one) may stay on" in done.ending.message
    assert live.outputs_on()[0] is False
    assert person.connected_ohm.count(2.2) == 4


@pytest.mark.parametrize("takes_s", [4.0, 0.0])  # 0: a key that is held down
def test_saying_it_is_off_while_it_draws_does_not_help(live: Live, takes_s: float) -> None:
    def lies(question: str) -> str | None:
        return "" if "TIME IS UP" in question else None

    person = ScriptedPerson(live, takes_s, instead=lies, silent_on="output of the module")
    done = live.run(one_point(live, OVERLOADED_A), bench=hand(live, SHORT), person=person)
    assert done.ending.exit_code == 3 and live.outputs_on()[0] is False
    assert kinds(live, "trip")[0]["value"] == pytest.approx(40.0, abs=1.0)
    assert any("the supply still gives" in text for text in person.asked)


@pytest.mark.parametrize("word", ["vout_v", "connect"])
def test_ctrl_c_while_a_person_is_asked_leads_to_the_safe_state(live: Live, word: str) -> None:
    attention = Attention()

    def presses(question: str) -> str | None:
        about = "connect 10 ohm" if word == "connect" else "output of the module"
        if about in question:
            signal.raise_signal(signal.SIGINT)
            person.silent_on = "."
            person.ask(question)
        return None

    person = ScriptedPerson(live, instead=presses)
    with attention.listening():
        done = live.run(one_point(live, 0.9), bench=hand(live), person=person, attention=attention)
    assert (done.ending.name, done.ending.exit_code) == ("stopped", 5)
    assert live.outputs_on()[0] is False
    (safe,) = kinds(live, "safe")
    assert safe["emergency"] and safe["confirmed"]


def test_typing_stop_ends_the_run_and_so_does_a_closed_input(live: Live) -> None:
    person = ScriptedPerson(
        live, instead=lambda question: "stop" if "hot spot" in question else None
    )
    done = live.run(one_point(live, 0.9), bench=hand(live), person=person)
    assert (done.ending.name, done.ending.exit_code) == ("stopped", 5)
    assert live.outputs_on()[0] is False


def test_a_closed_input_ends_the_run(live: Live) -> None:
    def gone(question: str) -> str | None:
        if "hot spot" in question:
            raise EOFError
        return None

    done = live.run(
        one_point(live, 0.9), bench=hand(live), person=ScriptedPerson(live, instead=gone)
    )
    assert done.ending.exit_code == 5 and "input is closed" in done.ending.message
    assert live.outputs_on()[0] is False


def test_a_question_that_nobody_answers_ends_the_run(live: Live) -> None:
    person = ScriptedPerson(live, silent_on="hot spot")
    done = live.run(one_point(live, 0.9), bench=hand(live), person=person)
    assert done.ending.exit_code == 5 and "nobody answered for 15 min" in done.ending.message
    assert live.outputs_on()[0] is False


def test_the_interlocks_are_looked_at_while_a_person_is_asked(live: Live) -> None:
    def shorts_it(question: str) -> str | None:
        if "hot spot" in question:
            person.silent_on = "."
            person.ask(question)
            person.connect(0.7)  # far more than the bench allows, and nobody says a word
        return None

    person = ScriptedPerson(live, instead=shorts_it)
    bench = hand(live, ("iin_max_a = 3.0", "iin_max_a = 1.0"))
    module = live.demo("module", "iout_rated_a = 4.0", "iout_rated_a = 2.0")
    done = live.run(one_point(live, 0.9), bench=bench, module=module, person=person)
    assert done.ending.exit_code == 3 and "iin_a" in done.ending.message
    asked_s = kinds(live, "question")[-1]["t_s"]
    (trip,) = kinds(live, "trip")
    assert trip["t_s"] - asked_s < 10.0


def test_an_unattended_run_is_refused_before_anything_is_opened(live: Live) -> None:
    with pytest.raises(BadInput, match="somebody has to be at the bench") as caught:
        live.run(one_point(live, 0.9), bench=hand(live))
    assert "resistors, multimeter, thermometer" in str(caught.value)
    assert live.bench is None and not (live.folder / "run").exists()


def test_a_soak_on_a_resistor_that_may_not_stay_on_is_refused_on_paper(live: Live) -> None:
    with pytest.raises(BadInput, match="may stay on for 60 s") as caught:
        live.run(
            "load_sweep", bench=hand(live), person=ScriptedPerson(live), soak_a="4", lines_v="24"
        )
    assert "Soak takes about" in str(caught.value)
    assert live.bench is None


def test_a_published_soak_rule_is_refused_for_a_thermometer_read_by_eye(live: Live) -> None:
    body = "yield PowerUp(24.0)\nyield Draw(0.9)\nyield Soak(rule='{}')"
    from runner.settle import SOAK_RULES

    done = live.run(
        live.sequence(body.format(SOAK_RULES[1])), bench=hand(live), person=ScriptedPerson(live)
    )
    assert done.ending.exit_code == 2 and "read by eye" in done.ending.message


BY_EYE = """
[instruments.ammeter]
family = "meter-by-eye"
range_a = 10.0
current_accuracy = [{ range_a = 10.0, reading_pct = 1.0, offset_a = 0.02 }]

[simulation]"""


@pytest.mark.parametrize(("role", "quantity"), [("iin", "iin_a"), ("iout", "iout_a")])
def test_one_meter_by_eye_on_an_otherwise_programmed_bench(
    live: Live, role: str, quantity: str
) -> None:
    path = Path(live.demo("bench", '# vin = "..."   iin = "..."', f'{role} = "ammeter" #'))
    path.write_text(path.read_text("utf-8").replace("\n[simulation]", BY_EYE), "utf-8")
    body = "    yield Tare()" + ONE_POINT.format(load=1.0)
    person = ScriptedPerson(live)
    done = live.run(live.sequence(body), bench=str(path), person=person)
    assert done.ending.name == "done", done.ending.message
    assert live.outputs_on() == (False, False)
    assert [record["about"] for record in kinds(live, "question")] == [quantity, quantity]
    (point,) = [r["values"] for r in kinds(live, "outcome") if r["outcome"] == "Point"]
    assert point[quantity] == kinds(live, "answer")[-1]["value"]
    assert quantity not in point["sd"] and "vout_v" in point["sd"]
    (run,) = kinds(live, "run")
    assert set(run["sources"].values()) == {"measured"}


def test_every_step_and_way_out_is_journaled_as_plain_values(live: Live) -> None:
    live.run(one_point(live, 0.9), bench=hand(live), person=ScriptedPerson(live))
    json.dumps(live.records(), allow_nan=False)
    (safe,) = kinds(live, "safe")
    assert [a["action"] for a in safe["attempts"]] == ["supply off", "supply output read back"]


def test_the_shipped_file_checks_without_a_mistake(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from runner.cli.main import main

    assert main(["check", str(HAND)]) == 0
    out = capsys.readouterr().out
    assert "worked by hand" in out and "every box is there" in out
