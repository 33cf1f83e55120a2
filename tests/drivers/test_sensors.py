"""Temperature sensors against published tables.

Pt100: IEC 60751:2008 (A = 3.9083e-3, B = -5.775e-7, C = -4.183e-12, two-decimal table).
Thermocouples: ITS-90 reference tables and inverse polynomials of the NIST ITS-90
thermocouple database (Monograph 175), the latter with their stated errors.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.sensors import (
    ntc_temp_c,
    pt_resistance_ohm,
    pt_temp_c,
    thermocouple_emf_mv,
    thermocouple_temp_c,
)

# IEC 60751:2008 table, R0 = 100 ohm, rounded to 0.01 ohm (25 °C from memory)
IEC_60751 = [
    (-40.0, 84.27),
    (0.0, 100.00),
    (25.0, 109.73),
    (50.0, 119.40),
    (100.0, 138.51),
    (150.0, 157.33),
]
# ITS-90 tables, mV to three decimals, reference junction at 0 °C (from memory, recomputed with
# an independent implementation of the NIST functions)
ITS_90_MV = {
    "K": [(-40.0, -1.527), (25.0, 1.000), (50.0, 2.023), (100.0, 4.096), (200.0, 8.138)],
    "T": [(-40.0, -1.475), (25.0, 0.992), (50.0, 2.036), (100.0, 4.279), (200.0, 9.288)],
}
# NIST ITS-90 database, inverse polynomials t = sum d_i E^i: (least mV, most mV, worst error K, d)
NIST_INVERSE = {
    "K": [
        (
            -5.891,
            0.0,
            0.04,
            [
                0.0,
                2.5173462e1,
                -1.1662878,
                -1.0833638,
                -8.9773540e-1,
                -3.7342377e-1,
                -8.6632643e-2,
                -1.0450598e-2,
                -5.1920577e-4,
            ],
        ),
        (
            0.0,
            20.644,
            0.05,
            [
                0.0,
                2.508355e1,
                7.860106e-2,
                -2.503131e-1,
                8.315270e-2,
                -1.228034e-2,
                9.804036e-4,
                -4.413030e-5,
                1.057734e-6,
                -1.052755e-8,
            ],
        ),
    ],
    "T": [
        (
            -5.603,
            0.0,
            0.04,
            [
                0.0,
                2.5949192e1,
                -2.1316967e-1,
                7.9018692e-1,
                4.2527777e-1,
                1.3304473e-1,
                2.0241446e-2,
                1.2668171e-3,
            ],
        ),
        (
            0.0,
            20.872,
            0.03,
            [0.0, 2.592800e1, -7.602961e-1, 4.637791e-2, -2.165394e-3, 6.048144e-5, -7.293422e-7],
        ),
    ],
}
# Beta equation, R25 = 10 kohm, B = 3950 K: evaluated independently
BETA = [(-40.0, 401_859.7), (0.0, 33_620.6), (25.0, 10_000.0), (85.0, 1086.67), (125.0, 358.83)]


@pytest.mark.parametrize(("temp_c", "ohm"), IEC_60751)
def test_pt100_against_the_table(temp_c: float, ohm: float) -> None:
    assert pt_resistance_ohm(temp_c) == pytest.approx(ohm, abs=0.0051)
    assert pt_temp_c(ohm) == pytest.approx(temp_c, abs=0.014)  # half of 0.01 ohm is 0.013 K


def test_pt100_inverse_example() -> None:
    # 110.000 ohm -> 25.684 °C, from the coefficients of IEC 60751:2008
    assert pt_temp_c(110.0) == pytest.approx(25.684, abs=5e-4)


@given(st.floats(-200.0, 850.0))
def test_pt100_there_and_back(temp_c: float) -> None:
    assert pt_temp_c(pt_resistance_ohm(temp_c)) == pytest.approx(temp_c, abs=1e-6)


@pytest.mark.parametrize("kind", ["K", "T"])
def test_thermocouples_against_the_tables(kind: str) -> None:
    for temp_c, emf_mv in ITS_90_MV[kind]:
        assert thermocouple_emf_mv(kind, temp_c) == pytest.approx(emf_mv, abs=5.1e-4)
        assert thermocouple_temp_c(kind, emf_mv, 0.0) == pytest.approx(temp_c, abs=0.015)


@pytest.mark.parametrize("kind", ["K", "T"])
def test_thermocouples_against_the_published_inverse(kind: str) -> None:
    for least_mv, most_mv, error_k, coefficients in NIST_INVERSE[kind]:
        for step in range(1, 40):
            emf_mv = least_mv + (most_mv - least_mv) * step / 40
            published_c = sum(d * emf_mv**i for i, d in enumerate(coefficients))
            if published_c > -199.0:
                found_c = thermocouple_temp_c(kind, emf_mv, 0.0)
                assert found_c == pytest.approx(published_c, abs=error_k + 0.01)


@given(st.sampled_from("KT"), st.floats(-150.0, 390.0), st.floats(0.0, 50.0))
def test_cold_junction_adds_emfs(kind: str, hot_c: float, cold_c: float) -> None:
    emf_mv = thermocouple_emf_mv(kind, hot_c) - thermocouple_emf_mv(kind, cold_c)
    assert thermocouple_temp_c(kind, emf_mv, cold_c) == pytest.approx(hot_c, abs=1e-5)


def test_adding_temperatures_would_be_wrong() -> None:
    # type T, junctions at 200 °C and 25 °C, table emfs 9.288 and 0.992 mV
    emf_mv = 9.288 - 0.992
    assert thermocouple_temp_c("T", emf_mv, 25.0) == pytest.approx(200.0, abs=0.02)
    assert thermocouple_temp_c("T", emf_mv, 0.0) + 25.0 > 204.0


@pytest.mark.parametrize(("temp_c", "ohm"), BETA)
def test_ntc_against_the_beta_equation(temp_c: float, ohm: float) -> None:
    assert ntc_temp_c(ohm) == pytest.approx(temp_c, abs=0.002)


def test_values_outside_the_sensor_are_errors() -> None:
    wrong: list[tuple[Callable[..., float], tuple[object, ...]]] = [
        (pt_temp_c, (10.0,)),
        (pt_temp_c, (1e6,)),
        (thermocouple_temp_c, ("K", 80.0, 25.0)),
        (thermocouple_temp_c, ("T", float("nan"), 25.0)),
        (ntc_temp_c, (0.0,)),
        (ntc_temp_c, (1e12,)),
    ]
    for convert, values in wrong:
        with pytest.raises(ValueError):
            convert(*values)
