"""One pass through a journal: what the run was, its points, and every sample in passing.

The tables and the summary start here. Samples are handed on one by one and not kept,
so that memory stays flat however long the run was. Reads records, never files.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from runner.analysis.holding import Ahead
from runner.analysis.sampling import Mean, Series
from runner.audit import AUDIT
from runner.errors import BadInput
from runner.report.columns import SPREAD
from runner.report.means import Tares, Zero, mean_of, series_of_step
from runner.report.soak_end import ahead_of, flagged
from runner.steps import Point

Record = Mapping[str, Any]

_POINT_FIELDS = frozenset(f.name for f in fields(Point))


@dataclass(frozen=True, slots=True)
class NumberedPoint:
    """A point as every output uses it: currents tared where a tare was taken before it.

    `number` counts the points of the run from 1; `means` tells what the mean of each quantity's
    samples is worth; `zeros` are the tares its currents were corrected by; `settling_k` is what
    the soak before it still moved [K], None where it was not soaked or its end was predicted:
    `ahead` then leads there; `connected` is the resistor that was its load, empty on an
    electronic one.
    """

    number: int
    utc: str
    point: Point
    means: Mapping[str, Mean] = field(default_factory=dict)
    zeros: Mapping[str, Zero] = field(default_factory=dict)
    settling_k: float | None = None
    connected: Record = field(default_factory=dict)
    ahead: Ahead | None = None


@dataclass(slots=True)
class SetPoints:
    """What is set while the records go by; everything is off at the start."""

    step: int = -1
    step_name: str = ""
    line_set_v: float = 0.0
    iout_set_a: float = 0.0
    vout_set_v: float = 0.0

    def follow(self, record: Record) -> None:
        """Take over what a step sets; the load is off after all that switches it off."""
        self.step, self.step_name = record["index"], record["step"]
        args = record.get("args", {})
        match self.step_name:
            case "PowerUp":
                self.line_set_v, self.iout_set_a = args["line_v"], 0.0
            case "SetLine":
                self.line_set_v = args["line_v"]
            case "Start":
                self.line_set_v, self.iout_set_a = args["line_v"], args["iout_a"]
                if args.get("load_ohm") is not None:
                    self.iout_set_a = self._through(args["load_ohm"])
            case "Draw":
                self.iout_set_a = args["iout_a"]
            case "Resist":
                self.iout_set_a = self._through(args["load_ohm"])
            case "Release":
                self.iout_set_a = 0.0
            case "PowerDown":
                self.line_set_v = self.iout_set_a = 0.0

    def _through(self, load_ohm: float) -> float:
        """What a resistance would draw from a held output [A]: it stands for its set point."""
        return self.vout_set_v / load_ohm


@dataclass(slots=True)
class RunRecord:
    """A run as its journal tells it, without its samples. `run` is the run record itself."""

    run: Record = field(default_factory=dict)
    points: list[NumberedPoint] = field(default_factory=list)
    findings: list[Record] = field(default_factory=list)
    trips: list[Record] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    tares: Tares = field(default_factory=Tares)
    connected: Record = field(default_factory=dict)
    end: Record | None = None
    samples: int = 0
    resumed: list[Record] = field(default_factory=list)
    taken_again: list[Record] = field(default_factory=list)

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


class Gathering:
    """Takes a run's records one by one; what is known so far is in `found` and `setpoints`."""

    def __init__(self, on_sample: Callable[[SetPoints, Record], None] | None = None) -> None:
        self.found, self.setpoints = RunRecord(), SetPoints()
        self._on_sample = on_sample
        self._series = series_of_step("")
        self._soaked: Record = {}
        self._args: Record = {}

    def take(self, record: Record) -> None:
        """Take the next record. Raises BadInput for a point this version cannot read."""
        kind = record["kind"]
        if kind == "sample":
            self._take_sample(record)
        elif kind == "step":
            self.setpoints.follow(record)
            self._args = record.get("args", {})
            self._series = series_of_step(self.setpoints.step_name)
        elif kind == "outcome":
            self._take_outcome(record)
        elif kind == "invalid":  # the samples of this step are taken once more
            self._series = series_of_step(self.setpoints.step_name)
            _keep(self.found, kind, record)
        elif kind == "connected":  # a resistor stands for the load that was asked for
            self.found.connected, self.setpoints.iout_set_a = record, record["iout_a"]
        else:
            _keep(self.found, kind, record)
            self.setpoints.vout_set_v = self.found.run.get("module", {}).get("vout_set_v", 0.0)

    def _take_sample(self, record: Record) -> None:
        self.found.samples += 1
        for name, one in self._series.items():
            value = record.get(name)
            if value is not None:
                one.add(value)
        if self._on_sample is not None:
            self._on_sample(self.setpoints, record)

    def _take_outcome(self, record: Record) -> None:
        found = self.found
        match record["outcome"]:
            case "Soaked":
                self._soaked = self._args | record["values"]
            case "Tared":
                found.tares.take(found.run, self._series)
            case "Done" if self.setpoints.step_name == "Found":
                found.findings.append(self._args)
            case "Point" if record["values"].get("label") != AUDIT:  # those are no curve
                found.points.append(_numbered(found, record, self._series, self._soaked))


def gather(
    records: Iterable[Record], on_sample: Callable[[SetPoints, Record], None] | None = None
) -> RunRecord:
    """Go through the records once. Raises BadInput when they are not those of a run."""
    gathering = Gathering(on_sample)
    for record in records:
        gathering.take(record)
    if not gathering.found.run:
        raise BadInput(
            "the journal has no run record: nothing was started, there is no table; "
            "is this the folder of a run?"
        )
    return gathering.found


def _keep(found: RunRecord, kind: str, record: Record) -> None:
    match kind:
        case "run" if not found.run:
            found.run = record
        case "trip":
            found.trips.append(record)
        case "note":
            found.notes.append(record["text"])
        case "end":
            found.end = record
        case "invalid":
            found.taken_again.append(record)
        case "resumed":
            found.resumed.append(record)
            found.trips = [trip for trip in found.trips if trip["n"] < record["from_n"]]
            found.end = None


def _numbered(
    found: RunRecord, record: Record, series: Mapping[str, Series], soaked: Record
) -> NumberedPoint:
    read = _point(record)
    point, zeros = found.tares.correct(read)
    means = {name: mean for name in SPREAD if (mean := mean_of(read, name, series.get(name)))}
    ahead = ahead_of(point, soaked.get("quantity", ""), soaked)
    left_k = soaked.get("change_k") if read.kind == "soaked" and ahead is None else None
    point, number = flagged(point, ahead), len(found.points) + 1
    return NumberedPoint(number, record["utc"], point, means, zeros, left_k, found.connected, ahead)


def _point(record: Record) -> Point:
    values = {name: value for name, value in record["values"].items() if name in _POINT_FIELDS}
    try:
        return Point(**values | {"flags": tuple(values.get("flags", ()))})
    except TypeError as error:
        raise BadInput(
            f"the journal's record {record.get('n')!r} is no point this version can read: {error}"
        ) from error
