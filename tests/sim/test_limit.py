"""Where the module or its line gives out: dropout, current limits, lockout, collapse."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.module import Limit, Lockout
from tests.sim.circuit_bench import COLD, DEMO, Bench


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
