"""A box's own watch on its connection, on the simulated boxes: set, read back, fed, and acting."""

from __future__ import annotations

import pytest

from drivers import families
from drivers.comm_watchdog import CommWatchdog
from drivers.errors import SettingRefused
from sim.build import BoxSpec, SimBench
from sim.faults import Fault
from tests.drivers.live_bench import SUPPLY_CHANNELS, bench_of, link_to, load_box, supply_box

SPEAKS = [supply_box(family) for family in SUPPLY_CHANNELS if family != "line-supply"]
SPEAKS += [load_box("scpi-load-function"), load_box("scpi-load-mode")]


def watchdog(bench: SimBench, box: BoxSpec, time_s: float = 5.0) -> CommWatchdog:
    return families.comm_watchdog(box.family, link_to(bench, box), name=box.name, time_s=time_s)


def energise(bench: SimBench, box: BoxSpec) -> None:
    if box.wired == "load":
        bench.devices[box.resource].obey("INP ON" if "function" in box.family else "OUTP ON")
    else:
        channel = bench.devices[box.resource].box.channels[(box.channel or 1) - 1]  # type: ignore[attr-defined]
        channel.set_output(True)


def is_on(bench: SimBench, box: BoxSpec) -> bool:
    return bench.world.load.on if box.wired == "load" else bench.world.supply.on


@pytest.mark.parametrize("box", SPEAKS, ids=lambda box: box.family)
def test_a_box_that_nobody_speaks_to_switches_off_by_itself(box: BoxSpec) -> None:
    bench = bench_of([box])
    watched = watchdog(bench, box)
    assert watched.arm()
    energise(bench, box)
    for _ in range(30):  # any message feeds it
        bench.clock.sleep(1.0)
        bench.devices[box.resource].obey("*IDN?")
    assert is_on(bench, box)
    bench.clock.sleep(5.1)
    bench.devices[box.resource].obey("*IDN?")  # too late
    assert not is_on(bench, box)


@pytest.mark.parametrize("box", SPEAKS, ids=lambda box: box.family)
def test_it_lets_go_when_it_is_told(box: BoxSpec) -> None:
    bench = bench_of([box])
    watched = watchdog(bench, box)
    watched.arm()
    watched.disarm()
    energise(bench, box)
    bench.clock.sleep(100.0)
    bench.devices[box.resource].obey("*IDN?")
    assert is_on(bench, box)


def test_a_family_without_one_says_so_and_is_sent_nothing() -> None:
    box = supply_box("line-supply", "ASRL7::INSTR")
    bench = bench_of([box])
    record: list[tuple[str, str, str]] = []
    link = link_to(bench, box, lambda *line: record.append(line))
    before = len(record)
    watched = families.comm_watchdog(box.family, link, name="supply", time_s=5.0)
    assert not watched.arm()
    watched.disarm()
    assert len(record) == before


def test_a_box_that_does_not_know_the_command_has_none() -> None:
    box = supply_box("scpi-supply")
    bench = bench_of([box])
    system = bench.devices[box.resource].box._root.children["SYST"]  # type: ignore[attr-defined]
    del system.children["COMM"]
    watched = watchdog(bench, box)
    assert not watched.arm()
    watched.disarm()  # nothing to let go, so nothing is sent
    reply = bench.devices[box.resource].obey("SYST:ERR?")
    assert reply is not None and reply.data.startswith(b'0,"No error"')


def test_a_box_that_takes_another_time_is_refused() -> None:
    box = supply_box("scpi-supply")
    bench = bench_of([box])
    fault = Fault("clips", when="SYST:COMM:WATC:TIM ", most=3.0, times=0)
    bench.devices[box.resource].faults.switch_on(fault)
    with pytest.raises(SettingRefused, match=r"outputs off after 60 s"):
        watchdog(bench, box, 60.0).arm()
