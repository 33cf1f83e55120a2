"""Boost, linear and measured modules on the live bench: balance, limits, heat, keys."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from sim.losses import work
from sim.module import Heat, Limit, LossMap, Shutdown, Twin
from sim.protection import Protection
from tests.sim.circuit_bench import COLD, DEMO, TWINS, Bench, balance_w

LINEAR = Twin(
    topology="linear",
    vout_v=9.0,
    quiescent_a=0.005,
    output_resistance_ohm=0.02,
    dropout_v=1.1,
    dropout_ohm=0.3,
    limit=Limit(current_a=1.5, short_circuit_a=0.4),
    lockout=replace(COLD.lockout, start_v=4.0, stop_v=3.5),
)
BOOST = replace(
    TWINS["B"],
    input_capacitance_f=47e-6,
    input_esr_ohm=0.02,
    output_esr_ohm=0.03,
    limit=Limit(current_a=4.0, short_circuit_a=1.0),
    heat=COLD.heat,
)
MEASURED = Twin(
    topology="measured",
    vout_v=9.0,
    regulated_at_v=24.0,
    dropout_v=0.7,
    dropout_ohm=0.1,
    loss_map=LossMap(a1_a=0.008, b0_v=0.3, b1=0.01, b2_v2=4.0, c0_ohm=0.07, c1_ohm_v=0.2),
    heat=Heat(loss_growth_per_k=0.0),
)
EACH = {
    "buck": COLD,
    "synchronous-buck": replace(COLD, topology="synchronous-buck"),
    "boost": BOOST,
    "linear": LINEAR,
    "measured": MEASURED,
}


@settings(max_examples=150, deadline=None)
@given(
    topology=st.sampled_from(sorted(EACH)),
    kind=st.sampled_from(["constant-current", "foldback", "hiccup", "none"]),
    v_set_v=st.floats(0.0, 39.0),
    i_limit_a=st.floats(0.0, 6.0),
    mode=st.sampled_from(["CC", "CR", "CV", "CP"]),
    level=st.floats(0.0, 60.0),
    protection=st.sampled_from(["none", "schottky", "p-channel", "fuse-and-clamp"]),
)
def test_power_balances_whatever_is_set(
    topology: str,
    kind: Any,
    v_set_v: float,
    i_limit_a: float,
    mode: str,
    level: float,
    protection: Any,
) -> None:
    # Conservation of energy, within 1 µW at rest and 1 mW while something moves.
    twin = EACH[topology]
    twin = replace(twin, limit=replace(twin.limit, kind=kind))
    bench = Bench(twin, Protection(kind=protection), supply_lead_ohm=0.03, load_lead_ohm=0.04)
    bench.load(mode, level, least_v=1.0, rated_w=150.0)
    at = bench.supply(v_set_v, i_limit_a, output_resistance_ohm=0.005)
    assert balance_w(at) == pytest.approx(0.0, abs=1e-3 if at.module_state == "hiccup" else 1e-6)
    assert at.iin_a <= i_limit_a + 1e-6
    assert all(lost_w >= -1e-9 for lost_w in at.losses_w.values()), at.losses_w
    assert -1e-6 <= at.vout_v <= max(twin.vout_true_v, v_set_v) + 1e-6
    if kind != "none" and topology != "boost":
        assert at.iout_a <= twin.limit.current_a + 1e-6


@settings(max_examples=150, deadline=None)
@given(
    topology=st.sampled_from(sorted(EACH)),
    vin_v=st.floats(0.2, 60.0),
    share=st.floats(0.0, 1.0),
    iout_a=st.floats(0.0, 20.0),
)
def test_losses_are_finite_and_not_negative_anywhere(
    topology: str, vin_v: float, share: float, iout_a: float
) -> None:
    twin = EACH[topology]
    top_v = twin.vout_v if topology == "boost" else min(twin.vout_v, vin_v)
    lost_w = work(twin, vin_v, share * top_v, iout_a).losses_w
    assert all(-1e-15 <= value < 1e9 for value in lost_w.values()), lost_w


@pytest.mark.parametrize("name", sorted(EACH))
def test_thermal_shutdown_stops_and_starts_again(name: str) -> None:
    hot = replace(
        EACH[name],
        shutdown=Shutdown(stop_temp_c=45.0, start_temp_c=40.0),
        heat=replace(EACH[name].heat, hot_spot_k_per_w=30.0),
    )
    bench = Bench(hot)
    bench.supply(7.0 if name == "boost" else 24.0)
    bench.load("CC", 0.9)
    states = [bench.after(2.0).module_state for _ in range(300)]
    assert "thermal-shutdown" in states
    assert "regulating" in states[states.index("thermal-shutdown") :]


@pytest.mark.parametrize("name", sorted(EACH))
def test_lockout_has_hysteresis(name: str) -> None:
    lockout = replace(COLD.lockout, start_v=6.0, stop_v=5.0)
    bench = Bench(replace(EACH[name], lockout=lockout))
    assert bench.supply(5.9).module_state == "locked-out"
    assert bench.supply(6.1).module_state != "locked-out"
    assert bench.supply(5.1).module_state != "locked-out"
    assert bench.supply(4.9).module_state == "locked-out"


@pytest.mark.parametrize("name", sorted(set(EACH) - {"boost"}))
def test_hiccup_tries_and_rests(name: str) -> None:
    twin = replace(EACH[name], limit=Limit(kind="hiccup", current_a=1.0, burst_s=0.02, rest_s=0.2))
    bench = Bench(twin)
    bench.supply(24.0)
    bench.world.touch()
    bench.world.load.mode, bench.world.load.level, bench.world.load.on = "CR", 0.5, True
    seen = [bench.after(0.001) for _ in range(700)]
    assert {at.module_state for at in seen} == {"hiccup"}
    assert sum(at.iout_a > 0.5 for at in seen) / len(seen) == pytest.approx(0.02 / 0.22, abs=0.03)


# ----------------------------------------------------------------------------- linear


def test_pass_element_takes_what_the_load_does_not_need() -> None:
    # Horowitz and Hill, ch. 9: (vin - vout) iout, and the controller's vin iq. From memory.
    bench = Bench(LINEAR)
    bench.supply(14.0)
    at = bench.load("CC", 1.0)
    assert at.vout_v == pytest.approx(9.0 - 0.02)
    assert at.iin_a == pytest.approx(1.0 + 0.005)
    assert at.losses_w["pass_element"] == pytest.approx(14.0 - 8.98)
    assert at.losses_w["quiescent"] == pytest.approx(0.070)
    assert bench.after(7200.0).iin_a == pytest.approx(at.iin_a, rel=1e-9)  # however hot


def test_worked_dissipation_of_a_linear_regulator() -> None:
    # A worked value of the trade (common practice, no source): 12 V to 5 V at 1 A burns 7 W,
    # an efficiency of 5 / 12 = 41.7 %.
    bench = Bench(Twin(topology="linear", vout_v=5.0, limit=Limit(current_a=2.0)))
    bench.supply(12.0)
    at = bench.load("CC", 1.0)
    assert sum(at.losses_w.values()) == pytest.approx(7.0)
    assert at.vout_v * at.iout_a / (at.vin_v * at.iin_a) == pytest.approx(5.0 / 12.0)


def test_linear_regulator_drops_out_by_its_drop_and_its_resistance() -> None:
    bench = Bench(LINEAR)
    bench.supply(9.5)
    at = bench.load("CC", 0.8)
    assert at.module_state == "dropout"
    assert at.vout_v == pytest.approx(9.5 - 1.1 - 0.8 * 0.3)
    assert at.iin_a == pytest.approx(0.8 + 0.005)
    assert bench.supply(9.0 + 1.1 + 0.8 * 0.3).module_state == "regulating"


def test_linear_limit_holds_into_a_short_and_foldback_spares_the_pass_element() -> None:
    bench = Bench(LINEAR)
    bench.supply(14.0)
    shorted = bench.load("CR", 0.0)
    assert shorted.iout_a == pytest.approx(1.5)
    assert shorted.losses_w["pass_element"] == pytest.approx(14.0 * 1.5, rel=0.01)
    folding = Bench(replace(LINEAR, limit=replace(LINEAR.limit, kind="foldback")))
    folding.supply(14.0)
    assert folding.load("CR", 0.0).iout_a == pytest.approx(0.4, abs=0.01)


# --------------------------------------------------------------------------- measured


def test_measured_module_loses_what_its_map_says() -> None:
    # 24 V, 2 A: 0.192 + (0.3 + 0.24 + 4/24) 2 + (0.07 + 0.2/24) 4 W, by hand.
    bench = Bench(MEASURED)
    bench.supply(24.0)
    at = bench.load("CC", 2.0)
    by_hand_w = 0.192 + (0.3 + 0.24 + 4.0 / 24.0) * 2.0 + (0.07 + 0.2 / 24.0) * 4.0
    assert at.losses_w["module"] == pytest.approx(by_hand_w)
    assert at.vin_v * at.iin_a == pytest.approx(9.0 * 2.0 + by_hand_w)


def test_set_point_moves_with_the_line() -> None:
    moving = replace(COLD, vout_v=9.0, line_regulation_v_per_v=0.002, regulated_at_v=24.0)
    bench = Bench(moving)
    assert bench.supply(24.0).vout_v == pytest.approx(9.0)
    assert bench.supply(30.0).vout_v == pytest.approx(9.012)
    assert bench.supply(20.0).vout_v == pytest.approx(8.992)


# ------------------------------------------------------------------------------- keys


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"topology": "buck", "vout_v": 9.0}, "'buck' needs the key switching_frequency_hz"),
        (
            {"topology": "boost", "vout_v": 9.0, "switching_frequency_hz": 1e5},
            "needs the key inductance_h",
        ),
        (
            {"topology": "linear", "vout_v": 9.0, "inductance_h": 1e-5},
            "'linear' has no use for inductance_h",
        ),
        (
            {"topology": "linear", "vout_v": 9.0, "heat": {"loss_growth_per_k": 0.002}},
            "heat.loss_growth_per_k = 0.002: the loss of a linear regulator does not grow",
        ),
        ({"topology": "measured", "vout_v": 9.0}, "'measured' needs the key loss_map"),
        (
            {
                "topology": "boost",
                "vout_v": 9.0,
                "switching_frequency_hz": 1e5,
                "inductance_h": 1e-5,
                "dead_time_s": 1e-8,
            },
            "'boost' has no use for dead_time_s",
        ),
    ],
)
def test_keys_of_another_topology_are_refused(table: dict[str, Any], told: str) -> None:
    with pytest.raises(ValidationError, match=told):
        TypeAdapter(Twin).validate_python(table)


def test_the_demo_is_a_buck_with_spare_keys_of_the_other_buck() -> None:
    assert replace(DEMO, topology="synchronous-buck").low_side_resistance_ohm == 0.02
