"""Least squares against published reconciliations and budgets, and an independent library."""

import math

import GTC
import numpy as np
import pytest

from runner.analysis.consistency import consistency, critical_chi_squared
from runner.analysis.reconcile import (
    Error,
    Model,
    NoSolution,
    Observation,
    Problem,
    Solution,
    Unknown,
    reconcile,
)
from runner.analysis.trials import interval, reconciled_trials


def independent(
    unknowns: dict[str, float], observed: dict[str, tuple[float, float, Model]]
) -> Problem:
    """Observations as name: (value, u, model), each with a normal error of its own."""
    return Problem(
        tuple(Unknown(name, start, abs(start)) for name, start in unknowns.items()),
        tuple(Observation(name, value, model) for name, (value, _, model) in observed.items()),
        tuple(Error(name, {name: u}, "normal") for name, (_, u, _) in observed.items()),
    )


# ------------------------------------------- a heat exchanger with a bypass, six flows
# Narasimhan and Jordache, Data Reconciliation and Gross Error Detection (2000), ch. 1 and 7:
# all six flows measured with unit variance. Values from memory of the book; the arithmetic
# was confirmed with the closed form y - A'(AA')^-1 A y.

FLOWS: dict[str, Model] = {
    "1": lambda v: v["exchanger"] + v["bypass"],
    "2": lambda v: v["exchanger"],
    "3": lambda v: v["bypass"],
    "4": lambda v: v["exchanger"],
    "5": lambda v: v["bypass"],
    "6": lambda v: v["exchanger"] + v["bypass"],
}


def flows(*measured: float) -> Solution:
    observed = {
        name: (value, 1.0, FLOWS[name]) for name, value in zip(FLOWS, measured, strict=True)
    }
    return reconcile(independent({"exchanger": 50.0, "bypass": 50.0}, observed))


def test_published_reconciled_flows() -> None:
    solution = flows(101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
    found = [float(model(solution.values)) for model in FLOWS.values()]
    assert found == pytest.approx([100.22, 64.50, 35.72, 64.50, 35.72, 100.22], abs=5e-3)


def test_published_global_test_and_suspect() -> None:
    # The same with 4 added to flow 2: gamma = 16.674 against 9.488 (4 degrees of freedom, 5 %).
    found = consistency(flows(101.91, 68.45, 34.65, 64.20, 36.44, 98.88))
    assert found.chi_squared == pytest.approx(16.674, abs=5e-4)
    assert found.degrees_of_freedom == 4
    assert found.critical == pytest.approx(9.488, abs=5e-4)
    assert found.agree is False
    assert found.suspect == "2"
    tests = {check.name: check.test for check in found.checks}
    assert tests["2"] == pytest.approx(3.2047, abs=5e-5)


def test_flows_without_the_error_agree() -> None:
    found = consistency(flows(101.91, 64.45, 34.65, 64.20, 36.44, 98.88))
    assert found.agree is True
    assert found.suspect is None
    assert found.explanations == ()


def test_chi_squared_of_standard_tables() -> None:
    # NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.4, upper 5 %.
    table = {1: 3.841, 2: 5.991, 3: 7.815, 4: 9.488, 5: 11.070, 10: 18.307}
    found = {freedom: critical_chi_squared(freedom) for freedom in table}
    assert found == pytest.approx(table, abs=5e-4)


# --------------------------------------------- a nonlinear example, eight variables
# Pai and Fisher, AIChE Journal 34 (1988) 873-876, example 2: five measured and three
# unmeasured variables in six nonlinear equations; the reconciled values are widely
# reprinted. From memory; confirmed with scipy.optimize.minimize (SLSQP).

PAI_FISHER_EQUATIONS: dict[str, Model] = {
    "a": lambda v: (
        0.5 * v["x1"] ** 2
        - 0.7 * v["x2"]
        + v["x3"] * v["u1"]
        + v["x2"] ** 2 * v["u1"] * v["u2"]
        + 2.0 * v["x3"] * v["u3"] ** 2
        - 255.8
    ),
    "b": lambda v: (
        v["x1"]
        - 2.0 * v["x2"]
        + 3.0 * v["x1"] * v["x3"]
        - 2.0 * v["x2"] * v["u1"]
        - v["x2"] * v["u2"] * v["u3"]
        + 111.2
    ),
    "c": lambda v: (
        v["x3"] * v["u1"]
        - v["x1"]
        + 3.0 * v["x2"]
        + v["x1"] * v["u2"]
        - v["x3"] * v["u3"] ** 0.5
        - 33.57
    ),
    "d": lambda v: v["x4"] - v["x1"] - v["x3"] ** 2 + v["u2"] + 3.0 * v["u3"],
    "e": lambda v: v["x5"] - 2.0 * v["x3"] * v["u2"] * v["u3"],
    "f": lambda v: 2.0 * v["x1"] + v["x2"] * v["x3"] * v["u1"] + v["u2"] - v["u3"] - 126.6,
}
PAI_FISHER_MEASURED = {"x1": 4.4, "x2": 5.5, "x3": 1.7, "x4": 1.6, "x5": 5.0}


def reader(name: str) -> Model:
    return lambda v: v[name]


def test_published_nonlinear_reconciliation() -> None:
    # An equation is an observation of 0 with an uncertainty of 1e-6 beside 1 of the readings.
    observed = {name: (value, 1.0, reader(name)) for name, value in PAI_FISHER_MEASURED.items()}
    observed |= {name: (0.0, 1e-6, model) for name, model in PAI_FISHER_EQUATIONS.items()}
    starts = PAI_FISHER_MEASURED | {"u1": 11.0, "u2": 0.6, "u3": 2.0}
    solution = reconcile(independent(starts, observed))
    published = {"x1": 4.5124, "x2": 5.5819, "x3": 1.9260, "x4": 1.4560, "x5": 4.8545}
    published |= {"u1": 11.070, "u2": 0.61467, "u3": 2.0504}
    assert solution.values == pytest.approx(published, rel=5e-5)
    assert solution.degrees_of_freedom == 3


# ------------------------------------------------------------------ published budgets


def test_gum_h2_correlated_means() -> None:
    # JCGM 100:2008, H.2, Tables H.2 and H.4: R, X, Z from V, I and phase whose means are
    # correlated. X and Z carried unrounded differ by 0.001 in u.
    readings = np.array(
        [
            (5.007, 19.663e-3, 1.0456),
            (4.994, 19.639e-3, 1.0438),
            (5.005, 19.640e-3, 1.0468),
            (4.990, 19.685e-3, 1.0428),
            (4.999, 19.678e-3, 1.0433),
        ]
    )
    root = np.linalg.cholesky(np.cov(readings.T) / len(readings))
    names = ("v", "i", "phi")
    means = dict(zip(names, readings.mean(axis=0), strict=True))
    problem = Problem(
        tuple(Unknown(name, mean, mean) for name, mean in means.items()),
        tuple(Observation(name, mean, reader(name)) for name, mean in means.items()),
        tuple(
            Error(f"source {k}", dict(zip(names, root[:, k], strict=True)), "normal")
            for k in range(3)
        ),
    )
    solution = reconcile(problem)
    models: dict[str, Model] = {
        "r": lambda v: v["v"] / v["i"] * np.cos(v["phi"]),
        "x": lambda v: v["v"] / v["i"] * np.sin(v["phi"]),
        "z": lambda v: v["v"] / v["i"],
    }
    found = {name: solution.estimate(model) for name, model in models.items()}
    published = {"r": (127.732, 0.071), "x": (219.847, 0.295), "z": (254.260, 0.236)}
    for name, (value, u) in published.items():
        estimate = found[name]
        assert estimate is not None
        assert estimate.value == pytest.approx(value, abs=1e-3)
        assert estimate.u == pytest.approx(u, abs=1e-3)
    assert correlation(solution, models["r"], models["x"]) == pytest.approx(-0.588, abs=1e-3)
    assert correlation(solution, models["r"], models["z"]) == pytest.approx(-0.485, abs=1e-3)
    assert correlation(solution, models["x"], models["z"]) == pytest.approx(0.993, abs=1e-3)


def correlation(solution: Solution, one: Model, other: Model) -> float:
    a, b = solution.estimate(one), solution.estimate(other)
    assert a is not None
    assert b is not None
    shared = sum(a.contributions[name] * b.contributions[name] for name in a.contributions)
    return shared / (a.u * b.u)


def test_ea_4_02_ten_kilohm_by_substitution() -> None:
    # EA-4/02 M, S3: RX = 10 000.178 ohm, u = 8.33 mohm (inputs from memory, they reproduce
    # a stored machine file of the example to twelve digits).
    third = math.sqrt(3.0)
    inputs = {
        "rs": (10_000.053, 2.5e-3),
        "drift": (20e-3, 10e-3 / third),
        "rs_temp": (0.0, 2.75e-3 / third),
        "rx_temp": (0.0, 5.5e-3 / third),
        "leak": (1.0, 1e-6 / math.sqrt(6.0)),
        "ratio": (1.0000105, 0.0707e-6),
    }
    problem = Problem(
        tuple(Unknown(name, value, max(abs(value), u)) for name, (value, u) in inputs.items()),
        tuple(Observation(name, value, reader(name)) for name, (value, _) in inputs.items()),
        tuple(Error(name, {name: u}) for name, (_, u) in inputs.items()),
    )
    estimate = reconcile(problem).estimate(
        lambda v: (v["rs"] + v["drift"] + v["rs_temp"]) * v["leak"] * v["ratio"] - v["rx_temp"]
    )
    assert estimate is not None
    assert estimate.value == pytest.approx(10_000.178, abs=5e-4)
    assert estimate.u == pytest.approx(8.33e-3, abs=5e-6)


def test_efficiency_agrees_with_an_independent_library() -> None:
    # GTC 1.5.1 propagates the same model from the same inputs.
    values = {"vin": (24.0, 0.05), "iin": (1.28, 0.006), "v": (9.02, 0.03), "r": (3.41, 0.1)}
    observed = {name: (value, u, reader(name)) for name, (value, u) in values.items()}
    starts = {name: value for name, (value, _) in values.items()}
    estimate = reconcile(independent(starts, observed)).estimate(
        lambda v: v["v"] ** 2 / v["r"] / (v["vin"] * v["iin"])
    )
    vin, iin, vout, ohm = (GTC.ureal(value, u) for value, u in values.values())
    efficiency = vout**2 / ohm / (vin * iin)
    assert estimate is not None
    assert estimate.value == pytest.approx(GTC.value(efficiency), rel=1e-12)
    assert estimate.u == pytest.approx(GTC.uncertainty(efficiency), rel=1e-12)


# --------------------------------------------------------------------------- behaviour


def test_what_no_observation_reaches_is_not_determined() -> None:
    product: Model = lambda v: v["a"] * v["b"]  # noqa: E731
    problem = independent({"a": 2.0, "b": 3.0}, {"ab": (6.6, 0.1, product)})
    solution = reconcile(problem)
    assert solution.degrees_of_freedom == 0
    assert solution.estimate(reader("a")) is None
    assert solution.estimate(reader("b")) is None
    known = solution.estimate(lambda v: 2.0 * v["a"] * v["b"])
    assert known is not None
    assert known.value == pytest.approx(13.2)
    assert known.u == pytest.approx(0.2)


def test_observations_that_lead_nowhere_are_refused() -> None:
    # exp never reaches 0: the search runs to minus infinity.
    observed = {"y": (-1.0, 0.1, lambda v: np.exp(v["x"]))}
    with pytest.raises(NoSolution):
        reconcile(independent({"x": 1.0}, observed))


def test_trials_of_a_square_agree_with_the_closed_form() -> None:
    # x normal (1, 0.5): the 2.5 % and 97.5 % quantiles of x^3 are those of x, cubed.
    solution = reconcile(independent({"x": 1.0}, {"x": (1.0, 0.5, reader("x"))}))
    low, high = interval(solution, reconciled_trials(solution, 200_000), lambda v: v["x"] ** 3)
    assert low == pytest.approx((1.0 - 0.5 * 1.959964) ** 3, abs=2e-3)
    assert high == pytest.approx((1.0 + 0.5 * 1.959964) ** 3, rel=2e-2)


def test_trials_of_reconciled_flows_spread_as_first_order_says() -> None:
    solution = flows(101.91, 64.45, 34.65, 64.20, 36.44, 98.88)
    first_order = solution.estimate(FLOWS["1"])
    low, high = interval(solution, reconciled_trials(solution, 100_000), FLOWS["1"])
    assert first_order is not None
    assert (high - low) / 2.0 == pytest.approx(1.959964 * first_order.u, rel=0.02)
