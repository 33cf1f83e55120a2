"""A repeated point: instruments cancel, heat is allowed for, the rest is drift."""

from __future__ import annotations

import pytest

from runner.analysis.drift import Drift, drift_of_loss
from runner.analysis.uncertainty import Source, Uncertain


def loss(watts: float, point: int) -> Uncertain:
    gain = Source("gain of the input ammeter", "supply", shape="rectangular")
    return Uncertain(watts, {gain: 0.02, Source(f"noise {point}", "", "A", 9): 0.003})


def spot(temp_c: float) -> Uncertain:
    return Uncertain(temp_c, {Source("offset of the thermometer"): 0.6})


def moved(later_w: float, later_c: float) -> Drift:
    return drift_of_loss(loss(2.0, 1), loss(later_w, 2), spot(30.0), spot(later_c))


def test_gains_cancel_so_that_a_small_step_is_seen() -> None:
    step = moved(2.015, 30.0)
    assert step.expanded_u_w < 0.013  # t99(18) x sqrt(2) x 3 mW = 12.2 mW; a loss alone has 52 mW
    assert step.is_drift
    assert not moved(2.010, 30.0).is_drift


def test_a_loss_that_does_not_grow_with_heat_is_no_drift() -> None:
    # A linear regulator loses (vin - vout) iout, whatever its temperature (textbook).
    for warmer_k in (5.0, 15.0, 30.0):
        assert not moved(2.0, 30.0 + warmer_k).is_drift


def test_a_warmer_module_may_lose_more_but_not_any_amount() -> None:
    # 2 W, 10 K, 0.3 %/K: 60 mW are expected, -10 to 130 mW allowed.
    warm = moved(2.10, 40.0)
    assert warm.by_heat_w == pytest.approx(0.06)
    assert warm.warmer_k == pytest.approx(10.0)
    assert not warm.is_drift
    assert moved(2.20, 40.0).is_drift
    assert moved(1.90, 40.0).is_drift
