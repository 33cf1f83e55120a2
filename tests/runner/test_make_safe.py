"""A bench made safe from outside a run: the supply first, whatever else cannot be reached."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import pytest

from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.module_file import load_module_file
from runner.files.toml_file import resolve
from runner.make_safe import make_safe
from runner.seam import SIMULATED, Seam, simulated_bench
from sim.build import SimBench
from sim.faults import Fault


@contextmanager
def energised() -> Iterator[tuple[SimBench, Seam, BenchFile]]:
    """The demo bench as a runner that died has left it: all on."""
    bench_path, module_path = resolve("demo", "bench"), resolve("demo", "module")
    file, module = load_bench_file(bench_path), load_module_file(module_path)
    bench = simulated_bench(file, bench_path, module, module_path)
    for box, message in (
        ("supply", "VOLT 24;CURR 2;OUTP ON"),
        ("load", "CURR 1;INP ON"),
        ("chamber", "TEMP 60;OUTP ON"),
    ):
        bench.devices[bench.resources[box]].obey(message)
    assert bench.world.supply.on and bench.world.load.on
    yield (
        bench,
        Seam(bench.resource_manager(), bench.clock, bench.close, SIMULATED, stays_on=False),
        file,
    )
    bench.close()


def asked(bench: SimBench, box: str, question: str) -> str:
    reply = bench.devices[bench.resources[box]].obey(question)
    return "" if reply is None else reply.data.decode().strip()


def test_supply_load_and_chamber_are_off() -> None:
    with energised() as (bench, seam, file):
        way = make_safe(seam, file)
        assert way.confirmed
        assert (bench.world.supply.on, bench.world.load.on) == (False, False)
        assert asked(bench, "chamber", "OUTP?") == "0"


@pytest.mark.parametrize("mute", ["load", "chamber"])
def test_a_mute_box_is_named_and_delays_no_supply(
    mute: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with energised() as (bench, seam, file):
        bench.devices[bench.resources[mute]].faults.switch_on(Fault("no-reply", times=0))
        began_s, off_s = bench.clock.now_s(), list[float]()

        def look(s: float) -> None:
            if not off_s and not bench.world.supply.on:
                off_s.append(bench.clock.now_s() - began_s)
            sleep(s)

        sleep = bench.clock.sleep
        monkeypatch.setattr(bench.clock, "sleep", look)
        way = make_safe(seam, file)
        assert not bench.world.supply.on
        assert off_s and off_s[0] < 0.5
        assert any(mute in output for output in way.unconfirmed)
