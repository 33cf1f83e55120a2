"""A small bench for the tests of the simulated boxes: one supply, load, scanner, chamber, meters.

Plain numbers, an ideal-ish module, no lead resistance unless a test asks for it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from sim.build import Accuracy, BoxSpec, SimBench, Simulation, build
from sim.module import Twin
from sim.protection import Protection

SUPPLY = "TCPIP0::supply.boathouse.example::5025::SOCKET"
LOAD = "USB0::0x1A01::0x0102::MAST0001::INSTR"
SCANNER = "GPIB0::9::INSTR"
CHAMBER = "ASRL3::INSTR"
VIN_METER = "GPIB0::11::INSTR"
IIN_METER = "GPIB0::12::INSTR"

TWIN = Twin(
    topology="buck",
    vout_v=9.04,
    switching_frequency_hz=150e3,
    inductance_h=47e-6,
    output_resistance_ohm=0.012,
    switch_drop_v=0.5,
    switch_resistance_ohm=0.05,
    inductor_dcr_ohm=0.04,
    quiescent_a=0.006,
)
VOLTS = (Accuracy(40.0, reading_pct=0.05, offset=0.010),)
AMPS = (Accuracy(5.0, reading_pct=0.15, offset=0.005),)
LOAD_VOLTS = (Accuracy(80.0, reading_pct=0.025, offset=0.0045),)
LOAD_AMPS = (Accuracy(6.0, 0.05, 0.05), Accuracy(30.0, 0.05, 0.05))

SPECS = (
    BoxSpec(
        "supply",
        SUPPLY,
        "scpi-supply",
        identity="BOATHOUSE,SUPPLY 40-5",
        rated_v=40.0,
        rated_a=5.0,
        rated_w=160.0,
        remote_sense=True,
        voltage_accuracy=VOLTS,
        current_accuracy=AMPS,
        wired="supply",
    ),
    BoxSpec(
        "load",
        LOAD,
        "scpi-load-function",
        identity="BOATHOUSE,LOAD 80-30",
        rated_v=80.0,
        rated_a=30.0,
        rated_w=200.0,
        least_v=1.0,
        voltage_accuracy=LOAD_VOLTS,
        current_accuracy=LOAD_AMPS,
        wired="load",
    ),
    BoxSpec("hot_spot", SCANNER, "scpi-thermometer", channel=101, sensor="K", wired="hot_spot"),
    BoxSpec("case", SCANNER, "scpi-thermometer", channel=102, sensor="K", wired="case"),
    BoxSpec("ambient", SCANNER, "scpi-thermometer", channel=103, sensor="PT100", wired="ambient"),
    BoxSpec(
        "chamber",
        CHAMBER,
        "scpi-chamber",
        least_temp_c=20.0,
        rated_temp_c=85.0,
        wired="chamber",
    ),
    BoxSpec("vin", VIN_METER, "scpi-meter", wired="vin"),
    BoxSpec("iin", IIN_METER, "scpi-meter", wired="iin"),
)

MakeBench = Callable[..., SimBench]


@pytest.fixture
def make_bench() -> Iterator[MakeBench]:
    """Return a maker of benches: `make_bench(specs=..., supply=dict(rated_v=20.0), seed=3)`."""
    made: list[SimBench] = []

    def make(
        specs: tuple[BoxSpec, ...] = SPECS,
        changed: dict[str, dict[str, Any]] | None = None,
        **simulation: Any,
    ) -> SimBench:
        changed = changed or {}
        boxes = [replace(spec, **changed.get(spec.name, {})) for spec in specs]
        made.append(build(Simulation(**simulation), TWIN, Protection(), boxes))
        return made[-1]

    yield make
    for bench in made:
        bench.close()


@pytest.fixture
def bench(make_bench: MakeBench) -> SimBench:
    """Return the plain bench."""
    return make_bench()


@pytest.fixture
def ask(bench: SimBench) -> Callable[[str, str], str | None]:
    """Return a way to hand a message straight to a box by its instrument's name."""

    def ask_box(name: str, message: str) -> str | None:
        return bench.devices[bench.resources[name]].box.handle(message)

    return ask_box
