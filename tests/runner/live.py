"""Runs on the live demo bench in this process, with sequences and faults of the test's own."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import pytest

from runner import journal, run
from runner.attention import Attention
from runner.files.toml_file import resolve
from runner.hand.person import Person
from runner.run import Run, execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from runner.steps import Outcome, Reading, Step
from sim.build import SimBench

TWO_POINTS = """
    yield PowerUp(24.0)
    yield Draw(1.0)
    yield Settle()
    yield Read()
    yield Draw(2.0)
    yield Settle()
    yield Read()
    yield PowerDown()
"""
"""The body of a sequence: two loads, each settled and read."""


@dataclass
class Heard:
    """A listener that keeps what it is told, and may act at a step."""

    at_step: Callable[[int, Step], None] = lambda index, step: None
    notes: list[str] = field(default_factory=list)
    readings: int = 0

    def on_step(self, index: int, step: Step) -> None:
        self.at_step(index, step)

    def on_reading(self, reading: Reading) -> None:
        self.readings += 1

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        pass

    def on_note(self, text: str) -> None:
        self.notes.append(text)


@dataclass
class Live:
    """Runs a sequence on the demo bench; `bench` is the simulated bench of the last run."""

    folder: Path
    monkeypatch: pytest.MonkeyPatch
    bench: SimBench | None = None

    def sequence(self, body: str) -> str:
        """A sequence file from the body of its generator."""
        path = self.folder / "own.py"
        head = "from runner import *\n\ndef sequence(setup: Setup, n: int = 3) -> Steps:\n"
        path.write_text(head + textwrap.indent(textwrap.dedent(body), "    "), "utf-8")
        return str(path)

    def demo(self, kind: Literal["bench", "module"], found: str, instead: str) -> str:
        """A copy of a demo file in which one text stands instead of another."""
        text = resolve("demo", kind).read_text("utf-8")
        assert found in text
        path = self.folder / f"{kind}.toml"
        path.write_text(text.replace(found, instead), "utf-8")
        return str(path)

    def run(
        self,
        name: str,
        *,
        prepare_bench: Callable[[SimBench], None] = lambda bench: None,
        heard: Heard | None = None,
        attention: Attention | None = None,
        bench: str = "demo",
        module: str = "demo",
        person: Person | None = None,
        **texts: str,
    ) -> Run:
        """Run `name` and return the folder and how it ended."""

        def open_live(*files: Any) -> Seam:
            self.bench = simulated_bench(*files)
            prepare_bench(self.bench)
            live = self.bench
            manager = live.resource_manager()
            seam = Seam(manager, live.clock, live.close, SIMULATED, stays_on=False)
            return replace(seam, swap=live.swap)

        self.monkeypatch.setattr(run, "open_seam", open_live)
        sequence = load(name)
        attention = attention or Attention()
        job = prepare(sequence, sequence.values(texts), bench, module, attention)
        return execute(job, self.folder / "run", attention, heard or Heard(), person)

    def records(self) -> list[dict[str, Any]]:
        """The journal of the last run."""
        return list(journal.read(self.folder / "run" / journal.FILE_NAME))

    def wire(self) -> list[str]:
        """The lines sent, each as `instrument message`."""
        rows = (self.folder / "run" / "wire.log").read_text("utf-8").splitlines()
        cells = [row.split("\t") for row in rows]
        return [f"{instrument} {text}" for _, instrument, way, text in cells if way == ">"]

    def outputs_on(self) -> tuple[bool, bool]:
        """Whether the simulated supply and load are on, whatever was said of them."""
        assert self.bench is not None
        return self.bench.world.supply.on, self.bench.world.load.on


@pytest.fixture
def live(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Live:
    """A live demo bench in a folder of its own."""
    return Live(tmp_path, monkeypatch)
