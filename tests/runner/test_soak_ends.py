"""A soak ended by prediction, on the live bench: what is told, derived, and not mixed up."""

from __future__ import annotations

from typing import Any

import pytest

from runner.analysis.derated_u import DoubtfulPoint, greatest_loads
from runner.analysis.derating import Limits, Rule, derate
from runner.analysis.holding import Ahead, LoadPoint, OutputLimits
from runner.report.record import gather
from runner.report.soak_end import PREDICTED_END
from runner.report.tables import write_tables
from runner.soaking import Soaking
from runner.steps import Reading, Soak, Soaked
from tests.runner.analysis.warm_ups import Network, Trace
from tests.runner.analysis.warm_ups import soaked as slow_soak
from tests.runner.live import Live

WORDS = "Soak(within_k=0.5, stop_above_c={stop}, predict_k={k}, rule='{rule}')"
BODY = """\
yield PowerUp(24.0)
yield Draw({load_a})
soaked = yield {soak}
yield Read('soaked', 10, 0.5, 'soak')
yield PowerDown()
"""
TRUE_K_PER_W = 15.0
"""Of the demo module (runner/examples/demo_module.toml): 6 and 9 K/W."""


def body(load_a: float, k: float = 1.0, stop: float = 110.0, rule: str = "trend") -> str:
    return BODY.format(load_a=load_a, soak=WORDS.format(stop=stop, k=k, rule=rule))


def soaked(live: Live) -> dict[str, Any]:
    """The outcome of the one soak of the last run."""
    (found,) = [r["values"] for r in live.records() if r.get("outcome") == "Soaked"]
    return dict(found)


def rise_k(values: dict[str, Any]) -> float:
    reading = values["reading"]
    return float(reading["hot_spot_temp_c"] - reading["ambient_temp_c"])


def test_predicted_end_is_that_of_the_soak_waited_out(live: Live) -> None:
    # The same bench, the same errors: the two ends differ by the prediction's doubt and by what
    # the wait leaves, 0.5 K in 5 min with 400 s of time constant: 0.45 K.
    live.run(live.sequence(body(3.0)))
    predicted = soaked(live)
    (live.folder / "run").rename(live.folder / "predicted")
    live.run(live.sequence(body(3.0, k=0.0)))
    waited = soaked(live)
    assert predicted["settled"] and waited["settled"]
    assert waited["end_rise_k"] is None
    assert predicted["elapsed_s"] < waited["elapsed_s"] / 2.5
    assert 2.0 * predicted["end_u_k"] <= 1.05
    assert predicted["end_rise_k"] == pytest.approx(rise_k(waited) + 0.45, abs=1.0)
    assert rise_k(predicted) < predicted["end_rise_k"] - 3.0


def test_a_prediction_can_be_put_to_the_proof(live: Live) -> None:
    # The demo module has two stages, so it ends as foretold.
    live.run(live.sequence(body(3.0).replace("predict_k=1.0", "predict_k=1.0, prove=True")))
    found = soaked(live)
    assert found["proved"] is True
    assert found["end_rise_k"] is None
    assert found["elapsed_s"] > 1200.0
    assert ", as foretold" in found["note"]


def ended(step: Soak, trace: Trace) -> Soaked | None:
    """How a soak of a made-up warm-up ends."""
    soaking = Soaking(step, 0.0)
    seen = (trace.times_s.tolist(), trace.rises_k.tolist(), trace.plosses_w.tolist())
    for t_s, rise_k, loss_w in zip(*seen, strict=True):
        reading = Reading(t_s, 24.0, loss_w / 24.0 + 1.0, 24.0, 1.0, 25.0, None, 25.0 + rise_k)
        soaking.add(reading, 25.0 + rise_k, 25.0)
        if t_s % 10.0 == 0.0 and (outcome := soaking.outcome(reading, 25.0, False)) is not None:
            return outcome
    return None


def test_a_module_with_a_slower_stage_is_not_as_foretold() -> None:
    # A third stage with a tenth of the resistance at 1800 s, which two time constants miss.
    trace = slow_soak(Network((14.0, 21.0, 4.0), (20.0, 400.0, 1800.0), 1.2), 3, lasting_s=5400.0)
    step = Soak(predict_k=1.0, prove=True, within_k=0.3, over_s=300.0)
    outcome = ended(step, trace)
    assert outcome is not None and outcome.proved is False
    assert "not as foretold" in outcome.note


def test_a_published_rule_is_not_cut_short(live: Live) -> None:
    live.run(live.sequence(body(2.0, rule="iec-61810-7")))
    found = soaked(live)
    assert found["end_rise_k"] is None
    assert found["elapsed_s"] >= 600.0


def test_a_module_that_turns_round_is_not_taken_for_one_at_rest() -> None:
    # From a cooler part on a warmer board than it ends with: after some minutes it stands still
    # on its way, 1 K and more from its end.
    network = Network((14.0, 21.0), (60.0, 600.0), 1.2, start_k=(8.0, 29.5))
    trace = slow_soak(network, 5, noise_k=0.05)
    outcome = ended(Soak(predict_k=1.0, within_k=0.5, over_s=300.0), trace)
    assert outcome is not None and outcome.end_rise_k is not None
    assert outcome.end_rise_k == pytest.approx(network.end_k(), abs=1.0)


def test_a_plain_soak_means_what_it_always_did(live: Live) -> None:
    text = body(2.0).replace("predict_k=1.0, ", "")
    live.run(live.sequence(text))
    assert soaked(live)["end_rise_k"] is None


def test_the_point_keeps_its_reading_and_leads_to_the_end(live: Live) -> None:
    live.run(live.sequence(body(3.0)))
    found, record = soaked(live), gather(live.records())
    (numbered,) = record.points
    point, ahead = numbered.point, numbered.ahead
    assert PREDICTED_END in point.flags
    assert numbered.settling_k is None
    assert ahead is not None and point.hot_spot_temp_c is not None
    assert point.ambient_temp_c is not None
    end_k = point.hot_spot_temp_c + ahead.left_k["hot_spot_temp_c"] - point.ambient_temp_c
    assert end_k == pytest.approx(found["end_rise_k"])
    assert ahead.u_k["hot_spot_temp_c"] == found["end_u_k"]


def test_a_journal_without_the_new_fields_reads_as_waited_out(live: Live) -> None:
    live.run(live.sequence(body(2.0, k=0.0)))
    new = {"end_rise_k", "end_u_k", "end_loss_ratio", "end_case_rise_k", "end_case_u_k"}
    new |= {"proved", "note"}
    old = []
    for record in live.records():
        if record.get("outcome") == "Soaked":
            values = {k: v for k, v in record["values"].items() if k not in new}
            record = record | {"values": values}
        if record["kind"] == "step" and record["step"] == "Soak":
            args = {k: v for k, v in record["args"].items() if k not in ("predict_k", "prove")}
            record = record | {"args": args}
        old.append(record)
    (numbered,) = gather(old).points
    assert numbered.ahead is None
    assert numbered.settling_k is not None


def test_derating_of_a_predicted_soak_says_so_and_finds_the_resistance(live: Live) -> None:
    # 15 K/W is in the module file; the demo bench's thermometers and meters are each off by up
    # to what is stated: 1.3 K of 52 K and about 2 % of the loss.
    live.run("load_sweep", points="6", lines_v="24", audit="no")
    tables = write_tables(live.folder / "run")
    rows = [row for row in tables.derated if row.greatest is not None]
    assert rows
    assert all(PREDICTED_END in row.flags for row in rows)
    assert rows[0].line.spot_heat.k_per_w == pytest.approx(TRUE_K_PER_W, rel=0.045)
    assert all(
        u_a for u_a, row in zip(tables.derated_u_a, tables.derated, strict=True) if row in rows
    )


def test_a_module_that_would_end_too_hot_is_stopped_long_before(live: Live) -> None:
    # At 4.5 A in 25 °C air the demo module would end above 110 °C; stopped at 95 °C at most.
    live.run(live.sequence(body(4.5, stop=100.0)))
    found = soaked(live)
    assert found["stopped"] and not found["settled"]
    assert found["reading"]["hot_spot_temp_c"] < 95.0
    assert "it would pass the 100.0 °C it is stopped at" in found["note"]
    assert any(r["kind"] == "note" and r["text"] == found["note"] for r in live.records())


def test_a_module_that_cools_from_a_load_before_is_not_stopped(live: Live) -> None:
    before = "yield PowerUp(24.0)\nyield Draw(4.5)\nyield Wait(600.0)\n"
    text = body(1.0, stop=60.0).replace("yield PowerUp(24.0)\n", before)
    live.run(live.sequence(text))
    found = soaked(live)
    assert found["settled"] and not found["stopped"]


# ------------------------------------------------------------------------------ derating


LIMITS = Limits(OutputLimits(9.0, 0.03), hot_spot_max_temp_c=110.0, module_iout_max_a=20.0)


def loss_w(load_a: float) -> float:
    return 0.3 + 0.4 * load_a + 0.15 * load_a**2


def points(left_k: float, u_k: float) -> list[LoadPoint]:
    """Cold points, and a soak at 2 A that ends 20 K/W times its loss above 25 °C; no growth."""
    cold = [LoadPoint(24.0, i, i, 9.0, loss_w(i), 25.0, None, 25.0) for i in (0.5, 1.0, 2.0, 4.0)]
    end_c = 25.0 + 20.0 * loss_w(2.0)
    ahead = Ahead({"hot_spot_temp_c": left_k}, {"hot_spot_temp_c": u_k}) if left_k else None
    soak = LoadPoint(
        24.0, 2.0, 2.0, 9.0, loss_w(2.0), 25.0, None, end_c - left_k, "soaked", ahead=ahead
    )
    return [*cold, soak]


def test_a_predicted_end_derates_as_one_waited_out() -> None:
    (waited,) = derate(points(0.0, 0.0), LIMITS, [25.0], 0.0)
    (told,) = derate(points(8.0, 0.5), LIMITS, [25.0], 0.0)
    assert waited.greatest is not None and told.greatest is not None
    assert told.greatest.iout_max_a == pytest.approx(waited.greatest.iout_max_a)
    assert PREDICTED_END in told.flags and PREDICTED_END not in waited.flags


def test_a_load_hotter_than_the_module_has_been_is_no_measured_one() -> None:
    # The soak was left 8 K below its end: what happens between is not seen (a shutdown, say).
    end_c = 25.0 + 20.0 * loss_w(2.0)
    limits = Limits(OutputLimits(9.0, 0.03), hot_spot_max_temp_c=end_c)
    for left_k in (8.0, 2.0, 0.0):
        (row,) = derate(points(left_k, 0.5), limits, [25.0], 0.0)
        assert row.greatest is not None
        assert row.greatest.iout_max_a == pytest.approx(2.0)
        assert row.basis == "extrapolated" or left_k < 8.0
        assert ("HOTTER_THAN_SEEN" in row.flags) == (left_k == 8.0)


def test_doubt_of_the_predicted_end_is_in_the_load() -> None:
    # By hand: R = end / P, so u(R) / R = u / rise; at 85 K the loss is 85 / R, and the load
    # follows by the slope of the loss, 0.4 + 0.3 I.
    made = points(8.0, 0.5)
    derated = derate(made, LIMITS, [25.0], 0.0)
    (load,) = greatest_loads([DoubtfulPoint(point, {}) for point in made], LIMITS, derated)
    assert load is not None
    rise_k, load_a = 20.0 * loss_w(2.0), load.value
    by_hand = (85.0 / 20.0) * (0.5 / rise_k) / (0.4 + 0.3 * load_a)
    (part,) = [u for source, u in load.parts.items() if "predicted end" in source.name]
    assert abs(part) == pytest.approx(by_hand, rel=0.01)


def test_a_stated_rule_counts_where_it_allows_less() -> None:
    # A straight line from the whole 4 A at 40 °C to none at 80 °C: 2 A at 60 °C.
    rule = Rule(4.0, 40.0, 80.0)
    limits = Limits(OutputLimits(9.0, 0.03), 200.0, None, 20.0, None, rule)
    loads = derate(points(0.0, 0.0), limits, [25.0, 40.0, 45.0, 50.0], 0.0)
    found = [row.greatest and (row.greatest.iout_max_a, row.greatest.limited_by) for row in loads]
    assert found == [
        (4.0, "derating-rule"),
        (4.0, "derating-rule"),
        (pytest.approx(3.5), "derating-rule"),
        (pytest.approx(3.0), "derating-rule"),
    ]
    assert rule.load_a(60.0) == pytest.approx(2.0)
    assert rule.load_a(90.0) == 0.0
    cool = Limits(OutputLimits(9.0, 0.03), 60.0, None, 20.0, None, rule)
    (hot,) = derate(points(0.0, 0.0), cool, [25.0], 0.0)
    assert hot.greatest is not None and hot.greatest.limited_by == "hot-spot"
