"""The steps that look for limits: starts, resistances, ramps, traces, questions and results."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from runner import journal
from runner.attention import Attention
from runner.errors import BadInput
from runner.hand.person import Agreeing
from runner.live.follow import CHUNK_BYTES
from runner.recorded import outcome_of, step_of
from runner.rehearsal import rehearse, stage
from runner.report.record import gather
from runner.run import prepare
from runner.sequence import load
from runner.step_bounds import MOST_READINGS
from runner.steps import Found, Reading, Start, Trace
from runner.tracing import trace_of
from tests.runner.live import Heard, Live


def traces(live: Live) -> list[Trace]:
    outcomes = [outcome_of(r) for r in live.records() if r["kind"] == "outcome"]
    return [one for one in outcomes if isinstance(one, Trace)]


def first(live: Live, text: str) -> int:
    """Which message to a box was the first to begin so."""
    return next(k for k, line in enumerate(live.wire()) if line.startswith(text))


def refused(live: Live, body: str, says: str) -> None:
    with pytest.raises(BadInput, match=says):
        live.run(live.sequence(body))
    assert live.bench is None  # nothing was opened


# ------------------------------------------------------------------------------- start


def test_a_start_arms_the_load_before_the_supply_goes_on(live: Live) -> None:
    live.run(live.sequence("yield Start(24.0, load_ohm=4.5, watch_s=0.5)\nyield PowerDown()"))
    ways = [first(live, text) for text in ("supply VOLT:PROT ", "load INP ON", "supply OUTP ON")]
    assert ways == sorted(ways)  # the trips are armed first, as PowerUp does
    (trace,) = traces(live)
    assert trace.vout_v[0] < trace.vout_v[-1] == pytest.approx(9.0, abs=0.1)
    assert trace.iout_a[-1] == pytest.approx(9.0 / 4.5, rel=0.02)
    assert set(trace.load_mode) == {"CR"}
    assert live.outputs_on() == (False, False)


def test_every_tuple_of_a_trace_has_one_entry_a_reading(live: Live) -> None:
    live.run(live.sequence("yield Start(24.0, 1.0)\nyield Follow(1.0, 0.1)\nyield PowerDown()"))
    started, followed = traces(live)
    for one in (started, followed):
        lengths = {len(getattr(one, name)) for name in Trace.__slots__ if name != "began_s"}
        assert len(lengths) == 1
    assert len(followed.t_s) == 11
    assert followed.t_s[-1] - followed.began_s == pytest.approx(1.0, abs=0.05)
    samples = [r for r in live.records() if r["kind"] == "sample"]
    assert [r["vout_v"] for r in samples[-11:]] == list(followed.vout_v)


def test_the_longest_trace_is_a_record_that_can_be_followed() -> None:
    long = Reading(1e6 / 7, 24.1 / 7, 2 / 7e4, 9 / 7, 5 / 7, 25 / 7, 25 / 7, 99 / 7, "TRIPPED")
    long = replace(long, load_mode="UNREGULATED")
    record = json.dumps(asdict(trace_of(0.0, [long] * MOST_READINGS)))
    assert len(record) + 1000 < CHUNK_BYTES


def test_an_output_that_does_not_come_up_is_told_and_no_error(live: Live) -> None:
    module = live.demo("module", "start_v = 7.0 ", "start_v = 26.0 ")
    body = "t = yield Start(24.0, 0.2)\nyield Note(f'{abs(max(t.vout_v)):.1f}')\nyield PowerDown()"
    done = live.run(live.sequence(body), module=module)
    assert done.ending.name == "done"
    assert gather(live.records()).notes == ["0.0"]


def test_a_start_keeps_to_its_current_limit(live: Live) -> None:
    body = "yield Start(24.0, 4.0, limit_a=0.8)\nyield PowerDown()"
    live.run(live.sequence(body))
    (trace,) = traces(live)
    assert "CC" in trace.supply_mode
    assert max(trace.iin_a) <= 0.8 * 1.01 + 0.006  # set and read with the supply's own errors


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("yield PowerUp(24.0)\nyield Start(24.0)", "with the supply on; PowerDown comes first"),
        ("yield Start(24.0, 1.0, 9.0)", "found iout_a and load_ohm; allowed: one of the two"),
        ("yield Start(24.0, limit_a=4.5)", r"limit_a: found 4\.5, allowed: above 0 to 4\.2 A"),
        ("yield Start(24.0, limit_a=0.0)", "limit_a: found 0.0, allowed: above 0"),
        ("yield Start(36.0)", "line voltage: found 36.0 V"),
        ("yield Start(24.0, 6.0)", "load current: found 6.0 A"),
        ("yield Start(24.0, load_ohm=0.0)", "load_ohm: found 0.0, allowed: above 0 ohm"),
        ("yield Resist(1.0)", "PowerUp comes first"),
        ("yield PowerUp(24.0)\nyield Resist(0.0)", "the load's least resistance"),
        ("yield Follow(1e4, 0.5)", f"asks for 20000 readings; allowed: at most {MOST_READINGS}"),
        ("yield Follow(1.0, 0.001)", "every_s: found 0.001, allowed: 0.005 s or more"),
        ("yield SetLine(24.0, 1.0)", "PowerUp comes first"),
        ("yield SetLine(22.0, -1.0)", "rate_v_per_s: found -1.0, allowed is a finite number, 0"),
        ("yield Found('A', 1.0, 0.5, 1.5, 'A', 24.0, 1.0)", "quantity: found 'A'"),
        ("yield Found('limit_a', 2.0, 0.5, 1.5, 'A', 24.0, 1.0)", "allowed: in that order"),
        ("yield Found('limit_a', 1.0, 0.5, 1.5, 'A', 24.0, 1.0, None, '', 'x')", "rests_on"),
        ("yield SetLine(24.0, wait=1)", "wait: found 1, allowed is True or False"),
    ],
)
def test_what_cannot_be_is_refused_on_paper(live: Live, body: str, says: str) -> None:
    refused(live, body, says)


@pytest.mark.parametrize("step", ["Follow(1.0)", "Resist(9.0)", "Start(24.0)"])
def test_what_hands_and_eyes_are_too_slow_for_is_refused(live: Live, step: str) -> None:
    eye = '[instruments.eye]\nfamily = "meter-by-eye"\nrange_v = 20.0\n\n[simulation]'
    path = live.demo("bench", 'chamber = "chamber"', 'chamber = "chamber"\nvout = "eye"')
    text = Path(path).read_text("utf-8")
    Path(path).write_text(text.replace("[simulation]", eye, 1), "utf-8")
    body = f"{'yield PowerUp(24.0)' if 'Start' not in step else ''}\nyield {step}"
    with pytest.raises(BadInput, match="worked by hand or read by eye"):
        live.run(live.sequence(body), bench=path, person=Agreeing())


# ------------------------------------------------------------------- resistance and line


def test_a_resistance_is_read_back_and_a_current_takes_over_again(live: Live) -> None:
    body = """
        yield PowerUp(24.0)
        yield Resist(3.0)
        yield Wait(3.0)
        yield Settle()
        yield Read()
        yield Draw(1.0)
        yield Wait(3.0)
        yield Settle()
        yield Read()
        yield Release()
        yield PowerDown()
    """
    done = live.run(live.sequence(body))
    assert done.ending.name == "done", done.ending.message
    ways = [first(live, text) for text in ("load RES 3;", "load FUNC RES;", "load INP ON;")]
    assert ways == sorted(ways)
    by_ohm, by_amps = (numbered.point for numbered in gather(live.records()).points)
    assert by_ohm.load_mode == "CR" and by_ohm.iout_a == pytest.approx(3.0, rel=0.01)
    assert by_ohm.iout_set_a == pytest.approx(3.0) and by_ohm.flags == ()
    assert by_amps.load_mode == "CC" and by_amps.iout_a == pytest.approx(1.0, abs=0.01)


def test_a_load_put_into_another_mode_by_somebody_is_noticed_in_resistance_too(live: Live) -> None:
    def meddle(index: int, step: object) -> None:
        if index == 2 and live.bench is not None:
            live.bench.devices[live.bench.resources["load"]].box.handle("FUNC CURR")

    body = "yield PowerUp(24.0)\nyield Resist(9.0)\nyield Wait(5.0)"
    done = live.run(live.sequence(body), heard=Heard(meddle))
    assert done.ending.name == "tripped"
    assert "load mode is CC, allowed is CR" in done.ending.message


def test_a_ramp_moves_the_line_at_its_rate_and_is_watched(live: Live) -> None:
    body = """
        yield PowerUp(24.0)
        yield Draw(1.0)
        yield SetLine(20.0, 2.0)
        yield PowerDown()
    """
    live.run(live.sequence(body))
    records = live.records()
    index = next(r["index"] for r in records if r["kind"] == "step" and r["step"] == "SetLine")
    ramp = [r for r in records if r["kind"] == "sample" and r["index"] == index]
    t_s, vin_v = [r["t_s"] for r in ramp], [r["vin_v"] for r in ramp]
    assert vin_v == sorted(vin_v, reverse=True) and len(ramp) > 20
    rate = (vin_v[5] - vin_v[-5]) / (t_s[-5] - t_s[5])
    assert rate == pytest.approx(2.0, rel=0.03)
    assert vin_v[0] - vin_v[1] < 0.2


@pytest.mark.parametrize("wait", [True, False])
def test_a_line_is_waited_for_only_if_asked(live: Live, wait: bool) -> None:
    body = f"""
        yield PowerUp(24.0)
        done = yield SetLine(20.0, wait={wait})
        yield Note(f"{{done.reading.vin_v:.3f}}")
        yield PowerDown()
    """
    live.run(live.sequence(body))
    (seen,) = gather(live.records()).notes
    assert (abs(float(seen) - 20.0) < 0.41) == wait  # without a load it falls slowly


def test_the_interlocks_hold_while_something_is_followed(live: Live) -> None:
    bench = live.demo("bench", "hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 40.0")
    body = "yield PowerUp(24.0)\nyield Draw(4.0)\nyield Follow(120.0, 0.5)\nyield PowerDown()"
    done = live.run(live.sequence(body), bench=bench)
    assert done.ending.name == "tripped" and "hot_spot_temp_c" in done.ending.message
    assert live.outputs_on() == (False, False)


def test_every_step_comes_back_from_the_journal_as_it_was(live: Live) -> None:
    body = """
        yield Start(24.0, load_ohm=9.0, limit_a=2.0, watch_s=0.1)
        yield SetLine(22.0, 5.0, wait=False)
        yield Found("dropout_line_v", 10.0, 9.9, 10.1, "V", 10.0, 1.0, 25.0, "x", "vin_v")
        yield PowerDown()
    """
    live.run(live.sequence(body))
    steps = [step_of(r) for r in live.records() if r["kind"] == "step"]
    assert steps[0] == Start(24.0, load_ohm=9.0, limit_a=2.0, watch_s=0.1)
    assert steps[2] == Found("dropout_line_v", 10.0, 9.9, 10.1, "V", 10.0, 1.0, 25.0, "x", "vin_v")


# -------------------------------------------------------------------------------- asking


class Typing:
    """Somebody who types these lines, one a question, and then nothing."""

    def __init__(self, *lines: str) -> None:
        self.lines, self.asked = list(lines), list[str]()

    def say(self, text: str) -> None:
        pass

    def ask(self, text: str) -> None:
        self.asked.append(text)

    def line(self) -> str | None:
        return self.lines.pop(0) if self.lines else None


DESTRUCTIVE = 'yield Ask("this may kill it", "DESTROY")\nyield Note("done it")'


def test_a_word_has_to_be_typed_exactly(live: Live) -> None:
    person = Typing("", "destroy", "yes", " DESTROY ")
    done = live.run(live.sequence(DESTRUCTIVE), person=person)
    assert done.ending.name == "done" and len(person.asked) == 4
    assert "found 'destroy'; it has to be 'DESTROY' exactly" in person.asked[2]
    answers = [r["taken"] for r in live.records() if r["kind"] == "answer"]
    assert answers == ["refused", "refused", "refused", "taken"]


def test_stop_instead_of_the_word_ends_the_run(live: Live) -> None:
    done = live.run(live.sequence(DESTRUCTIVE), person=Typing("stop"))
    assert done.ending.name == "stopped" and gather(live.records()).notes == []


def test_nobody_to_ask_is_refused_before_anything_is_opened(live: Live) -> None:
    refused(live, 'yield Ask("cover it")', "asks a person to confirm .* the run is unattended")


def test_a_rehearsal_answers_by_itself(live: Live) -> None:
    sequence = load(live.sequence(DESTRUCTIVE))
    job = prepare(sequence, sequence.values({}), "demo", "demo", Attention())
    told = rehearse(stage(job), Attention(), Heard())
    assert told.ending.name == "done" and told.notes == ("done it",)


def test_the_bench_is_watched_while_a_person_thinks(live: Live) -> None:
    bench = live.demo("bench", "hot_spot_max_temp_c = 125.0", "hot_spot_max_temp_c = 40.0")
    body = 'yield PowerUp(24.0)\nyield Draw(4.0)\nyield Ask("well?")'
    done = live.run(live.sequence(body), bench=bench, person=Typing())
    assert done.ending.name == "tripped"


def test_agreeing_types_what_is_wanted() -> None:
    person = Agreeing()
    person.ask("cover it, then Enter")
    assert person.line() == ""
    person.ask("found ''; it has to be.\nthis may kill it\ntype DESTROY and press Enter")
    assert person.line() == "DESTROY"


def test_what_a_sequence_found_is_in_the_record_once(live: Live) -> None:
    body = """
        yield Found("knee_a", 5.0, 4.9, 5.1, "A", 24.0, 5.0)
        yield Found("kind", None, None, None, "", 24.0, 5.0, None, "foldback")
    """
    live.run(live.sequence(body))
    record = gather(journal.read(live.folder / "run" / journal.FILE_NAME))
    assert [one["quantity"] for one in record.findings] == ["knee_a", "kind"]
