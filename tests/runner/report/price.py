"""Live benches with or without a diode in front of the module, and what is true there."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest

from runner import run
from runner.attention import Attention
from runner.files.toml_file import resolve
from runner.run import execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from runner.steps import Outcome, Point, Reading, Step
from sim.build import SimBench
from sim.circuit import OperatingPoint

SEQUENCE = """\
from runner import *

def sequence(setup: Setup, idle_s: float = 0.0) -> Steps:
    yield Wait(idle_s)
    yield Tare()
    yield PowerUp(24.0)
    for line_v in (24.0, 30.0):
        yield SetLine(line_v)
        for load_a in (0.4, 2.0, 4.0):
            yield Draw(load_a)
            yield Settle()
            yield Read()
    yield PowerDown()
"""


class Truth:
    """A listener that keeps what is true at each point."""

    def __init__(self) -> None:
        self.bench: SimBench | None = None
        self.states: list[OperatingPoint] = []

    def on_step(self, index: int, step: Step) -> None:
        pass

    def on_reading(self, reading: Reading) -> None:
        pass

    def on_note(self, text: str) -> None:
        pass

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        if isinstance(outcome, Point) and self.bench is not None:
            self.states.append(self.bench.world.now())


def module_file(folder: Path, protection: str) -> str:
    """The demo module with a `[protection]` of the given keys."""
    demo = resolve("demo", "module")
    for curve in demo.parent.glob("*.csv"):  # a claim may be a curve beside the file
        shutil.copy(curve, folder)
    text = demo.read_text("utf-8")
    found = 'kind = "none" # none | schottky | p-channel | fuse-and-clamp\n'
    assert found in text
    path = folder / "module.toml"
    path.write_text(text.replace(found, protection + "\n"), "utf-8")
    return str(path)


def run_live(
    folder: Path,
    seed: int,
    monkeypatch: pytest.MonkeyPatch,
    *,
    protection: str,
    bench: str = "demo",
    idle_s: float = 0.0,
) -> list[OperatingPoint]:
    """Run the sequence on a bench with the errors of `seed`; give what was true at each point.

    Idle time before it draws other noise from the same boxes, as a later run would have.
    """
    folder.mkdir(parents=True)
    truth = Truth()

    def open_live(*files: Any) -> Seam:
        live = truth.bench = simulated_bench(*files, seed=seed)
        return Seam(live.resource_manager(), live.clock, live.close, SIMULATED, stays_on=False)

    monkeypatch.setattr(run, "open_seam", open_live)
    monkeypatch.setattr("os.fsync", lambda descriptor: None)  # nothing is to outlive this test
    (folder / "own.py").write_text(SEQUENCE, "utf-8")
    sequence = load(str(folder / "own.py"))
    attention = Attention()
    module = module_file(folder, protection)
    job = prepare(sequence, sequence.values({"idle_s": str(idle_s)}), bench, module, attention)
    execute(job, folder / "run", attention, truth)
    return truth.states
