"""The end of a warm-up foretold: against networks whose end is known, and where it must not be."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from statistics import mean

import numpy as np
import pytest

from runner.analysis.foster import fit_loss, in_windows, noise_of
from runner.analysis.warming import WarmUp, end_beside, predicted_end
from tests.runner.analysis.warm_ups import Network, drawn, soaked, stopped_at, warm_start

DATA = Path(__file__).parents[2] / "data"
SET_A = Network((14.0, 21.0), (20.0, 400.0), 1.2)
"""The network of tests/data/switching_buck.md, its loss near that of 12 V and 1 A."""


def settle_s(network: Network, within_k: float = 0.5) -> float:
    """When a cold soak of a network comes within half a kelvin of its end [s], without noise."""
    trace = soaked(network, 0, noise_k=0.0, lasting_s=6000.0)
    near = np.abs(trace.rises_k - network.end_k()) <= within_k
    return float(trace.times_s[near.argmax()])


# ------------------------------------------------------------------------ the reference file


def test_reference_file_says_what_the_two_time_constants_are_for() -> None:
    # tests/data/thermal_A_benchtime.csv: two exponentials more than 5 times sooner in the mean
    # of every loss and growth, one over all data not even twice.
    lines = (DATA / "thermal_A_benchtime.csv").read_text("utf-8").splitlines()[1:]
    ratios: dict[str, list[float]] = {}
    for row in csv.DictReader(lines):
        ratios.setdefault(row["method"], []).append(float(row["ratio"] or "nan"))
    assert mean(ratios["2exp"]) < 1 / 5
    assert mean(k for k in ratios["1exp"] if not math.isnan(k)) > 1 / 2


def test_reference_network_is_soaked_at_least_three_times_sooner_than_it_settles() -> None:
    # The file's t_ok is when the prediction happens to stay within 1 K of the known end; to
    # be sure of 1 K at 95 % without knowing it takes longer: 3 times sooner at least is asked.
    trace = soaked(SET_A, 1)
    t_s, end = stopped_at(trace)
    assert end is not None
    assert end.rise_k == pytest.approx(SET_A.end_k(), abs=1.0)
    assert t_s < settle_s(SET_A) / 3.0


def test_loss_that_compounds_does_not_bias_the_end() -> None:
    # The reference says -0.3 K at 600 s for two exponentials without the loss
    # (tests/data/switching_buck.md); driven by the measured loss the mean of six is within 0.15 K.
    network = Network((14.0, 21.0), (20.0, 400.0), 1.6, bends=True)
    ends = [predicted_end(soaked(network, seed, lasting_s=620.0).until(600.0)) for seed in range(6)]
    off_k = [end.rise_k - network.end_k() for end in ends if end is not None]
    assert len(off_k) == 6
    assert abs(mean(off_k)) < 0.15


# ------------------------------------------------------------------------------- the trials


@pytest.mark.parametrize("kind", ["cold", "warm", "bends", "convection", "correlated"])
def test_the_interval_holds_the_true_end_in_seeded_trials(kind: str) -> None:
    # Four seeds a kind here; two hundred of each are in tests/benchmarks/soak_ends.py. A 95 %
    # interval misses two or more of four in 1.4 % of such tests (binomial).
    missed = 0
    for seed in range(4):
        start_k = warm_start(seed) if kind == "warm" else ()
        cools_better = 0.001 if kind == "convection" else 0.0
        network = drawn(seed, bends=kind == "bends", start_k=start_k, cools_better=cools_better)
        correlation = 0.5 if kind == "correlated" else 0.0
        t_s, end = stopped_at(soaked(network, seed, correlation=correlation, lasting_s=2000.0))
        assert end is not None and t_s < 2000.0
        assert end.u_k < 0.52
        missed += abs(end.rise_k - network.end_k()) > 2.0 * end.u_k
    assert missed <= 1


def test_a_module_hotter_than_its_end_is_foretold_on_its_way_down() -> None:
    network = Network((14.0, 21.0), (20.0, 400.0), 0.5, start_k=(20.0, 50.0))
    end = predicted_end(soaked(network, 3, lasting_s=800.0).until(700.0))
    assert end is not None and not end.why
    assert end.rise_k == pytest.approx(network.end_k(), abs=2.0 * end.u_k)


def test_loss_at_the_end_is_told_as_a_ratio() -> None:
    trace = soaked(SET_A, 2, lasting_s=620.0)
    end = predicted_end(trace.until(600.0))
    assert end is not None
    now_k = float(trace.rises_k[300])
    true = SET_A.loss_w(SET_A.end_k()) / SET_A.loss_w(now_k)
    assert end.loss_ratio == pytest.approx(true, abs=0.003)


def test_the_case_ends_with_the_hot_spot() -> None:
    # The case of the network is its second stage: 21 K/W times the loss at the end.
    case = soaked(SET_A, 4, noise_k=0.0, lasting_s=620.0)
    kept = np.exp(-0.5 / 400.0)
    case_k, states = 0.0, []
    for rise_k in case.rises_k:
        states.append(case_k)
        for _ in range(4):
            case_k = kept * case_k + (1.0 - kept) * 21.0 * SET_A.loss_w(float(rise_k))
    seen = soaked(SET_A, 4, lasting_s=620.0).until(600.0)
    noisy = [k + 0.1 * math.sin(12.9898 * n) for n, k in enumerate(states[: len(seen.times_s)])]
    found = end_beside(seen, noisy)
    assert found is not None
    rise_k, u_k = found
    assert u_k < 0.6
    assert rise_k == pytest.approx(21.0 * SET_A.loss_w(SET_A.end_k()), abs=max(0.3, 2.0 * u_k))


# -------------------------------------------------------------------- where it does not hold


def believed(seen: WarmUp) -> bool:
    end = predicted_end(seen)
    return end is not None and not end.why and 2.0 * end.u_k <= 1.0


def test_too_short_a_trace_has_no_end() -> None:
    assert predicted_end(soaked(SET_A, 0, lasting_s=200.0).until(170.0)) is None


def test_drifting_air_leaves_no_end() -> None:
    # 3 K in the ten minutes, which the module follows later: the rise is wrong by up to that.
    trace = soaked(SET_A, 5, lasting_s=620.0, air=lambda t_s: 25.0 + t_s / 200.0)
    end = predicted_end(trace.until(600.0))
    assert end is not None
    assert end.model_u_k > 2.5 / math.sqrt(3.0)
    assert not believed(trace.until(600.0))


def test_a_fan_that_cycles_leaves_no_end() -> None:
    fan = lambda t_s: 0.7 if t_s % 240.0 < 120.0 else 1.0  # noqa: E731
    trace = soaked(SET_A, 6, lasting_s=1200.0, resistance=fan)
    assert not any(believed(trace.until(t_s)) for t_s in (400.0, 500.0, 700.0, 900.0, 1100.0))


def test_a_fan_that_comes_on_is_noticed() -> None:
    trace = soaked(SET_A, 7, lasting_s=700.0, resistance=lambda t_s: 0.7 if t_s > 450.0 else 1.0)
    end = predicted_end(trace.until(600.0))
    assert end is not None
    assert end.why or abs(end.rise_k - 0.7 * SET_A.end_k()) < 2.0 * end.u_k or end.u_k > 1.0


def test_a_runaway_is_seen_well_before_the_limit() -> None:
    # Linear law: no end once R P alpha reaches one (tests/data/switching_buck.md), here 1.05.
    # Its limit is 100 K up; it must be seen below two thirds of that.
    network = Network((5.0, 30.0), (20.0, 600.0), 1.5, growth_per_k=0.02)
    assert network.end_k() == math.inf
    trace = soaked(network, 8, lasting_s=800.0)
    sure = [t for t in range(400, 800, 40) if _hopeless(trace.until(t), 100.0) > 0.99]
    assert sure
    assert trace.rises_k[sure[0] // 2] < 67.0


def test_a_module_that_stays_cool_is_never_taken_for_a_runaway() -> None:
    for seed in range(6):
        network = drawn(seed)
        trace = soaked(network, seed, lasting_s=500.0)
        limit_k = 1.1 * network.end_k()
        assert all(_hopeless(trace.until(t), limit_k) < 0.99 for t in (190.0, 250.0, 330.0))


def _hopeless(seen: WarmUp, limit_k: float) -> float:
    end = predicted_end(seen, limit_k)
    return 0.0 if end is None else end.hopeless


# ------------------------------------------------------------------------------ the pieces


def test_noise_is_that_of_the_readings_whatever_they_do() -> None:
    # 0.1 K on a rise: the median of second differences is within 15 % of it with 300 readings.
    trace = soaked(SET_A, 9, lasting_s=600.0)
    assert noise_of(trace.rises_k) == pytest.approx(0.1, rel=0.15)


def test_windows_keep_every_reading_and_its_mean() -> None:
    trace = soaked(SET_A, 10, lasting_s=600.0)
    means = in_windows(trace.times_s, trace.rises_k, trace.plosses_w)
    assert means.counts.sum() == len(trace.times_s)
    assert means.counts @ means.rises_k == pytest.approx(trace.rises_k.sum())
    assert np.all(np.diff(means.times_s) > 0.0)


def test_growth_of_the_loss_is_found_from_one_soak() -> None:
    trace = soaked(SET_A, 11, lasting_s=600.0)
    means = in_windows(trace.times_s, trace.rises_k, trace.plosses_w)
    loss = fit_loss(means)
    slope = float(loss.terms[1])
    assert slope == pytest.approx(1.2 * 0.003, abs=3.0 * math.sqrt(loss.covariance[1, 1]))
