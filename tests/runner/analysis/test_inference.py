"""What a sparse bench can tell: reference figures, provenance, circles, contradictions."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.analysis.inference import Findings, Result, infer, planning_solution
from runner.analysis.next_measurement import prospects
from runner.analysis.reconcile import Solution
from runner.analysis.sparse_bench import (
    Bank,
    Quantities,
    Reading,
    Situation,
    SparseBench,
    Stated,
)
from tests.runner.analysis.sparse_benches import (
    BANK,
    INSTRUMENTS,
    ROOT_3,
    TRUE,
    bench,
    limits,
    reading_of,
    true_readings,
)

EXACT = 1e-7
"""A standard uncertainty that is none beside the others."""


def read(value: float, limit: float, instrument: str) -> Reading:
    """A reading whose limits of error are one sum, as the reference budget takes them."""
    return Reading(value, limit / ROOT_3, 0.0, EXACT, instrument)


def got(result: Result | None) -> Result:
    assert result is not None
    return result


def readback(value: float, unit_offset: float, instrument: str) -> Reading:
    """Class A of the reference budget: 0.5 % of reading + offset."""
    return read(value, 0.005 * value + unit_offset, instrument)


INPUT_ONLY = {
    "supply_v": readback(24.0, 0.02, "supply volts"),
    "supply_a": readback(36.0 / 0.86 / 24.0, 0.01, "supply amperes"),
    "vout_v": readback(9.0, 0.02, "voltmeter"),
}


def input_only(efficiency: float = 0.86) -> Findings:
    assumed = limits(efficiency, 0.10)
    return infer(SparseBench((Situation("mast", INPUT_ONLY, assumed_efficiency=assumed),)))


# -------------------------------------------------------------------- reference figures
# An error budget worked out by hand for 24 V in, 9.0 V out, 4 A (limits rectangular, each
# instrument's percent and offset added up, k = 2): a cross-check, not a publication.


def test_current_from_an_assumed_efficiency() -> None:
    # "U of the inferred output current 13.5 %, of which instruments give 1.6 %".
    current = got(input_only().inferred_result("mast", "iout_a"))
    assert current.value == pytest.approx(4.0, rel=1e-9)
    assert 100.0 * current.expanded_u / current.value == pytest.approx(13.5, abs=0.05)
    assert 200.0 * current.instruments_u / current.value == pytest.approx(1.6, abs=0.05)


def test_a_bad_module_looks_good() -> None:
    # "true 0.76, assumed 0.86 overstates the current by 13 %".
    current = got(input_only(0.86).inferred_result("mast", "iout_a")).value
    true = got(input_only(0.76).inferred_result("mast", "iout_a")).value
    assert 100.0 * (current / true - 1.0) == pytest.approx(13.0, abs=0.2)


@pytest.mark.parametrize(
    ("tolerance", "coefficient_per_k", "lead_ohm", "expected_pct"),
    [(0.05, 200e-6, 0.05, 7.2), (0.005, 200e-6, 0.0, 3.5), (0.005, 0.0, 0.0, 0.6)],
    ids=["nominal", "cold four-wire", "hot four-wire"],
)
def test_resistor_bank(
    tolerance: float, coefficient_per_k: float, lead_ohm: float, expected_pct: float
) -> None:
    # "2.25 ohm: nominal 5 % + 150 K at 200 ppm/K + 50 mohm leads: U 7.2 %; cold four-wire
    # 3.5 %; hot four-wire 0.6 %" (four wires: 0.5 %, which 3.5 and 0.6 both imply).
    bank = Bank(
        limits(2.25, tolerance * 2.25), 25.0, limits(0.0, coefficient_per_k), limits(0.0, lead_ohm)
    )
    readings = {"vout_v": read(9.0, EXACT, "voltmeter")}
    situation = Situation("4 A", readings, "bank", body_temp_c=Stated(175.0, EXACT))
    power = got(infer(SparseBench((situation,), {"bank": bank})).result("4 A", "pout_w"))
    assert power.value == pytest.approx(36.0, rel=1e-9)
    assert 100.0 * power.expanded_u / power.value == pytest.approx(expected_pct, abs=0.05)


def test_the_voltage_counts_twice_in_the_power_of_a_resistor() -> None:
    # JCGM 100, 5.1.6: relative u of V^2 / R is twice that of V; not sqrt(2) times, as if
    # voltage and current were independent.
    bank = Bank(Stated(2.25, 0.0), 25.0, Stated(0.0, 0.0), Stated(0.0, 0.0))
    readings = {"vout_v": readback(9.0, 0.02, "voltmeter")}
    found = infer(SparseBench((Situation("4 A", readings, "bank"),), {"bank": bank}))
    voltage, power = got(found.result("4 A", "vout_v")), got(found.result("4 A", "pout_w"))
    assert power.u / power.value == pytest.approx(2.0 * voltage.u / voltage.value, rel=1e-9)


def test_provenance_of_each_result() -> None:
    found = infer(bench("supply_v", "supply_a", "vload_v"))
    provenance = {result.quantity: result.provenance for result in found.results}
    assert provenance == {
        "vin_v": "corrected",
        "iin_a": "measured",
        "pin_w": "derived",
        "vout_v": "corrected",
        "iout_a": "derived",
        "pout_w": "derived",
        "ploss_w": "derived",
        "efficiency": "derived",
        "bank_ohm": "derived",
        "body_temp_c": "measured",
    }


def test_the_truth_comes_back() -> None:
    found = infer(bench(*INSTRUMENTS))
    assert got(found.result("3.3 ohm", "efficiency")).value == pytest.approx(0.78, rel=1e-6)
    assert found.consistency.chi_squared == pytest.approx(0.0, abs=1e-6)
    # Seven readings, resistance, coefficient, body and two leads for eight unknowns.
    assert found.consistency.degrees_of_freedom == 12 - 8


def test_first_order_and_monte_carlo_agree_where_the_model_is_nearly_linear() -> None:
    result = got(
        infer(bench("supply_v", "supply_a", "vout_v", "iout_a")).result("3.3 ohm", "pin_w")
    )
    assert result.is_linear
    assert result.low < result.value < result.high


def test_a_reading_near_its_own_doubt_is_called_not_linear() -> None:
    # 30 mA read by a display that may be 10 mA off: the efficiency's distribution is lopsided.
    readings = {
        "supply_v": reading_of("supply_v", 24.0),
        "supply_a": reading_of("supply_a", 0.030),
        "vout_v": reading_of("vout_v", 9.0),
        "iout_a": reading_of("iout_a", 0.060),
    }
    found = infer(SparseBench((Situation("light", readings),)))
    efficiency = got(found.result("light", "efficiency"))
    assert not efficiency.is_linear
    assert efficiency.high - efficiency.value > efficiency.value - efficiency.low


def test_more_out_than_in_is_called_impossible() -> None:
    found = infer(bench("supply_v", "supply_a", "vout_v", changed={"supply_a": 0.85}))
    assert [result.quantity for result in found.impossible] == ["efficiency"]
    assert infer(bench("supply_v", "supply_a", "vout_v")).impossible == ()


def test_self_heating_settles_at_the_closed_form() -> None:
    # 9 V on 3.3 ohm with +1000 ppm/K (exact) and 5 K/W in air of 25 °C: R solves
    # R = 3.3 (1 + 1e-3 * 5 * 81 / R), a quadratic.
    ohm = (3.3 + math.sqrt(3.3**2 + 4.0 * 3.3 * 1e-3 * 5.0 * 81.0)) / 2.0
    bank = Bank(
        Stated(3.3, 0.0),
        25.0,
        Stated(1e-3, 0.0),
        Stated(0.0, 0.0),
        thermal_k_per_w=limits(5.0, 1.0),
    )
    readings = {"vout_v": read(9.0, 0.01, "voltmeter")}
    situation = Situation("hot", readings, "one", ambient_temp_c=Stated(25.0, 0.0))
    found = infer(SparseBench((situation,), {"one": bank}))
    assert got(found.result("hot", "bank_ohm")).value == pytest.approx(ohm, rel=1e-9)
    body = got(found.result("hot", "body_temp_c"))
    assert body.value == pytest.approx(25.0 + 5.0 * 81.0 / ohm, rel=1e-9)
    assert body.provenance == "derived"


def test_series_and_parallel_resistors() -> None:
    bank = replace(BANK, series=2, parallel=4, lead_ohm=Stated(0.0, 0.0))
    bank = replace(bank, coefficient_per_k=Stated(0.0, 0.0))
    situation = Situation("many", {"vout_v": reading_of("vout_v", 9.0)}, "many")
    found = infer(SparseBench((situation,), {"many": bank}))
    assert got(found.result("many", "bank_ohm")).value == pytest.approx(3.3 * 2 / 4)


# ----------------------------------------------------------------------------- circles


def test_an_assumed_efficiency_never_becomes_an_efficiency() -> None:
    found = input_only()
    assert found.result("mast", "efficiency") is None
    assert found.inferred_result("mast", "efficiency") is None
    assert ("mast", "efficiency") in found.undetermined
    assert {result.provenance for result in found.inferred} == {"assumed"}
    assert "iout_a" not in {result.quantity for result in found.results}
    (check,) = found.assumptions
    assert check.agrees is None


def test_no_efficiency_rests_on_an_assumed_voltage() -> None:
    found = infer(bench("supply_v", "supply_a", assumed_vout_v=limits(9.0, 0.27)))
    assert found.result("3.3 ohm", "iout_a") is None
    assert found.inferred_result("3.3 ohm", "iout_a") is not None
    assert found.inferred_result("3.3 ohm", "efficiency") is None
    assert ("3.3 ohm", "efficiency") in found.undetermined


@settings(max_examples=10, deadline=None)
@given(efficiency=st.floats(0.3, 0.99), limit=st.floats(0.001, 0.2))
def test_an_assumption_changes_nothing_measured(efficiency: float, limit: float) -> None:
    roles = ("supply_v", "supply_a", "vout_v")
    without = infer(bench(*roles), trials=200)
    found = infer(bench(*roles, assumed_efficiency=limits(efficiency, limit)), trials=200)
    assert found.results == without.results
    assert found.consistency == without.consistency
    assert found.inferred == ()


def test_an_assumption_is_held_against_the_measurement() -> None:
    roles = ("supply_v", "supply_a", "vout_v")
    near = infer(bench(*roles, assumed_efficiency=limits(0.80, 0.02)))
    far = infer(bench(*roles, assumed_efficiency=limits(0.94, 0.02)))
    assert [check.agrees for check in near.assumptions] == [True]
    assert [check.agrees for check in far.assumptions] == [False]


def test_without_an_output_side_the_output_is_not_determined() -> None:
    situation = Situation("input", {role: INPUT_ONLY[role] for role in ("supply_v", "supply_a")})
    found = infer(SparseBench((situation,)))
    assert {result.quantity for result in found.results} == {"vin_v", "iin_a", "pin_w"}
    undetermined = {quantity for _, quantity in found.undetermined}
    assert undetermined == {"vout_v", "iout_a", "pout_w", "ploss_w", "efficiency"}


# ---------------------------------------------------------------------- contradictions


def test_nothing_redundant_accuses_nobody() -> None:
    found = infer(bench("supply_v", "supply_a", "vout_v", changed={"vout_v": 5.0}))
    assert found.consistency.agree is None
    assert found.consistency.suspect is None
    assert found.consistency.explanations == ()


def test_with_one_redundancy_nobody_can_be_named() -> None:
    # supply and ammeter read the same input current: 0.8 A apart, but which is wrong?
    roles = ("supply_v", "supply_a", "iin_a", "vout_v")
    iin_a = true_readings()["iin_a"]
    found = infer(bench(*roles, changed={"iin_a": iin_a + 0.8})).consistency
    assert found.degrees_of_freedom == 1
    assert found.agree is False
    assert found.suspect is None
    names = {explanation.name for explanation in found.explanations}
    assert names == {"supply_a at 3.3 ohm", "iin_a at 3.3 ohm"}
    says = {e.name: e.others_say for e in found.explanations}
    assert says["supply_a at 3.3 ohm"] == pytest.approx(iin_a + 0.8, rel=1e-6)


# ------------------------------------------------------------------- what to measure next


def voltmeter(value: float) -> Reading:
    return reading_of("vout_v" if value <= 20.0 else "vin_v", value)


def ammeter(value: float) -> Reading:
    return reading_of("iout_a", value)


def test_the_prospect_of_a_measurement_is_what_it_then_gives() -> None:
    before = bench("supply_v", "supply_a", "vout_v")
    (situation,) = before.situations
    ahead = prospects(Quantities(before, situation), planning_solution(before), voltmeter, ammeter)
    now = got(infer(before).result("3.3 ohm", "efficiency"))
    assert ahead.now.efficiency_u == pytest.approx(now.u, rel=1e-9)
    planned = {prospect.candidates[0].name: prospect.efficiency_u for prospect in ahead.better}
    after = got(
        infer(bench("supply_v", "supply_a", "vout_v", "iout_a")).result("3.3 ohm", "efficiency")
    )
    assert planned["iout_a"] == pytest.approx(after.u, rel=1e-3)
    assert list(planned.values()) == sorted(planned.values(), key=lambda u: u or math.inf)


def test_a_resistor_known_poorly_is_what_to_measure() -> None:
    before = bench("supply_v", "supply_a", "vout_v")
    (situation,) = before.situations
    ahead = prospects(Quantities(before, situation), planning_solution(before), voltmeter, ammeter)
    names = [prospect.candidates[0].name for prospect in ahead.better]
    assert names[0] in ("iout_a", "hot_ohm")
    assert "vin_v" not in names  # a better voltmeter does not help


def test_two_measurements_are_proposed_where_one_is_not_enough() -> None:
    situation = Situation("input", {"supply_v": INPUT_ONLY["supply_v"]})
    sparse = SparseBench((situation,))
    ahead = prospects(Quantities(sparse, situation), planning_solution(sparse), voltmeter, ammeter)
    assert ahead.now.efficiency_u is None
    assert {c.name for c in ahead.better[0].candidates} == {"iin_a", "vout_v", "iout_a"}


def test_planning_leaves_the_measured_reconciliation_alone() -> None:
    assumed = bench("supply_v", "supply_a", assumed_vout_v=limits(9.0, 0.27))
    planned = planning_solution(assumed)
    assert isinstance(planned, Solution)
    assert all("assumed" not in o.name for o in planned.problem.observations)


@settings(max_examples=30, deadline=None)
@given(roles=st.sets(st.sampled_from(sorted(INSTRUMENTS)), min_size=1))
def test_whatever_is_known_gives_the_truth_or_nothing(roles: set[str]) -> None:
    # Error-free readings: every quantity either comes out true or is called undetermined.
    ohm, lead_ohm = 3.3, 0.05
    iout_a = TRUE["vout_v"] / (ohm + lead_ohm)
    true = {
        "vin_v": TRUE["vin_v"],
        "iin_a": TRUE["vout_v"] * iout_a / (TRUE["efficiency"] * TRUE["vin_v"]),
        "vout_v": TRUE["vout_v"],
        "iout_a": iout_a,
        "efficiency": TRUE["efficiency"],
        "bank_ohm": ohm,
    }
    found = infer(bench(*sorted(roles)), trials=100)
    undetermined = {quantity for _, quantity in found.undetermined}
    for quantity, value in true.items():
        result = found.result("3.3 ohm", quantity)
        assert (result is None) == (quantity in undetermined)
        assert result is None or result.value == pytest.approx(value, rel=1e-5)
    assert found.consistency.agree is not False
    has_output = bool(roles & {"vout_v", "vload_v", "iout_a"})
    assert (found.result("3.3 ohm", "iout_a") is not None) == has_output
