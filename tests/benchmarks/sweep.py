"""A sweep of 1,000 points through the runner against a bare loop that sends the same lines.

Both talk to the same simulated bench through PyVISA in this process, once with boxes that
answer at once and once with boxes that take 5 ms. Run by hand; prints ratios.
"""

from __future__ import annotations

import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

from runner import run
from runner.attention import Attention
from runner.files.bench_file import load_bench_file
from runner.files.module_file import load_module_file
from runner.files.toml_file import resolve
from runner.run import execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from sim.build import SimBench
from tests.runner.live import Heard

SEQUENCE = '''
"""Points as fast as they come."""
from runner import *

def sequence(setup: Setup, points: int = 1000) -> Steps:
    yield PowerUp(24.0)
    for k in range(points):
        yield Draw(0.5 + 3.0 * k / points)
        yield Read(samples=1, every_s=0.0)
'''


def live(reply_s: float, real_time: bool) -> SimBench:
    """A fresh simulated demo bench."""
    bench, module = resolve("demo", "bench"), resolve("demo", "module")
    files = (load_bench_file(bench), bench, load_module_file(module), module)
    return simulated_bench(*files, reply_s=reply_s, real_time=real_time)


def through_the_runner(folder: Path, bench: SimBench, points: int) -> float:
    """Wall time [s] of the engine's part of the run, from first step to safe state."""
    path = folder / "fast.py"
    path.write_text(SEQUENCE, "utf-8")
    run.open_seam = lambda *files: Seam(  # type: ignore[attr-defined]
        bench.resource_manager(), bench.clock, bench.close, SIMULATED, stays_on=False
    )
    sequence, attention = load(str(path)), Attention()
    job = prepare(sequence, {"points": points}, "demo", "demo", attention)
    began_s = time.perf_counter()
    done = execute(job, folder / "run", attention, Heard())
    took_s = time.perf_counter() - began_s
    if done.ending.exit_code:
        raise SystemExit(done.ending.message)
    return took_s


def bare_loop(wire: Path, bench: SimBench) -> float:
    """Wall time [s] of sending the same lines, and reading as often as there was a reply."""
    manager = bench.resource_manager()
    lines = [row.split("\t") for row in wire.read_text("utf-8").splitlines()]
    rows = [cells for cells in lines if cells[2] in "<>"]
    resources: dict[str, Any] = {}
    for name in {row[1] for row in rows}:
        opened: Any = manager.open_resource(bench.resources[name])
        opened.read_termination = opened.write_termination = "\n"
        resources[name] = opened
    moves = [(resources[name], way, text) for _, name, way, text in rows]
    waited_s = waits(rows) if bench.simulation.real_time else 0.0
    began_s = time.perf_counter()
    for resource, way, text in moves:
        if way == ">":
            resource.write(text)
        else:
            resource.read()
    return time.perf_counter() - began_s + waited_s


def waits(rows: list[list[str]]) -> float:
    """What the runner waited on purpose: pauses of 40 ms and more between two messages [s]."""
    times = [float(row[0]) for row in rows if row[2] == ">"]
    return sum(b - a for a, b in pairwise(times) if b - a > 0.04)


def main(points: int = 1000) -> None:
    """Print both cases."""
    for reply_s, real_time, label in ((0.0, False, "at once"), (0.005, True, "after 5 ms")):
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            runner_s = through_the_runner(folder, live(reply_s, real_time), points)
            bare_s = bare_loop(folder / "run" / "wire.log", live(reply_s, real_time))
        print(
            f"{points} points, boxes answer {label}: runner {runner_s:.3f} s, "
            f"bare loop {bare_s:.3f} s, ratio {runner_s / bare_s:.3f}"
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
