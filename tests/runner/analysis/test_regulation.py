"""Regulation: the definitions differ in their denominator, so each is checked by its own."""

import pytest

from runner.analysis import regulation


def test_load_regulation_of_full_load() -> None:
    # 100 (V_NL - V_FL) / V_FL: 5.05 V at no load, 5.00 V at full load is 1.000 % (the definition
    # of bench-supply manuals; the figure follows from it).
    assert regulation.load_regulation_of_full_load(5.05, 5.00) == pytest.approx(0.01000, abs=1e-12)


def test_the_denominators_differ() -> None:
    # The same output on a nominal of 5.05 V is 0.990 %, in the manner of IEC 61204 (from memory).
    of_nominal = regulation.load_regulation_of_nominal(5.05, 5.00, vout_nominal_v=5.05)
    assert of_nominal == pytest.approx(0.00990, abs=5e-6)


def test_lead_drop_in_the_output_looks_like_regulation() -> None:
    # 40 mohm at 4 A is 160 mV, 1.8 % of 9 V: arithmetic on Ohm's law.
    apparent = regulation.load_regulation_of_nominal(9.0, 9.0 - 0.040 * 4.0, vout_nominal_v=9.0)
    assert apparent == pytest.approx(0.0178, abs=5e-5)


def test_line_regulation_takes_the_extremes_of_all_lines() -> None:
    # Greatest less least, over nominal: the middle line may be the highest.
    assert regulation.line_regulation_of_nominal([8.99, 9.02, 9.01], 9.0) == pytest.approx(
        0.03 / 9.0
    )


def test_line_regulation_per_volt() -> None:
    # %/V = 100 dV / (V_nom dV_in), from memory: 30 mV on 9 V over 10 V of line is 0.0333 %/V.
    share_per_v = regulation.line_regulation_of_nominal_per_volt(8.99, 9.02, 9.0, line_span_v=10.0)
    assert share_per_v == pytest.approx(3.333e-4, abs=5e-8)


def test_output_deviation_is_signed() -> None:
    assert regulation.output_deviation(8.82, 9.0) == pytest.approx(-0.02)
    assert regulation.output_deviation(9.09, 9.0) == pytest.approx(0.01)
