"""Opens every box of a bench and says what is there: for the `check` command.

Goes on after a box that is missing, so that one look finds everything. It switches
outputs off and energises nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

from drivers.errors import InstrumentError
from runner.bench import WORKED_BY_HAND, Bench, open_bench, open_link
from runner.files.bench_file import BenchFile
from runner.seam import Seam
from runner.steps import Reading


@dataclass(frozen=True, slots=True)
class Box:
    """One instrument as found: its roles, what it answers, and what is wrong with it."""

    name: str
    roles: tuple[str, ...]
    resource: str
    identity: str
    problem: str


@dataclass(frozen=True, slots=True)
class Findings:
    """The whole bench; `at_rest` is one reading with every output off, if all boxes are there."""

    boxes: tuple[Box, ...]
    sources: dict[str, str]
    at_rest: Reading | None
    problem: str

    @property
    def is_complete(self) -> bool:
        """True when every box is there and the bench could be read."""
        return self.at_rest is not None and not self.problem


def check_bench(seam: Seam, file: BenchFile, greatest: dict[str, float]) -> Findings:
    """Open each box by itself, then, if all are there, the bench as a run would."""
    boxes = tuple(_look_for(seam, file, name) for name in file.instruments)
    if any(box.problem for box in boxes):
        return Findings(boxes, {}, None, "")
    try:
        with open_bench(seam, file, greatest) as bench:
            return Findings(boxes, dict(bench.leads.sources), _at_rest(bench), "")
    except InstrumentError as error:
        return Findings(boxes, {}, None, str(error))


def _look_for(seam: Seam, file: BenchFile, name: str) -> Box:
    roles = tuple(role for role, box in file.roles.filled().items() if box == name)
    section = file.boxes.get(name)
    if section is None:
        about = file.instruments[name].model_dump().get("about")
        return Box(name, roles, WORKED_BY_HAND, about or "nothing to open", "")
    try:
        link = open_link(seam, file, name)
    except InstrumentError as error:
        return Box(name, roles, section.resource, "", str(error))
    try:
        link.expect(section.identity or "")
        return Box(name, roles, section.resource, link.identity(), "")
    except InstrumentError as error:
        return Box(name, roles, section.resource, link.identity(), str(error))
    finally:
        link.close()


def _at_rest(bench: Bench) -> Reading:
    """One reading with every output off: what the readbacks show of nothing."""
    return bench.look()
