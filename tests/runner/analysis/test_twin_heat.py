"""Two thermal stages found again in traces that scipy integrated."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from runner.analysis.twin_fit import LossFit, Scale, TwinPoint, fit_loss
from runner.analysis.twin_heat import HeatTrace, fit_heat
from runner.analysis.uncertainty import Source, Uncertain

TRUE = {"hot": (6.0, 25.0), "case": (9.0, 420.0)}
"""Resistance [K/W] and time constant [s] of each stage."""
LOSS_U = Source("gain of the loss")
LOSS = Uncertain(4.0, {LOSS_U: 0.04})


def loss_at_w(t_s: float) -> float:
    """Two soaks and a rest between them, made up [W]."""
    return 3.0 if t_s < 1500.0 else 0.2 if t_s < 2000.0 else 4.5


def trace(
    *, hot_off_k: float = 0.0, noise_k: float = 0.02, spots: tuple[str, ...] = ("hot", "case")
) -> HeatTrace:
    """Readings every 5 s over an hour, the hot spot's thermometer off by `hot_off_k` [K]."""

    def rates(t_s: float, state: NDArray[np.float64]) -> list[float]:
        lost_w = loss_at_w(t_s)
        stages = zip(state, TRUE.values(), strict=True)
        return [(k_per_w * lost_w - rise_k) / tau_s for rise_k, (k_per_w, tau_s) in stages]

    t_s = np.arange(0.0, 3600.0, 5.0)
    done = solve_ivp(rates, (0.0, 3600.0), [0.0, 0.0], t_eval=t_s, rtol=1e-8, max_step=5.0)
    draw = np.random.default_rng(5)
    air_c = 24.0 + draw.normal(0.0, noise_k, len(t_s))
    case_c = 24.0 + done.y[1] + draw.normal(0.0, noise_k, len(t_s))
    hot_c = 24.0 + done.y[0] + done.y[1] + hot_off_k + draw.normal(0.0, noise_k, len(t_s))
    missing = np.full(len(t_s), np.nan)
    return HeatTrace(
        t_s,
        np.array([loss_at_w(t) for t in t_s]),
        np.array([1500.0 - 1e-6, 2000.0 - 1e-6]),
        air_c,
        case_c if "case" in spots else missing,
        hot_c if "hot" in spots else missing,
        0.6,
        0.6,
    )


def test_both_stages_come_back() -> None:
    fit = fit_heat([trace()], LOSS)
    assert fit is not None
    found = {term.name: term for term in fit.terms}
    for stage, name in (("hot", "hot_spot"), ("case", "case")):
        k_per_w, tau_s = TRUE[stage]
        for key, true in ((f"{name}_k_per_w", k_per_w), (f"{name}_time_constant_s", tau_s)):
            assert found[key].learned
            assert abs(found[key].value.value - true) < 2.0 * found[key].value.u, key
            assert found[key].value.value == pytest.approx(true, rel=0.03), key


def test_an_offset_of_a_thermometer_is_seen_while_all_is_cold() -> None:
    fit = fit_heat([trace(hot_off_k=0.8)], LOSS)
    assert fit is not None
    hot = fit.terms[0].value
    assert abs(hot.value - 6.0) < 2.0 * hot.u
    assert hot.value == pytest.approx(6.0, rel=0.03)


def test_a_loss_that_is_too_great_makes_a_resistance_too_small() -> None:
    fit = fit_heat([trace()], LOSS)
    assert fit is not None
    case = fit.terms[1].value
    assert case.parts[LOSS_U] == pytest.approx(-0.01 * case.value)


def test_a_spot_that_nobody_measured_stays_uncertain() -> None:
    fit = fit_heat([trace(spots=("case",))], LOSS)
    assert fit is not None
    assert not fit.terms[0].learned
    assert fit.terms[1].learned
    assert (fit.hot_seen, fit.case_seen) == (False, True)


def test_a_short_run_tells_the_heat_capacity_alone() -> None:
    # 200 s of a case with 420 s: resistance over time constant is 1 / C, known; 420 is not.
    whole = trace()
    first = whole.t_s < 200.0
    short = HeatTrace(
        whole.t_s[first],
        whole.loss_w[first],
        whole.changes_s[:0],
        whole.ambient_c[first],
        whole.case_c[first],
        whole.hot_c[first],
        0.6,
        0.6,
    )
    fit = fit_heat([short], LOSS)
    assert fit is not None
    assert not fit.long_enough
    case, case_s = fit.terms[1], fit.terms[3]
    assert not case.learned and not case_s.learned
    assert case_s.value.value / case.value.value == pytest.approx(420.0 / 9.0, rel=0.2)
    assert fit.terms[0].learned


def test_a_run_that_stayed_cold_tells_nothing() -> None:
    cold = trace()
    flat = HeatTrace(
        cold.t_s,
        cold.loss_w,
        cold.changes_s,
        cold.ambient_c,
        cold.ambient_c + 0.1,
        cold.ambient_c + 0.2,
        0.6,
        0.6,
    )
    assert fit_heat([flat], LOSS) is None


def loss_fit() -> LossFit:
    """1.5 W at any line and load, without growth to speak of."""
    flat = [
        TwinPoint(*(Uncertain(value) for value in (vin_v, iout_a, 9.0, 1.5 * factor, temp_c)))
        for vin_v in (20.0, 24.0, 30.0)
        for iout_a in (0.5, 1.0, 2.0, 3.0, 4.0)
        for temp_c, factor in ((25.0, 1.0), (75.0, 1.1))
    ]
    return fit_loss(flat, Scale(24.0, 4.0))


def test_a_soak_is_foretold_as_the_fixed_point_of_heat_and_loss() -> None:
    # T = 40 + 15 P (1 + 0.002 (T - 25)), P = 1.5 W: by hand T = 25 + 37.5 / (1 - 0.045).
    heat, loss = fit_heat([trace(noise_k=0.001)], LOSS), loss_fit()
    assert heat is not None
    soaked = heat.soaked(loss, 24.0, 2.0, 40.0)
    assert soaked is not None
    assert soaked[0].value == pytest.approx(25.0 + 37.5 / (1.0 - 0.045), abs=0.5)
    grown_w = 1.5 * (1.0 + 0.002 * (soaked[0].value - 25.0))
    assert soaked[1].value == pytest.approx(40.0 + 9.0 * grown_w, abs=0.3)
