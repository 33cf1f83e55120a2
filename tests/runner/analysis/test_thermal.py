"""Steady heat and the three-reading rule, against the reference network and NIST data."""

import csv
import math
from pathlib import Path

import pytest

from runner.analysis.thermal import (
    end_temp_c,
    settled_temp_c,
    thermal_resistance,
    time_constant_s,
)

DATA = Path(__file__).parents[2] / "data"


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", rows("thermal_A.csv"), ids=lambda r: f"{r['vin_V']}-{r['iout_A']}")
def test_settled_temperature_of_the_reference_network(row: dict[str, str]) -> None:
    # thermal_A.csv: two Foster stages of 14 and 21 K/W, loss + 0.3 %/K above 25 °C; computed with
    # scipy from circuit simulation. Its temperatures are printed to 1 mK, its losses to 10 uW.
    found = settled_temp_c(
        float(row["ambient_C"]), 14.0 + 21.0, float(row["p_loss_25C_W"]), growth_per_k=0.003
    )
    assert found == pytest.approx(float(row["t_hot_C"]), abs=2e-3)


def test_no_settled_temperature_at_the_runaway_limit() -> None:
    # The same network runs away at a loss at 25 °C of 1 / (R growth) = 9.52 W (README of the data).
    assert settled_temp_c(25.0, 35.0, 9.51, 0.003) is not None
    assert settled_temp_c(25.0, 35.0, 9.53, 0.003) is None


def test_without_growth_the_rise_is_resistance_times_loss() -> None:
    assert settled_temp_c(40.0, 20.0, 3.0, 0.0) == pytest.approx(100.0)


def test_thermal_resistance_of_the_reference_network() -> None:
    # 35 K/W by construction of thermal_A.csv.
    points = rows("thermal_A.csv")
    found = thermal_resistance(
        [float(r["t_hot_C"]) - float(r["ambient_C"]) for r in points],
        [float(r["p_loss_hot_W"]) for r in points],
    )
    assert found is not None
    assert found.k_per_w == pytest.approx(35.0, abs=1e-3)
    assert found.spread < 1e-4
    assert found.soaks == len(points)


def test_a_probe_that_fell_off_shows_as_spread() -> None:
    found = thermal_resistance([35.0, 70.0, 30.0], [1.0, 2.0, 3.0])
    assert found is not None
    assert found.spread > 0.2


def test_no_resistance_without_loss() -> None:
    assert thermal_resistance([0.1, 0.2], [0.0, -0.01]) is None


def test_three_readings_tell_where_an_exponential_ends() -> None:
    # T_end = (T1 T3 - T2^2) / (T1 + T3 - 2 T2); exact for one exponential, here to 125 °C, 600 s.
    t1, t2, t3 = (125.0 - 100.0 * math.exp(-t_s / 600.0) for t_s in (300.0, 600.0, 900.0))
    assert end_temp_c(t1, t2, t3) == pytest.approx((t1 * t3 - t2**2) / (t1 + t3 - 2.0 * t2))
    assert end_temp_c(t1, t2, t3) == pytest.approx(125.0, abs=1e-9)
    assert time_constant_s(t1, t2, t3, 300.0) == pytest.approx(600.0, abs=1e-6)


def test_three_readings_of_a_certified_exponential() -> None:
    # NIST StRD Misra1a, y = b1 (1 - exp(-b2 x)): certified b1 = 238.94212918, b2 = 5.5015643181e-4
    # (from memory). Readings on the certified curve at 200, 400, 600 give both back.
    b1, b2 = 238.94212918, 5.5015643181e-4
    y1, y2, y3 = (b1 * (1.0 - math.exp(-b2 * x)) for x in (200.0, 400.0, 600.0))
    assert end_temp_c(y1, y2, y3) == pytest.approx(b1, rel=1e-10)
    assert time_constant_s(y1, y2, y3, 200.0) == pytest.approx(1.0 / b2, rel=1e-10)


@pytest.mark.parametrize(
    "readings", [(20.0, 20.0, 20.0), (20.0, 25.0, 30.0), (20.0, 25.0, 31.0), (20.0, 25.0, 24.0)]
)
def test_no_end_in_sight(readings: tuple[float, float, float]) -> None:
    # Not moving, straight, accelerating, turning back.
    assert end_temp_c(*readings) is None
    assert time_constant_s(*readings, 60.0) is None
