"""What stands in front of the module, and what kills it when nothing does."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from sim.diode import Diode, drop_v
from sim.protection import Protection
from tests.sim.circuit_bench import COLD, Bench


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
