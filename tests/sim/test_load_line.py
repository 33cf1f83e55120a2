"""The load's modes in closed form: Ohm's law and the quadratic of constant power."""

from __future__ import annotations

from math import inf, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.load_line import IDLE, LoadMode, LoadSetting, drawn


def test_constant_power_takes_the_smaller_current() -> None:
    # i = (E - sqrt(E² - 4 R P)) / 2 R.
    load = LoadSetting("CP", 20.0, True)
    expected_a = (9.0 - sqrt(81.0 - 4.0 * 0.2 * 20.0)) / 0.4
    assert drawn(load, 9.0, 0.15, 0.05).i_a == pytest.approx(expected_a)


def test_constant_power_beyond_the_source_is_not_regulated() -> None:
    # No source gives more than E² / 4 R.
    taken = drawn(LoadSetting("CP", 500.0, True, least_v=1.0), 9.0, 0.2, 0.0)
    assert not taken.regulated
    assert taken.i_a <= 9.0 / 0.2


def test_constant_resistance_sees_its_own_terminals_or_the_far_ones() -> None:
    assert drawn(LoadSetting("CR", 4.0, True), 9.0, 0.1, 0.4).i_a == pytest.approx(9.0 / 4.5)
    sensed = LoadSetting("CR", 4.0, True, remote_sense=True)
    assert drawn(sensed, 9.0, 0.1, 0.4).i_a == pytest.approx(9.0 / 4.1)


def test_constant_current_turns_into_a_resistor_below_the_least_voltage() -> None:
    load = LoadSetting("CC", 2.0, True, least_v=1.0)
    assert drawn(load, 1.2, 0.0, 0.1).i_a == pytest.approx(2.0)
    weak = drawn(load, 0.6, 0.0, 0.1)
    assert weak.i_a == pytest.approx(0.6 / (0.1 + 0.5))
    assert not weak.regulated


def test_load_that_is_off_draws_nothing() -> None:
    assert drawn(LoadSetting("CC", 2.0, False), 9.0, 0.1, 0.1) == IDLE


@given(
    mode=st.sampled_from(["CC", "CR", "CV", "CP"]),
    level=st.floats(0.0, 1000.0),
    emf_v=st.floats(0.0, 80.0),
    source_ohm=st.floats(0.0, 10.0),
    lead_ohm=st.floats(0.0, 1.0),
    least_v=st.floats(0.0, 3.0),
    rated_w=st.one_of(st.just(inf), st.floats(1.0, 500.0)),
    sense=st.booleans(),
)
def test_no_load_turns_its_voltage_round_or_exceeds_its_power(
    mode: LoadMode,
    level: float,
    emf_v: float,
    source_ohm: float,
    lead_ohm: float,
    least_v: float,
    rated_w: float,
    sense: bool,
) -> None:
    load = LoadSetting(mode, level, True, least_v, rated_w, sense)
    taken = drawn(load, emf_v, source_ohm, lead_ohm)
    v_load_v = emf_v - (source_ohm + lead_ohm) * taken.i_a
    assert 0.0 <= taken.i_a < inf
    assert v_load_v >= -1e-9 * (1.0 + emf_v)
    assert v_load_v * taken.i_a <= rated_w * (1.0 + 1e-6) + 1e-6
