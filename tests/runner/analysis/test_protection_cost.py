"""What a part in front costs, against a circuit simulator, closed forms and figures by hand."""

from __future__ import annotations

import csv
import math
import random
from dataclasses import dataclass
from pathlib import Path

import pytest

from runner.analysis.protection_cost import (
    CannotCarryError,
    Demand,
    Place,
    Tolerances,
    carry,
    cost,
    least_line_v,
)
from runner.analysis.protection_parts import (
    Clamp,
    SeriesDiode,
    SeriesResistance,
    clamp_faults,
    diode_through,
    fuse_carries_a,
    settles_reversed,
)
from runner.analysis.uncertainty import Source, Uncertain

DATA = Path(__file__).parents[2] / "data" / "schottky_temperature.csv"
PLACE = Place(25.0)


@dataclass(frozen=True)
class Fixed:
    """A drop that depends on nothing."""

    v: float

    def drop_v(self, i_a: float, temp_c: float) -> float:
        return self.v


def stated(pout_w: float, efficiency: float) -> Demand:
    loss = Uncertain(pout_w / efficiency - pout_w)
    return Demand(pout_w, lambda module_v: loss)


def simulated(what: str) -> list[tuple[float, float, float]]:
    """Temperature [°C], current [A], value of the circuit simulation."""
    with DATA.open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        kept = [row for row in rows if row["what"] == what]
    return [(float(r["temp_c"]), float(r["i_a"] or 0.0), float(r["value"])) for r in kept]


# ------------------------------------------------------------------------------- parts


@pytest.mark.parametrize(("temp_c", "i_a", "drop_v"), simulated("drop"))
def test_a_diode_drops_what_a_circuit_simulator_says_hot_and_cold(
    temp_c: float, i_a: float, drop_v: float
) -> None:
    diode = SeriesDiode(5e-6, 1.05, 0.03)
    assert diode.drop_v(i_a, temp_c) == pytest.approx(drop_v, rel=1e-5)  # its own rounds


@pytest.mark.parametrize(("temp_c", "i_a", "leakage_a"), simulated("leakage"))
def test_a_diode_leaks_what_a_circuit_simulator_says(
    temp_c: float, i_a: float, leakage_a: float
) -> None:
    diode = SeriesDiode(5e-6, 1.0, 0.0, leakage_a=1e-4)
    assert diode.reversed_w(5.0, temp_c) / 5.0 == pytest.approx(leakage_a, rel=2e-5)


def test_a_diode_from_its_data_sheet_drops_what_that_says() -> None:
    saturation_a = diode_through(0.45, 3.0, 1.05, 0.02)
    assert SeriesDiode(saturation_a, 1.05, 0.02).drop_v(3.0, 27.0) == pytest.approx(0.45, rel=1e-12)
    with pytest.raises(ValueError, match=r"0\.2 ohm alone takes 0\.6 V at 3 A"):
        diode_through(0.45, 3.0, 1.05, 0.2)


def test_a_reversed_diode_runs_away_where_heat_feeds_itself() -> None:
    """The criterion of every text on thermal stability: R dP/dT reaches 1 at the last balance."""
    diode, reverse_v, k_per_w = SeriesDiode(5e-6, 1.05, 0.03, 1e-4), 30.0, 60.0
    low_c, high_c = 25.0, 200.0
    while high_c - low_c > 1e-6:
        middle_c = (low_c + high_c) / 2.0
        settled = settles_reversed(diode, reverse_v, middle_c, k_per_w, 300.0)
        low_c, high_c = (middle_c, high_c) if settled is not None else (low_c, middle_c)
    last_c = settles_reversed(diode, reverse_v, low_c, k_per_w, 300.0)
    assert last_c is not None
    slope = diode.reversed_w(reverse_v, last_c + 0.01) - diode.reversed_w(reverse_v, last_c - 0.01)
    assert k_per_w * slope / 0.02 == pytest.approx(1.0, abs=0.01)
    assert settles_reversed(diode, reverse_v, high_c + 0.1, k_per_w, 300.0) is None


def test_a_fuse_carries_less_in_hot_air() -> None:
    """75 % of its rating cold, 0.3 % of that less a kelvin (common practice, no source)."""
    assert fuse_carries_a(5.0, 25.0) == pytest.approx(3.75)
    assert fuse_carries_a(5.0, 60.0) == pytest.approx(3.75 * (1.0 - 0.003 * 35.0))
    assert fuse_carries_a(5.0, -40.0) == pytest.approx(3.75)


def test_a_clamp_has_to_lie_between_line_and_module() -> None:
    assert not list(clamp_faults(Clamp(33.0, 0.1), 30.0, 36.0))
    assert Clamp(33.0, 0.1).bears_a(36.0) == pytest.approx((36.0 - 33.0 * 1.05) / 0.1)
    (burns,) = clamp_faults(Clamp(31.0, 0.1), 30.0, 36.0)
    assert "may conduct from 29.45 V" in burns and "take one from 31.6 V on" in burns
    (useless,) = clamp_faults(Clamp(35.0, 0.1), 30.0, 36.0)
    assert "only at 36.75 V" in useless and "protects nothing" in useless


# ------------------------------------------------------------------------------ balance


@pytest.mark.parametrize(
    ("line_v", "schottky_w", "p_channel_w"),
    [(10.0, 2.20, 0.53), (16.0, 1.35, 0.21), (24.0, 0.89, 0.09), (30.0, 0.71, 0.06)],
)
def test_36_w_cost_what_is_reckoned_by_hand(
    line_v: float, schottky_w: float, p_channel_w: float
) -> None:
    """36 W out at 86 %: 0.5 V times 41.86 W / (V - 0.5 V); 30 mohm times (41.86 W / V)².

    By hand, the second without the drop's own effect on the current: 2.5 % at 10 V.
    """
    demand = stated(36.0, 0.86)
    assert carry(line_v, demand, Fixed(0.5), PLACE).part_w == pytest.approx(schottky_w, abs=0.005)
    found = carry(line_v, demand, SeriesResistance(0.03), PLACE).part_w
    assert found == pytest.approx(p_channel_w, abs=0.005 + 0.026 * p_channel_w)


@pytest.mark.parametrize("pin_w", [1.0, 20.0, 45.0, 49.9])
def test_a_resistance_leaves_what_the_quadratic_says(pin_w: float) -> None:
    """v (V - v) / R = P: the upper root, where a module started at a stiff line stays."""
    line_v, ohm = 10.0, 0.5
    root = math.sqrt(line_v**2 - 4.0 * ohm * pin_w)
    found = carry(line_v, stated(pin_w, 1.0), SeriesResistance(ohm), PLACE)
    assert found.module_v == pytest.approx((line_v + root) / 2.0, rel=1e-6)


def test_more_than_the_source_can_give_is_refused() -> None:
    """Maximum power through a resistance: V² / 4R, here 50 W."""
    with pytest.raises(CannotCarryError, match="no balance"):
        carry(10.0, stated(50.1, 1.0), SeriesResistance(0.5), PLACE)


def test_the_price_is_highest_at_the_lowest_line() -> None:
    demand, diode = stated(36.0, 0.86), SeriesDiode(5e-6, 1.05, 0.03)
    prices = [cost(line_v, demand, diode).extra_w.value for line_v in (10.0, 16.0, 24.0, 30.0)]
    assert prices == sorted(prices, reverse=True)
    assert prices[0] > 3.0 * prices[3]


def test_headroom_lost_is_the_drop_at_the_least_voltage_the_module_holds() -> None:
    demand = stated(36.0, 0.9)
    found = least_line_v(10.0, demand, SeriesResistance(0.05), PLACE)
    assert found == pytest.approx(10.0 + 0.05 * 40.0 / 10.0)


# --------------------------------------------------------------------------------- heat


def test_a_part_warms_by_its_watts_and_a_hot_diode_drops_less() -> None:
    demand, diode = stated(36.0, 0.86), SeriesDiode(5e-6, 1.05, 0.03)
    cold, hot = carry(10.0, demand, diode, PLACE), carry(10.0, demand, diode, Place(25.0, 40.0))
    assert hot.temp_c == pytest.approx(25.0 + 40.0 * hot.part_w, abs=1e-6)
    assert hot.drop_v < cold.drop_v - 0.05


def test_a_resistance_that_grows_with_heat_runs_away() -> None:
    """R0 (1 + a T) i² Rth with i held: no balance once a R0 i² Rth reaches 1."""
    part = SeriesResistance(0.1, growth_per_k=0.005)
    i_a = 10.0
    demand = Demand(0.0, lambda module_v: Uncertain(i_a * module_v))  # i whatever the voltage
    settled = carry(100.0, demand, part, Place(25.0, 5.0))  # 0.005 * 10 W * 5 K/W = 0.25
    assert settled.temp_c - 25.0 == pytest.approx(5.0 * 10.0 / (1.0 - 0.25), rel=1e-6)
    with pytest.raises(CannotCarryError, match="runs away"):
        carry(100.0, demand, part, Place(25.0, 21.0))  # 1.05


# -------------------------------------------------------------------------- uncertainty


def test_the_uncertainty_of_the_price_is_that_of_a_monte_carlo() -> None:
    """JCGM 101:2008: 20,000 draws of the drop (rectangular) and of the thermal resistance."""
    demand, part = stated(36.0, 0.86), SeriesResistance(0.05, growth_per_k=0.005)
    place, within = Place(40.0, 30.0), Tolerances(drop=0.3, heat=0.2)
    found = cost(12.0, demand, part, place, within)
    dice = random.Random(1)
    drawn_w, drawn_c = [], []
    for _ in range(20_000):
        ohm = 0.05 * (1.0 + dice.uniform(-0.3, 0.3))
        warm = 30.0 * (1.0 + dice.uniform(-0.2, 0.2))
        at = carry(12.0, demand, SeriesResistance(ohm, growth_per_k=0.005), Place(40.0, warm))
        drawn_w.append(at.part_w)
        drawn_c.append(at.temp_c)
    for uncertain, drawn in ((found.part_w, drawn_w), (found.temp_c, drawn_c)):
        mean = sum(drawn) / len(drawn)
        sd = math.sqrt(sum((one - mean) ** 2 for one in drawn) / (len(drawn) - 1))
        assert uncertain.u == pytest.approx(sd, rel=0.03)


def test_what_is_not_known_of_the_module_hardly_enters_the_price() -> None:
    """Its loss counts with and without the part: what is left of it is the part's own current.

    0.5 W of loss are 0.5 V x 0.5 W / 23.5 V in the part.
    """
    loss = Uncertain(5.0, {Source("loss", "module"): 0.5})
    found = cost(24.0, Demand(36.0, lambda module_v: loss), Fixed(0.5))
    assert found.extra_w.u == pytest.approx(0.5 * 0.5 / 23.5, rel=1e-6)
    assert found.bare_efficiency.u == pytest.approx(36.0 * 0.5 / 41.0**2, rel=1e-6)
    assert found.lost.u < 0.05 * found.bare_efficiency.u
