"""A bench that cannot be wired is refused with one clear line."""

from __future__ import annotations

from dataclasses import replace

import pytest

from sim.build import Simulation, build
from sim.clock import RealClock, VirtualClock
from sim.protection import Protection
from tests.sim.conftest import SPECS, TWIN

SUPPLY_SPEC, LOAD_SPEC, HOT_SPOT = SPECS[0], SPECS[1], SPECS[2]


@pytest.mark.parametrize(
    ("specs", "message"),
    [
        ((replace(SUPPLY_SPEC, family="scpi-oven"),), "no simulated box speaks 'scpi-oven'"),
        ((SUPPLY_SPEC, SUPPLY_SPEC), "'supply' is described twice"),
        ((SUPPLY_SPEC, replace(SUPPLY_SPEC, name="b", channel=1)), "only one instrument"),
        (
            (SUPPLY_SPEC, replace(SUPPLY_SPEC, name="b", wired="", channel=2)),
            "has one channel",
        ),
        (
            (SUPPLY_SPEC, replace(LOAD_SPEC, resource=SUPPLY_SPEC.resource)),
            "is a 'scpi-supply' already",
        ),
        ((HOT_SPOT, replace(HOT_SPOT, name="b")), "channel 101"),
    ],
)
def test_what_cannot_be_wired_is_named(specs: tuple[object, ...], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        build(Simulation(), TWIN, Protection(), specs)  # type: ignore[arg-type]


def test_a_time_that_is_none_is_named() -> None:
    with pytest.raises(ValueError, match=r"start_utc: 'noon'"):
        build(Simulation(start_utc="noon"), TWIN, Protection(), SPECS)


def test_the_clock_starts_at_the_time_of_the_bench_file() -> None:
    bench = build(Simulation(start_utc="2026-06-21T04:00:00Z"), TWIN, Protection(), SPECS)
    assert isinstance(bench.clock, VirtualClock)
    assert bench.clock.utc().isoformat() == "2026-06-21T04:00:00+00:00"
    assert isinstance(build(Simulation(real_time=True), TWIN, Protection(), SPECS).clock, RealClock)


def test_instruments_that_share_a_resource_are_one_box() -> None:
    bench = build(Simulation(), TWIN, Protection(), SPECS)
    assert bench.resources["hot_spot"] == bench.resources["case"]
    assert len(bench.devices) == len({spec.resource for spec in SPECS})
