"""The live bench at rest: balance of power, limits, leads, modes and heat."""

from __future__ import annotations

import csv
import tomllib
from dataclasses import replace
from datetime import UTC, datetime
from math import sqrt
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from sim.clock import VirtualClock
from sim.diode import Diode, drop_v
from sim.module import Heat, Limit, Lockout, Shutdown, Twin
from sim.protection import Protection
from sim.wiring import OperatingPoint, Wiring, World

ROOT = Path(__file__).parent.parent.parent
DATA = ROOT / "tests" / "data"
TWINS = TypeAdapter(dict[str, Twin]).validate_python(
    tomllib.loads((DATA / "twins.toml").read_text(encoding="utf-8"))
)
DEMO = TypeAdapter(Twin).validate_python(
    tomllib.loads((ROOT / "runner/examples/demo_module.toml").read_text(encoding="utf-8"))["twin"]
)
COLD = replace(DEMO, heat=replace(DEMO.heat, loss_growth_per_k=0.0))


class Bench:
    """A world with its clock, set by keywords."""

    def __init__(
        self,
        twin: Twin = COLD,
        protection: Protection | None = None,
        *,
        supply_lead_ohm: float = 0.0,
        load_lead_ohm: float = 0.0,
        ambient_temp_c: float = 25.0,
    ) -> None:
        self.clock = VirtualClock(datetime(2026, 6, 21, tzinfo=UTC))
        wiring = Wiring(supply_lead_ohm=supply_lead_ohm, load_lead_ohm=load_lead_ohm)
        self.world = World(
            twin,
            protection or Protection(),
            wiring,
            self.clock,
            ambient_temp_c=ambient_temp_c,
        )

    def supply(self, v_set_v: float, i_limit_a: float = 10.0, **more: Any) -> OperatingPoint:
        """Switch the supply on with these settings and let it settle."""
        return self.change(self.world.supply, v_set_v=v_set_v, i_limit_a=i_limit_a, on=True, **more)

    def load(self, mode: str, level: float, **more: Any) -> OperatingPoint:
        """Switch the load on with these settings and let it settle."""
        return self.change(self.world.load, mode=mode, level=level, on=True, **more)

    def change(self, box: object, **settings: Any) -> OperatingPoint:
        self.world.touch()
        for name, value in settings.items():
            setattr(box, name, value)
        return self.after(10.0)

    def after(self, duration_s: float) -> OperatingPoint:
        self.world.now()
        self.clock.sleep(duration_s)
        return self.world.now()


def balance_w(point: OperatingPoint) -> float:
    """Power in less power out less every loss [W]."""
    given_w = point.v_supply_v * point.iin_a
    taken_w = point.v_load_v * point.iout_a
    return given_w - taken_w - sum(point.losses_w.values())


# ------------------------------------------------------------------ at rest, in balance


@pytest.mark.parametrize("name", ["A", "C"])
def test_efficiency_of_the_whole_bench_is_the_circuit_simulations(name: str) -> None:
    # tests/data/switching_buck_*.csv; tolerances demanded of this model, in points:
    # CCM from 0.5 A 0.35 at most and 0.15 rms, DCM 0.3 and 0.15. Set C: efficiency and
    # diode loss behind the input Schottky and its ripple.
    kind = {"A": Protection(), "C": Protection(kind="schottky", diode=TWINS["C"].diode)}[name]
    twin = replace(TWINS[name], heat=Heat(loss_growth_per_k=0.0))
    bench = Bench(twin, kind)
    errors: dict[str, list[float]] = {"CCM": [], "DCM": []}
    with (DATA / f"switching_buck_{name}.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(line for line in file if not line.startswith("#")):
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


# ----------------------------------------------------------------------- its own limits


def test_dropout_follows_the_line_less_the_drops() -> None:
    twin = replace(COLD, greatest_duty=1.0)
    bench = Bench(twin)
    bench.supply(9.0)
    at = bench.load("CC", 2.0)
    assert at.module_state == "dropout"
    assert at.vout_v == pytest.approx(9.0 - 0.7 - 2.0 * (0.05 + 0.04))
    assert at.iin_a == pytest.approx(2.0 + twin.quiescent_a, rel=2e-3)
    assert bench.supply(10.0).vout_v > at.vout_v
    assert bench.supply(12.0).module_state == "regulating"


def test_constant_current_limit_holds_down_to_a_short() -> None:
    bench = Bench()
    bench.supply(24.0)
    volts = []
    for ohm in (1.7, 1.0, 0.1, 0.001):
        at = bench.load("CR", ohm)
        assert at.module_state == "current-limit"
        assert at.iout_a == pytest.approx(5.0)
        volts.append(at.vout_v)
    assert volts == pytest.approx([8.5, 5.0, 0.5, 0.005], rel=1e-6)
    assert bench.load("CR", 2.0).module_state == "regulating"


def test_foldback_latches_a_current_sink_until_it_lets_go() -> None:
    # Common practice, no source: a sink above the short-circuit current holds the output down.
    twin = replace(COLD, limit=Limit(kind="foldback", current_a=5.0, short_circuit_a=1.5))
    bench = Bench(twin)
    bench.supply(24.0)
    assert bench.load("CC", 4.9, least_v=1.0).module_state == "regulating"
    down = bench.load("CC", 5.1)
    assert down.module_state == "current-limit"
    assert down.vout_v < 1.0
    stuck = bench.load("CC", 4.0)
    assert stuck.vout_v < 1.0
    assert not stuck.load_regulated
    assert bench.load("CC", 1.4).module_state == "regulating"
    assert bench.load("CR", 0.001).iout_a == pytest.approx(1.5, abs=0.01)


def test_hiccup_tries_and_rests_and_recovers_at_a_try() -> None:
    twin = replace(COLD, limit=Limit(kind="hiccup", current_a=5.0, burst_s=0.02, rest_s=0.2))
    bench = Bench(twin)
    bench.supply(24.0)
    bench.world.touch()
    bench.world.load.mode, bench.world.load.level, bench.world.load.on = "CR", 0.5, True
    seen = [bench.after(0.001) for _ in range(700)]
    assert {at.module_state for at in seen} == {"hiccup"}
    bursts = sum(at.iout_a > 2.5 for at in seen) / len(seen)
    assert bursts == pytest.approx(0.02 / 0.22, abs=0.03)
    assert max(at.iout_a for at in seen) <= 5.0
    bench.world.touch()
    bench.world.load.level = 9.0
    seen = [bench.after(0.001) for _ in range(300)]
    assert seen[0].module_state == "hiccup"
    assert seen[-1].module_state == "regulating"
    assert seen[-1].iout_a == pytest.approx(1.0, rel=0.01)


def test_no_limit_gives_what_the_line_can() -> None:
    bench = Bench(replace(COLD, limit=Limit(kind="none")))
    bench.supply(24.0, 20.0)
    assert bench.load("CC", 7.0).iout_a == pytest.approx(7.0)


def test_lockout_has_hysteresis() -> None:
    bench = Bench(replace(COLD, lockout=Lockout(start_v=7.0, stop_v=6.5, idle_a=0.001)))
    off = bench.supply(6.9)
    assert (off.module_state, off.vout_v) == ("locked-out", 0.0)
    assert off.iin_a == pytest.approx(0.001)
    assert bench.supply(7.1).module_state == "dropout"
    assert bench.supply(6.6).module_state == "dropout"
    assert bench.supply(6.4).module_state == "locked-out"
    assert bench.supply(6.9).module_state == "locked-out"


def test_supply_that_cannot_carry_the_module_collapses_to_lockout_and_retries() -> None:
    # Constant-power input (9 V, 4 A out) on a supply limited to 1 A: no balance above
    # lockout, so the module starts, pulls its line down, and waits, over and over.
    bench = Bench()
    bench.supply(24.0, 5.0)
    assert bench.load("CC", 4.0).module_state == "regulating"
    bench.world.touch()
    bench.world.supply.i_limit_a = 1.0
    seen = [bench.after(0.002) for _ in range(550)]
    assert {at.module_state for at in seen} == {"locked-out"}
    trying = [at for at in seen if at.supply_mode == "CC"]
    assert len(trying) / len(seen) == pytest.approx(0.02 / 0.22, abs=0.03)
    assert min(at.vin_v for at in trying) == pytest.approx(6.5, abs=0.1)
    assert max(at.vin_v for at in seen) == pytest.approx(24.0, abs=0.01)
    assert bench.supply(24.0, 3.0).module_state == "regulating"


def test_supply_in_its_limit_can_rest_in_dropout() -> None:
    # A resistor draws less at less voltage, so there is a second balance above lockout: a
    # line raised from below stays in it, one that the load is put on afterwards does not.
    bench = Bench()
    bench.load("CR", 2.25)
    assert bench.supply(9.0, 3.0).supply_mode == "CC"
    latched = bench.supply(24.0, 3.0)
    assert (latched.module_state, latched.supply_mode) == ("dropout", "CC")
    bench.change(bench.world.load, on=False)
    free = bench.load("CR", 2.25)
    assert (free.module_state, free.supply_mode) == ("regulating", "CV")


def test_supply_in_its_limit_rests_where_the_module_takes_no_more() -> None:
    weak = Bench(replace(COLD, lockout=Lockout(start_v=3.0, stop_v=2.0)))
    weak.load("CR", 2.25)
    starved = weak.supply(24.0, 1.2)
    assert (starved.module_state, starved.supply_mode) == ("dropout", "CC")
    assert starved.iin_a == pytest.approx(1.2)


def test_short_circuit_heats_the_module_and_open_output_does_not() -> None:
    bench = Bench(DEMO)
    idle = bench.supply(24.0)
    assert idle.iout_a == 0.0
    assert idle.losses_w["quiescent"] == pytest.approx(24.0 * 0.008, rel=1e-2)
    shorted = bench.load("CR", 0.0)
    assert shorted.iout_a == pytest.approx(5.0)
    assert bench.after(3600.0).hot_spot_temp_c > 90.0


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


# -------------------------------------------------------------- protection and death


def test_protection_drops_what_its_parts_say() -> None:
    diode = Diode(series_ohm=0.02)
    for protection in (
        Protection(kind="schottky", diode=diode),
        Protection(kind="p-channel", p_channel_ohm=0.05),
        Protection(kind="fuse-and-clamp", fuse_ohm=0.04),
    ):
        bench = Bench(COLD, protection)
        bench.load("CC", 3.0)
        at = bench.supply(24.0)
        drops = {
            "schottky": drop_v(diode, at.iin_a),
            "p-channel": 0.05 * at.iin_a,
            "fuse-and-clamp": 0.04 * at.iin_a,
        }
        assert at.vin_v == pytest.approx(24.0)
        assert at.vin_v - at.v_module_v == pytest.approx(drops[protection.kind])


def test_reverse_polarity_kills_an_unprotected_module() -> None:
    bench = Bench()
    at = bench.supply(24.0, 3.0, polarity="reversed")
    assert at.module_state == "dead-short"
    assert at.supply_mode == "CC"
    assert -5.0 < at.v_module_v < 0.0
    again = bench.supply(24.0, 3.0, polarity="normal")
    assert again.vout_v == pytest.approx(24.0, abs=0.1)


def test_gentle_reverse_test_shows_conduction_and_spares_the_module() -> None:
    # 2 V at 50 mA: conduction means no protection (common practice, no source).
    bench = Bench()
    at = bench.supply(2.0, 0.05, polarity="reversed")
    assert at.iin_a == pytest.approx(0.05)
    assert at.module_state == "locked-out"
    assert bench.supply(24.0, 3.0, polarity="normal").module_state == "regulating"


@pytest.mark.parametrize("kind", ["schottky", "p-channel"])
def test_blocking_protection_saves_the_module(kind: Any) -> None:
    bench = Bench(COLD, Protection(kind=kind))
    at = bench.supply(24.0, 3.0, polarity="reversed")
    assert 0.0 < at.iin_a < 1e-3
    assert at.vin_v == pytest.approx(-24.0)
    assert abs(at.v_module_v) < 1.0
    assert bench.supply(24.0, 3.0, polarity="normal").module_state == "regulating"


def test_fuse_opens_behind_a_reversed_supply_and_saves_the_module() -> None:
    bench = Bench(COLD, Protection(kind="fuse-and-clamp", fuse_a=5.0, fuse_a2s=50.0))
    bench.world.touch()
    supply = bench.world.supply
    supply.v_set_v, supply.i_limit_a, supply.polarity, supply.on = 24.0, 15.0, "reversed", True
    assert bench.after(0.2).iin_a == pytest.approx(15.0)
    assert not bench.world.fuse.open
    # 50 A² s at 15² - 5² A²: 0.25 s.
    assert bench.after(0.06).supply_mode == "CV"
    assert bench.world.fuse.open
    at = bench.after(1.0)
    assert (at.iin_a, at.module_state) == (pytest.approx(0.0, abs=1e-9), "locked-out")
    assert bench.supply(24.0, 5.0, polarity="normal").vout_v == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("dies", ["open", "short"])
def test_over_voltage_kills(dies: Any) -> None:
    bench = Bench(replace(COLD, line_destroys_v=40.0, dies=dies))
    bench.load("CC", 1.0)
    assert bench.supply(39.9).module_state == "regulating"
    at = bench.supply(41.0)
    assert at.module_state == f"dead-{dies}"
    dead = bench.supply(24.0)
    assert dead.iout_a == pytest.approx(0.0 if dies == "open" else 1.0)
    assert dead.vout_v == pytest.approx(0.0 if dies == "open" else 24.0, abs=0.1)


def test_clamp_holds_a_line_that_is_too_high() -> None:
    clamp = Protection(kind="fuse-and-clamp", clamp_v=33.0, clamp_ohm=0.1)
    at = Bench(replace(COLD, line_destroys_v=40.0), clamp).supply(60.0, 3.0)
    assert at.module_state == "regulating"
    assert at.supply_mode == "CC"
    assert at.v_module_v == pytest.approx(33.3, abs=0.1)
