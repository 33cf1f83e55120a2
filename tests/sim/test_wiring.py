"""The live bench: balance of power, leads, load modes, heat and time."""

from __future__ import annotations

from dataclasses import replace
from math import sqrt
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.module import Heat, Limit, Shutdown
from sim.protection import Protection
from sim.wiring import OperatingPoint
from tests.sim.circuit_bench import COLD, DEMO, TWINS, Bench, balance_w, rows

# ------------------------------------------------------------------ at rest, in balance


@pytest.mark.parametrize("name", ["A", "C"])
def test_efficiency_of_the_whole_bench_is_the_circuit_simulations(name: str) -> None:
    # tests/data/switching_buck_*.csv; tolerances this model promises, in points:
    # CCM from 0.5 A 0.35 at most and 0.15 rms, DCM 0.3 and 0.15. Set C: efficiency and
    # diode loss behind the input Schottky and its ripple.
    kind = {"A": Protection(), "C": Protection(kind="schottky", diode=TWINS["C"].diode)}[name]
    twin = replace(TWINS[name], heat=Heat(loss_growth_per_k=0.0))
    bench = Bench(twin, kind)
    errors: dict[str, list[float]] = {"CCM": [], "DCM": []}
    for row in rows(f"switching_buck_{name}.csv"):
        bench.supply(float(row["vin_V"]))
        at = bench.load("CC", float(row["iout_A"]))
        efficiency = at.vout_v * at.iout_a / (at.vin_v * at.iin_a)
        if row["mode"] == "DCM" or at.iout_a >= 0.5:
            errors[row["mode"]].append(100.0 * (efficiency - float(row["efficiency"])))
        if name == "C":
            diode_w = float(row["p_input_diode_W"])
            assert at.losses_w["protection"] == pytest.approx(diode_w, rel=0.01)
    for mode, most in (("CCM", 0.35), ("DCM", 0.3)):
        assert len(errors[mode]) > 10
        assert max(map(abs, errors[mode])) < most
        assert sqrt(sum(error**2 for error in errors[mode]) / len(errors[mode])) < 0.15


@settings(max_examples=60, deadline=None)
@given(
    v_set_v=st.floats(0.0, 39.0),
    i_limit_a=st.floats(0.0, 6.0),
    mode=st.sampled_from(["CC", "CR", "CV", "CP"]),
    level=st.floats(0.0, 60.0),
    kind=st.sampled_from(["constant-current", "foldback", "none"]),
    protection=st.sampled_from(["none", "schottky", "p-channel", "fuse-and-clamp"]),
    topology=st.sampled_from(["buck", "synchronous-buck"]),
    sense=st.booleans(),
)
def test_power_balances_and_limits_hold_whatever_is_set(
    v_set_v: float,
    i_limit_a: float,
    mode: str,
    level: float,
    kind: Any,
    protection: Any,
    topology: Any,
    sense: bool,
) -> None:
    # Conservation of energy, within 1 mW, and every setting's own bound.
    twin = replace(COLD, topology=topology, limit=Limit(kind=kind))
    bench = Bench(twin, Protection(kind=protection), supply_lead_ohm=0.03, load_lead_ohm=0.04)
    bench.load(mode, level, least_v=1.0, rated_w=150.0, remote_sense=sense)
    at = bench.supply(v_set_v, i_limit_a, remote_sense=sense, output_resistance_ohm=0.005)
    assert balance_w(at) == pytest.approx(0.0, abs=1e-3)
    assert at.iin_a <= i_limit_a + 1e-6
    assert at.v_supply_sense_v <= v_set_v + 1e-6
    assert at.v_load_v * at.iout_a <= 150.0 + 1e-3
    assert -1e-6 <= at.vout_v <= max(twin.vout_true_v, v_set_v) + 1e-6
    if kind != "none":
        assert at.iout_a <= twin.limit.current_a + 1e-6
    assert at.supply_mode in ("CV", "CC")


def test_constant_power_input_takes_the_high_root() -> None:
    # v = (V + sqrt(V² - 4 R P)) / 2 for a constant power behind a resistance (quadratic).
    bench = Bench(supply_lead_ohm=0.8)
    bench.supply(24.0)
    at = bench.load("CC", 4.0)
    taken_w = at.vin_v * at.iin_a
    assert at.vin_v == pytest.approx((24.0 + sqrt(24.0**2 - 4.0 * 0.8 * taken_w)) / 2.0, rel=1e-9)


def test_input_resistance_is_negative_while_regulating() -> None:
    bench = Bench()
    bench.supply(20.0)
    low = bench.load("CC", 3.0)
    high = bench.supply(30.0)
    assert high.iin_a < low.iin_a


def test_leads_drop_what_ohms_law_says_and_sense_makes_up_for_it() -> None:
    bench = Bench(supply_lead_ohm=0.03, load_lead_ohm=0.04)
    bench.supply(24.0)
    local = bench.load("CC", 4.0)
    assert local.v_supply_v == pytest.approx(24.0)
    assert local.vin_v == pytest.approx(24.0 - 0.03 * local.iin_a)
    assert local.v_load_v == pytest.approx(local.vout_v - 0.16)
    remote = bench.change(bench.world.supply, remote_sense=True)
    assert remote.vin_v == remote.v_supply_sense_v == pytest.approx(24.0)
    assert remote.v_supply_v == pytest.approx(24.0 + 0.03 * remote.iin_a)


def test_output_resistance_of_the_supply_lowers_its_terminals() -> None:
    bench = Bench()
    bench.load("CC", 4.0)
    at = bench.supply(24.0, output_resistance_ohm=0.1)
    assert at.v_supply_v == pytest.approx(24.0 - 0.1 * at.iin_a)


def test_set_point_moves_within_its_tolerance_and_sags_with_load() -> None:
    bench = Bench(replace(COLD, vout_v=9.0, vout_tolerance_pct=2.0, vout_place=-1.0))
    assert bench.supply(24.0).vout_v == pytest.approx(9.0 * 0.98)
    assert bench.load("CC", 3.0).vout_v == pytest.approx(9.0 * 0.98 - 3.0 * 0.012)


@pytest.mark.parametrize(
    ("mode", "level"), [("CC", 2.0), ("CR", 4.5), ("CP", 18.0), ("CC", 0.0), ("CP", 0.0)]
)
def test_load_modes_draw_what_they_say(mode: str, level: float) -> None:
    bench = Bench(load_lead_ohm=0.04)
    bench.supply(24.0)
    at = bench.load(mode, level)
    assert at.load_regulated
    ohm = at.v_load_v / at.iout_a if at.iout_a else 0.0
    assert at.v_load_v == pytest.approx(9.04 - (0.012 + 0.04) * at.iout_a)
    shown = {"CC": at.iout_a, "CR": ohm, "CP": at.v_load_v * at.iout_a}
    assert shown[mode] == pytest.approx(level, rel=1e-9)


def test_constant_voltage_load_pulls_the_module_into_its_limit() -> None:
    bench = Bench()
    bench.supply(24.0)
    at = bench.load("CV", 6.0)
    assert at.module_state == "current-limit"
    assert at.iout_a == pytest.approx(5.0)
    assert at.v_load_v == pytest.approx(6.0, abs=0.01)
    assert bench.load("CV", 12.0).iout_a == 0.0


def test_load_below_its_least_voltage_is_not_regulated() -> None:
    bench = Bench(replace(COLD, vout_v=0.8), load_lead_ohm=0.1)
    bench.supply(24.0)
    at = bench.load("CC", 2.0, least_v=1.0)
    assert not at.load_regulated
    assert at.v_load_v / at.iout_a == pytest.approx(0.5)


def test_load_takes_no_more_than_its_rated_power() -> None:
    bench = Bench()
    bench.supply(24.0)
    at = bench.load("CC", 4.0, rated_w=20.0)
    assert not at.load_regulated
    assert at.v_load_v * at.iout_a == pytest.approx(20.0)


# --------------------------------------------------------------------------- heat


def test_soaked_hot_spot_is_the_networks_fixed_point() -> None:
    # T = Ta + R P (1 + a (T - 25)), solved by hand for T.
    bench = Bench(DEMO)
    bench.supply(24.0)
    cold = bench.load("CC", 3.0)
    heat = DEMO.heat
    parts = ("quiescent", "switch", "rectifier", "inductor", "output_capacitor", "input_capacitor")
    grown = 1.0 + heat.loss_growth_per_k * (cold.hot_spot_temp_c - 25.0)
    loss_w = sum(cold.losses_w[part] for part in parts) / grown
    gain = (heat.hot_spot_k_per_w + heat.case_k_per_w) * loss_w
    steady_c = (25.0 + gain * (1.0 - 25.0 * heat.loss_growth_per_k)) / (
        1.0 - gain * heat.loss_growth_per_k
    )
    soaked = bench.after(7200.0)
    assert soaked.hot_spot_temp_c == pytest.approx(steady_c, abs=0.1)
    assert balance_w(soaked) == pytest.approx(0.0, abs=1e-3)


def test_demo_module_is_not_worth_what_is_printed_on_it() -> None:
    # The invented scenario: 4 A printed, 110 °C allowed, a box in the sun at 60 °C.
    warm = Bench(DEMO, ambient_temp_c=60.0, supply_lead_ohm=0.03)
    warm.supply(24.0)
    warm.load("CC", 4.0)
    assert warm.after(3600.0).hot_spot_temp_c > 110.0
    warm.load("CC", 2.0)
    assert warm.after(3600.0).hot_spot_temp_c < 110.0


def test_thermal_shutdown_stops_and_starts_again() -> None:
    hot = replace(DEMO, shutdown=Shutdown(stop_temp_c=60.0, start_temp_c=50.0))
    bench = Bench(hot)
    bench.supply(24.0)
    bench.load("CC", 4.0)
    seen = [bench.after(1.0) for _ in range(600)]
    stopped = [at for at in seen if at.module_state == "thermal-shutdown"]
    assert stopped
    assert all(at.vout_v < 9.0 for at in stopped)
    assert max(at.hot_spot_temp_c for at in seen) < 62.0
    states = [at.module_state for at in seen]
    assert "regulating" in states[states.index("thermal-shutdown") :]


def test_runaway_destroys_the_module() -> None:
    bad = replace(DEMO, heat=replace(DEMO.heat, case_k_per_w=80.0, destroyed_temp_c=200.0))
    bench = Bench(replace(bad, shutdown=Shutdown(stop_temp_c=999.0), dies="open"))
    bench.supply(24.0)
    bench.load("CC", 4.0)
    assert bench.after(3600.0).module_state == "dead-open"
    assert bench.after(7200.0).hot_spot_temp_c == pytest.approx(25.0, abs=0.1)


def test_ambient_may_move_at_any_time() -> None:
    bench = Bench(DEMO)
    bench.world.ambient_temp_c = 60.0
    at = bench.after(1.0)
    assert (at.ambient_temp_c, at.hot_spot_temp_c, at.case_temp_c) == (60.0, 60.0, 60.0)


# ------------------------------------------------------------------------- in time


def test_terminals_lag_a_change_by_a_few_milliseconds() -> None:
    bench = Bench()
    bench.supply(24.0)
    bench.world.touch()
    bench.world.load.level, bench.world.load.on = 2.0, True
    assert bench.world.now().iout_a == 0.0
    assert 0.5 < bench.after(0.003).iout_a < 1.9
    assert bench.after(0.1).iout_a == pytest.approx(2.0)


def test_output_switched_off_with_nothing_connected_decays_slowly() -> None:
    bench = Bench()
    bench.supply(24.0)
    bench.world.touch()
    bench.world.supply.on = False
    early, late = bench.after(0.05), bench.after(5.0)
    assert early.supply_mode == "OFF"
    assert early.v_supply_v > 10.0
    assert early.vout_v > 5.0
    assert late.v_supply_v == pytest.approx(0.0, abs=0.01)
    assert late.vout_v == pytest.approx(0.0, abs=0.01)


def test_same_commands_give_the_same_points() -> None:
    def run() -> list[OperatingPoint]:
        bench = Bench(DEMO, supply_lead_ohm=0.03)
        points = [bench.supply(24.0, 3.0)]
        for level in (0.1, 2.0, 6.0, 4.0):
            points.append(bench.load("CC", level))
            points += [bench.after(0.37) for _ in range(20)]
        return points

    assert run() == run()


def test_looking_more_often_changes_nothing() -> None:
    # The loss is held for 1 s at most, so the hot spot may differ by its change in a second.
    often, seldom = Bench(DEMO), Bench(DEMO)
    for bench in (often, seldom):
        bench.supply(24.0)
        bench.load("CC", 4.0)
    for _ in range(6000):
        often.after(0.1)
    assert seldom.after(600.0).hot_spot_temp_c == pytest.approx(
        often.after(0.0).hot_spot_temp_c, abs=0.1
    )


def test_linear_steps_between_solutions_stay_within_a_milliwatt() -> None:
    # Against a world made to solve the circuit at that very moment by a touch.
    lazy, eager = (Bench(DEMO, supply_lead_ohm=0.03) for _ in range(2))
    for bench in (lazy, eager):
        bench.supply(24.0)
        bench.load("CC", 4.0)
    for _ in range(60):
        left = lazy.after(17.0)
        eager.after(17.0)
        eager.world.touch()
        right = eager.after(0.0)
        assert left.vin_v * left.iin_a == pytest.approx(right.vin_v * right.iin_a, abs=1e-3)
        assert balance_w(left) == pytest.approx(0.0, abs=1e-3)
