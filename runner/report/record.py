"""One pass through a journal: what the run was, its points, and every sample in passing.

The tables and the summary start here. Samples are handed on one by one and not kept,
so that memory stays flat however long the run was. Reads records, never files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from runner.errors import BadInput
from runner.steps import Point

Record = Mapping[str, Any]

_POINT_FIELDS = frozenset(f.name for f in fields(Point))


@dataclass(frozen=True, slots=True)
class NumberedPoint:
    """A point, its number in the run from 1, and the time of day."""

    number: int
    utc: str
    point: Point


@dataclass(slots=True)
class SetPoints:
    """What is set while the records go by; everything is off at the start."""

    step: int = -1
    step_name: str = ""
    line_set_v: float = 0.0
    iout_set_a: float = 0.0

    def follow(self, record: Record) -> None:
        """Take over what a step sets; the load is off after all that switches it off."""
        self.step, self.step_name = record["index"], record["step"]
        args = record.get("args", {})
        match self.step_name:
            case "PowerUp":
                self.line_set_v, self.iout_set_a = args["line_v"], 0.0
            case "SetLine":
                self.line_set_v = args["line_v"]
            case "Draw":
                self.iout_set_a = args["iout_a"]
            case "Release":
                self.iout_set_a = 0.0
            case "PowerDown":
                self.line_set_v = self.iout_set_a = 0.0


@dataclass(slots=True)
class RunRecord:
    """A run as its journal tells it, without its samples. `run` is the run record itself."""

    run: Record = field(default_factory=dict)
    points: list[NumberedPoint] = field(default_factory=list)
    trips: list[Record] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    end: Record | None = None
    samples: int = 0

    @property
    def module(self) -> Record:
        """The module file as the run record holds it."""
        module: Record = self.run["module"]
        return module

    @property
    def bench(self) -> Record:
        """The bench file as the run record holds it."""
        bench: Record = self.run["bench"]
        return bench


def gather(
    records: Iterable[Record], on_sample: Callable[[SetPoints, Record], None] | None = None
) -> RunRecord:
    """Go through the records once. Raises BadInput when they are not those of a run."""
    found, setpoints = RunRecord(), SetPoints()
    for record in records:
        kind = record["kind"]
        if kind == "sample":
            found.samples += 1
            if on_sample is not None:
                on_sample(setpoints, record)
        elif kind == "step":
            setpoints.follow(record)
        else:
            _keep(found, kind, record)
    if not found.run:
        raise BadInput("the journal has no run record: nothing was started, there is no table")
    return found


def _keep(found: RunRecord, kind: str, record: Record) -> None:
    match kind:
        case "run" if not found.run:
            found.run = record
        case "outcome" if record["outcome"] == "Point":
            number = len(found.points) + 1
            found.points.append(NumberedPoint(number, record["utc"], _point(record)))
        case "trip":
            found.trips.append(record)
        case "note":
            found.notes.append(record["text"])
        case "end":
            found.end = record


def _point(record: Record) -> Point:
    values = {name: value for name, value in record["values"].items() if name in _POINT_FIELDS}
    try:
        return Point(**values | {"flags": tuple(values.get("flags", ()))})
    except TypeError as error:
        raise BadInput(
            f"the journal's record {record.get('n')!r} is no point this version can read: {error}"
        ) from error
