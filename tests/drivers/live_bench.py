"""A live simulated bench with every family on it, and links to its boxes."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from drivers.families import style
from drivers.link import Link, open_visa
from sim.build import Accuracy, BoxSpec, SimBench, Simulation, build
from sim.module import Lockout, Twin
from sim.protection import Protection

SOCKET = "TCPIP0::supply.boathouse.example::5025::SOCKET"
TWIN = Twin(
    topology="buck",
    vout_v=9.0,
    switching_frequency_hz=150e3,
    inductance_h=47e-6,
    output_resistance_ohm=0.012,
    switch_resistance_ohm=0.05,
    quiescent_a=0.006,
    lockout=Lockout(start_v=0.0, stop_v=0.0),
)
SUPPLY_CHANNELS = {
    "scpi-supply": None,
    "scpi-supply-instrument": 2,
    "scpi-supply-list": 2,
    "scpi-supply-suffix": 2,
    "line-supply": 1,
}


def supply_box(family: str, resource: str = SOCKET) -> BoxSpec:
    return BoxSpec(
        "supply",
        resource,
        family,
        channel=SUPPLY_CHANNELS[family],
        identity="BOATHOUSE,SUPPLY 40-5",
        rated_v=40.0,
        rated_a=5.0,
        rated_w=160.0,
        remote_sense=True,
        voltage_accuracy=(Accuracy(40.0, reading_pct=0.05, offset=0.010),),
        current_accuracy=(Accuracy(5.0, reading_pct=0.15, offset=0.005),),
        wired="supply",
    )


def load_box(family: str, resource: str = "USB0::0x1A01::0x0102::MAST0001::INSTR") -> BoxSpec:
    return BoxSpec(
        "load",
        resource,
        family,
        identity="BOATHOUSE,LOAD 80-30",
        rated_v=80.0,
        rated_a=30.0,
        rated_w=200.0,
        least_v=1.0,
        remote_sense=True,
        voltage_accuracy=(Accuracy(80.0, reading_pct=0.025, offset=0.0045),),
        current_accuracy=(Accuracy(6.0, 0.05, 0.05), Accuracy(30.0, 0.05, 0.05)),
        wired="load",
    )


def bench_of(boxes: Sequence[BoxSpec], **simulation: Any) -> SimBench:
    return build(Simulation(seed=7, **simulation), TWIN, Protection(), boxes)


def link_to(bench: SimBench, box: BoxSpec, record: Any = None) -> Link:
    manager = bench.resource_manager()
    return Link(
        lambda: open_visa(manager, box.resource, timeout_s=1.0, name=box.name),
        name=box.name,
        resource=box.resource,
        timeout_s=1.0,
        style=style(box.family, box.resource),
        record=record,
        clock=bench.clock,
    )
