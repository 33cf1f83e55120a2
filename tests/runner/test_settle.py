"""When a trace has stopped moving. Formulas checked against published statistics."""

from __future__ import annotations

import math
from dataclasses import replace
from random import Random

import pytest

from runner.analysis.stability import RULES, Trace
from runner.errors import BadInput
from runner.settle import (
    SOAK_RULES,
    WINDOW,
    electrical_rest,
    electrically_settled,
    mains_interval_s,
    soak_rest,
    still_to_rise_k,
    thermal_change,
    trend,
)
from runner.steps import Reading, Soak
from tests.runner.live import Live

STILL = Reading(0.0, 24.0, 0.9, 9.0, 2.0)

# NIST StRD, linear regression, data set Norris (certified slope 1.00211681802045),
# read from shared lists of published check values; y against x.
NORRIS = """0.1,0.2 338.8,337.4 118.1,118.2 888.0,884.6 9.2,10.1 228.1,226.5 668.5,666.3 998.5,996.3
449.1,448.6 778.9,777.0 559.2,558.2 0.3,0.4 0.1,0.6 778.1,775.5 668.8,666.9 339.3,338.0 448.9,447.5
10.8,11.6 557.7,556.0 228.3,228.1 998.0,995.8 888.8,887.6 119.6,120.2 0.3,0.3 0.6,0.3 557.6,556.8
339.3,339.1 888.0,887.2 998.5,999.0 778.9,779.0 10.2,11.1 117.6,118.3 228.9,229.2 668.4,669.1
449.2,448.9 0.2,0.5"""


def test_trend_agrees_with_the_certified_slope_of_nist_norris() -> None:
    pairs = [tuple(map(float, pair.split(","))) for pair in NORRIS.split()]
    values, times = [y for y, _ in pairs], [x for _, x in pairs]
    slope = trend(times, values) / (times[-1] - times[0])
    assert slope == pytest.approx(1.00211681802045, rel=1e-12)


def trace(*vout_v: float) -> list[Reading]:
    return [replace(STILL, t_s=0.1 * k, vout_v=v) for k, v in enumerate(vout_v)]


def test_a_still_trace_is_settled_and_a_moving_one_is_not() -> None:
    assert electrically_settled(trace(*[9.0] * WINDOW))
    assert not electrically_settled(trace(*[9.0 + 0.005 * k for k in range(WINDOW)]))


def test_noise_well_within_the_band_counts_as_still() -> None:
    assert electrically_settled(trace(9.0004, 8.9998, 9.0005, 8.9997, 9.0003))


def test_noise_as_wide_as_the_band_needs_more_readings() -> None:
    # 2 mV of noise, the band is 4.5 mV: the 95 % interval of a trend over n readings is about
    # t x 2 mV x sqrt(12 / n), so some 15 readings in the window decide and 5 cannot.
    random = Random(5)
    noisy = [9.0 + random.gauss(0.0, 0.002) for _ in range(60)]
    assert "too noisy to tell" in electrical_rest(trace(*noisy[:WINDOW])).why
    assert electrically_settled(trace(*noisy))


def test_a_slow_drift_under_the_noise_is_not_taken_for_rest() -> None:
    # 0.5 mV a reading: never within the band over a window, however much noise hides it.
    for seed in range(20):
        random = Random(seed)
        for n in range(WINDOW, 100, 5):
            drifting = [9.0 + 5e-4 * k + random.gauss(0.0, 0.002) for k in range(n)]
            rest = electrical_rest(trace(*drifting))
            assert not rest.settled or n < 20  # a chance fit of a few readings may pass
    assert "vout_v moves" in rest.why and "mV" in rest.why


def test_rest_is_declared_wrongly_in_few_of_many_drifting_traces() -> None:
    # A drift of just the band over the window: half of a 95 % interval lies beyond it, so no
    # more than 2.5 % of traces may pass (one-sided); 1000 traces, binomial 3 sigma is 15.
    passed = 0
    for seed in range(1000):
        random = Random(seed)
        step = 0.0046 / (WINDOW - 1)
        drifting = [9.0 + step * k + random.gauss(0.0, 0.0005) for k in range(WINDOW)]
        passed += electrically_settled(trace(*drifting))
    assert passed <= 25 + 15


def test_a_transient_is_left_behind() -> None:
    # An exponential of 30 readings' length: settled once the later half of the trace is still.
    values = [9.0 + 0.5 * math.exp(-k / 5.0) for k in range(200)]
    first = next(n for n in range(WINDOW, 200) if electrically_settled(trace(*values[:n])))
    assert abs(values[first] - 9.0) < 0.0045
    assert first < 80


def test_too_few_readings_are_never_settled() -> None:
    assert not electrically_settled(trace(*[9.0] * (WINDOW - 1)))


def test_thermal_change_waits_for_its_whole_window() -> None:
    times = [10.0 * k for k in range(30)]
    assert thermal_change(times, [50.0] * 30, 300.0) is None
    assert thermal_change([*times, 300.0], [50.0] * 31, 300.0) == pytest.approx(0.0)


def test_thermal_change_of_an_exponential_is_what_it_still_moves() -> None:
    # One exponential, 70 K at tau = 400 s: over the window from 900 s to 1200 s it really
    # moves 70 (e^-2.25 - e^-3) = 3.89 K; a straight line through it is within 5 % of that.
    times = [10.0 * k for k in range(121)]
    rises = [70.0 * (1.0 - math.exp(-t / 400.0)) for t in times]
    moved = 70.0 * (math.exp(-2.25) - math.exp(-3.0))
    assert thermal_change(times, rises, 300.0) == pytest.approx(moved, rel=0.05)


# ------------------------------------------------------------------------- rules by name


def test_a_soak_by_a_published_rule_is_judged_by_it() -> None:
    times = [10.0 * k for k in range(61)]
    still = Trace(times, [50.0] * 61, [10.0] * 61)
    assert soak_rest(Soak(rule="iec-61810-7"), still).settled
    assert not soak_rest(Soak(rule="10-cfr-430-z"), still).settled
    assert soak_rest(Soak(), still).settled
    assert tuple(SOAK_RULES) == ("trend", *RULES)


def test_a_rule_nobody_knows_is_refused_with_the_near_one() -> None:
    with pytest.raises(BadInput, match="did you mean 'iec-62301'"):
        soak_rest(Soak(rule="iec-62310"), Trace((0.0,), (0.0,), (0.0,)))


def test_a_rule_nobody_knows_is_refused_before_anything_is_energised(live: Live) -> None:
    body = "yield PowerUp(24.0)\nyield Draw(1.0)\nyield Soak(rule='iso-1')\nyield PowerDown()"
    with pytest.raises(BadInput, match="found 'iso-1'; allowed: trend, 10-cfr-430-z"):
        live.run(live.sequence(body))
    assert live.bench is None


@pytest.mark.parametrize("rule", SOAK_RULES)
def test_every_rule_settles_the_demo_module_and_not_too_early(live: Live, rule: str) -> None:
    done = live.run("load_sweep", points="2", lines_v="24", soak_rule=rule, audit="no")
    assert done.ending.name == "done"
    (soaked,) = [r["values"] for r in live.records() if r.get("outcome") == "Soaked"]
    assert soaked["settled"] and soaked["elapsed_s"] < 5400.0
    if rule in RULES:
        assert soaked["elapsed_s"] >= RULES[rule].least_s - 1.0
    point = [r["values"] for r in live.records() if r.get("outcome") == "Point"][-1]
    assert point["kind"] == "soaked" and point["settled"]


def test_a_module_may_be_asked_how_far_it_is_from_its_end() -> None:
    # One exponential has one end: 70 K at tau = 400 s, seen at 1200 s, is 70 e^-3 = 3.49 K away.
    times = [10.0 * k for k in range(121)]
    rises = [70.0 * (1.0 - math.exp(-t / 400.0)) for t in times]
    left_k = still_to_rise_k(Trace(times, rises, rises), 300.0)
    assert left_k == pytest.approx(70.0 * math.exp(-3.0), rel=1e-6)
    assert still_to_rise_k(Trace(times, [50.0] * 121, rises), 300.0) is None


def test_a_settle_that_did_not_says_what_moved(live: Live) -> None:
    body = "yield PowerUp(24.0)\nyield Draw(2.0)\nyield Settle(0.0, 0.0)\nyield PowerDown()"
    live.run(live.sequence(body))
    (settled,) = [r["values"] for r in live.records() if r.get("outcome") == "Settled"]
    assert not settled["settled"] and settled["why"] == "only 1 readings"


# -------------------------------------------------------------------------------- mains


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize(("samples", "every_s"), [(10, 0.1), (20, 0.5), (8, 0.02), (3, 0.0)])
def test_samples_over_whole_mains_periods_average_the_ripple_out(
    mains_hz: float, samples: int, every_s: float
) -> None:
    near_s = mains_interval_s(samples, every_s, mains_hz)
    assert samples * near_s * mains_hz == pytest.approx(round(samples * near_s * mains_hz))
    assert near_s == pytest.approx(every_s, abs=1.0 / mains_hz)
    for harmonic in range(1, samples):
        ripple = [
            math.sin(0.3 + 2.0 * math.pi * harmonic * mains_hz * k * near_s) for k in range(samples)
        ]
        assert sum(ripple) / samples == pytest.approx(0.0, abs=1e-9)


def test_a_plain_tenth_of_a_second_would_not() -> None:
    ripple = [math.sin(0.3 + 2.0 * math.pi * 50.0 * 0.1 * k) for k in range(10)]
    assert sum(ripple) / 10 == pytest.approx(math.sin(0.3))


def test_a_bench_that_states_its_mains_reads_over_whole_periods(live: Live) -> None:
    bench = live.demo("bench", 'name = "boathouse', 'mains_hz = 50\nname = "boathouse')
    live.run(live.sequence("yield PowerUp(24.0)\nyield Read()\nyield PowerDown()"), bench=bench)
    times_s = [r["t_s"] for r in live.records() if r["kind"] == "sample"]
    # 51 periods for 10 samples: coprime, and nearest above 50
    assert times_s[1] - times_s[0] == pytest.approx(51 / 50 / 10, abs=0.002)
