"""Simulated truth: intervals cover it, gross errors are named, innocents are not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import binom

from runner.analysis.consistency import consistency
from runner.analysis.reconcile import Problem, reconcile
from runner.analysis.sparse_bench import Quantities
from runner.analysis.sparse_problem import problem
from runner.analysis.trials import draw_errors
from tests.runner.analysis.sparse_benches import BANK, TRUE, bench, limits, reading_of


def two_points() -> Problem:
    """One resistor, measured with four wires, at two output voltages: R is shared."""
    first = bench("supply_v", "supply_a", "vout_v", "vload_v", "iout_a")
    (one,) = first.situations
    readings = {
        role: reading_of(
            role, reading.value * (0.8 if role.startswith(("vo", "vl", "io")) else 1.0)
        )
        for role, reading in one.readings.items()
    }
    bank = replace(BANK, resistance_ohm=limits(3.3, 0.0165), coefficient_per_k=limits(0.0, 50e-6))
    situations = (one, replace(one, name="low", readings=readings))
    return problem(replace(first, situations=situations, banks={"one": bank}), assumed=False)


def observed(like: Problem, values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> Problem:
    """The same problem with other values found."""
    pairs = zip(like.observations, values, strict=True)
    return replace(like, observations=tuple(replace(o, value=float(value)) for o, value in pairs))


def drawn_problems(like: Problem, count: int, seed: int) -> list[Problem]:
    """Observations drawn within their stated uncertainties around the truth of `like`."""
    truth = np.array([o.value for o in like.observations])
    errors = draw_errors(like.errors, count, seed) @ like.effects().T
    return [observed(like, truth + row) for row in errors]


DRAWS, FEW = 200, 30


def test_a_gross_error_is_named_in_most_cases_and_an_innocent_hardly_ever() -> None:
    # An ammeter or a voltmeter read 10 standard deviations wrong; redundancy allows to tell.
    like = two_points()
    for guilty in ("iout_a at low", "vload_v at 3.3 ohm"):
        draws = drawn_problems(like, FEW, seed=11)
        size = 10.0 * np.linalg.norm([error.effects.get(guilty, 0.0) for error in like.errors])
        shift = np.array([size * (o.name == guilty) for o in like.observations])
        named = [
            consistency(
                reconcile(observed(one, np.array([o.value for o in one.observations]) + shift))
            ).suspect
            for one in draws
        ]
        assert named.count(guilty) / FEW > 0.8, guilty
        assert sum(name not in (guilty, None) for name in named) / FEW < 0.03, guilty


def test_without_a_gross_error_a_contradiction_is_as_rare_as_stated() -> None:
    # 5 % by construction for normal errors; rectangular ones stay below. One-sided exact
    # binomial bound at 0.1 %.
    like = two_points()
    rejected = sum(
        consistency(reconcile(one)).agree is False for one in drawn_problems(like, DRAWS, seed=5)
    )
    assert binom.sf(rejected - 1, DRAWS, 0.05) > 1e-3


def test_reconciled_intervals_cover_the_truth_at_the_stated_rate() -> None:
    # U with k = 2: 95.45 % for a normal error; between that and 100 % where one rectangular
    # error dominates (all of it within 1.73 u). Exact binomial bounds at 0.1 %.
    like = bench("supply_v", "supply_a", "vout_v", "vload_v", "iout_a")
    truth = problem(like, assumed=False)
    (situation,) = like.situations
    model = Quantities(like, situation).efficiency
    covered, sizes = 0, []
    for one in drawn_problems(truth, 2 * DRAWS, seed=3):
        estimate = reconcile(one).estimate(model)
        assert estimate is not None
        covered += abs(estimate.value - TRUE["efficiency"]) <= 2.0 * estimate.u
        sizes.append(estimate.value)
    low, high = binom.interval(0.998, 2 * DRAWS, 0.9545)[0], binom.ppf(0.999, 2 * DRAWS, 0.985)
    assert low <= covered <= high
    stated = reconcile(truth).estimate(model)
    assert stated is not None
    # The scatter of the results is what u states; the sd of 400 is known to 3.5 % (GUM E.4.3).
    assert np.std(sizes) / stated.u == pytest.approx(1.0, abs=0.10)
