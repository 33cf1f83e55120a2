"""A limit that latches, and an output that rises without a load."""

from __future__ import annotations

import dataclasses
from datetime import UTC, datetime

import pytest

from sim.clock import VirtualClock
from sim.module import Limit, Twin, Unloaded
from sim.protection import Protection
from sim.wiring import Wiring, World

TWIN = Twin(
    topology="buck",
    vout_v=9.0,
    switching_frequency_hz=150e3,
    inductance_h=33e-6,
    limit=Limit(kind="latch-off", current_a=3.0),
    unloaded=Unloaded(rise_pct=5.0, below_a=0.1),
)


def world(twin: Twin = TWIN) -> tuple[World, VirtualClock]:
    clock = VirtualClock(datetime(2026, 6, 21, tzinfo=UTC))
    made = World(twin, Protection(), Wiring(), clock)
    made.touch()
    made.supply.v_set_v, made.supply.i_limit_a, made.supply.on = 24.0, 5.0, True
    clock.sleep(1.0)
    return made, clock


def drawn(made: World, clock: VirtualClock, iout_a: float) -> float:
    """The output [V] with this load, a while later."""
    made.touch()
    made.load.mode, made.load.level, made.load.on = "CC", iout_a, iout_a > 0.0
    clock.sleep(2.0)
    return made.now().vout_v


def test_a_latched_module_stays_off_until_the_line_was_off() -> None:
    made, clock = world()
    assert drawn(made, clock, 2.9) == pytest.approx(9.0, abs=0.01)
    assert drawn(made, clock, 3.1) == pytest.approx(0.0, abs=0.01)
    assert made.now().module_state == "latched"
    assert drawn(made, clock, 0.0) == pytest.approx(0.0, abs=0.1)
    assert drawn(made, clock, 0.5) == pytest.approx(0.0, abs=0.1)
    made.touch()
    made.supply.on = False
    clock.sleep(1.0)
    made.touch()
    made.supply.on = True
    assert drawn(made, clock, 0.5) == pytest.approx(9.0, abs=0.01)


@pytest.mark.parametrize(("iout_a", "rise"), [(0.0, 0.05), (0.05, 0.025), (0.1, 0.0), (1.0, 0.0)])
def test_the_output_rises_in_a_straight_line_below_its_least_load(
    iout_a: float, rise: float
) -> None:
    made, clock = world()
    assert drawn(made, clock, iout_a) == pytest.approx(9.0 * (1.0 + rise), rel=1e-6)


def test_without_a_rise_nothing_changes() -> None:
    made, clock = world(dataclasses.replace(TWIN, unloaded=Unloaded()))
    assert drawn(made, clock, 0.0) == pytest.approx(9.0, rel=1e-9)
