"""What happened in a run beside its points: times, soaks, notes, air, and the way out.

Collected from the records in passing, with a thinned trace of the temperatures, so that memory
stays flat. The report page tells it; reads records, never files.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import isnan, nan
from typing import Any

from runner.report.record import Record, SetPoints
from runner.report.resolution import Digits
from runner.steps import Reading

MOST_READINGS = 400
"""Readings kept for the plot of temperatures; every second one goes once there are as many."""


TRACED = ("t_s", "ambient_temp_c", "case_temp_c", "hot_spot_temp_c", "capacitor_temp_c")


def _columns() -> dict[str, array[float]]:
    return {name: array("d") for name in TRACED}


def _reading(row: Sequence[float]) -> Reading:
    t_s, *temps_c = row
    ambient_c, case_c, hot_c, can_c = (None if isnan(temp_c) else temp_c for temp_c in temps_c)
    electrical = (t_s, 0.0, 0.0, None, None)
    return Reading(*electrical, ambient_c, case_c, hot_c, capacitor_temp_c=can_c)


@dataclass(frozen=True, slots=True)
class SoakTold:
    """One soak: where, by which criterion, and how it ended."""

    line_set_v: float
    iout_set_a: float
    args: Mapping[str, Any]
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class NoteTold:
    """A remark, with its time."""

    utc: str
    text: str


@dataclass(slots=True)
class Air:
    """The ambient over all samples [°C], and what was sampled at first and at last."""

    samples: int = 0
    first_c: float = 0.0
    last_c: float = 0.0
    least_c: float = 0.0
    most_c: float = 0.0

    def take(self, ambient_c: float) -> None:
        """One more sample."""
        if self.samples == 0:
            self.first_c = self.least_c = self.most_c = ambient_c
        self.samples += 1
        self.last_c = ambient_c
        self.least_c = min(self.least_c, ambient_c)
        self.most_c = max(self.most_c, ambient_c)


@dataclass(slots=True)
class Story:
    """Everything the page tells that no point holds."""

    started_utc: str = ""
    ended_utc: str = ""
    last_t_s: float = 0.0
    steps: Counter[str] = field(default_factory=Counter)
    unsettled: int = 0
    soaks: list[SoakTold] = field(default_factory=list)
    notes: list[NoteTold] = field(default_factory=list)
    ways_out: list[Record] = field(default_factory=list)
    tares: list[Record] = field(default_factory=list)
    resistors: list[str] = field(default_factory=list)
    air: Air = field(default_factory=Air)
    digits: Digits = field(default_factory=Digits)
    records: int = 0
    _set: SetPoints = field(default_factory=SetPoints)
    _args: Mapping[str, Any] = field(default_factory=dict)
    _trace: dict[str, array[float]] = field(default_factory=_columns)
    _sample: int = 0
    _stride: int = 1

    def following(self, records: Iterable[Record]) -> Iterator[Record]:
        """The same records, looked at as they pass."""
        for record in records:
            self.take(record)
            yield record

    def take(self, record: Record) -> None:
        """Look at one record."""
        self.records += 1
        kind = record["kind"]
        if kind == "sample":
            self._take_sample(record)
            return
        self.started_utc = self.started_utc or record["utc"]
        self.ended_utc, self.last_t_s = record["utc"], record["t_s"]
        match kind:
            case "step":
                self._set.follow(record)
                self.steps[record["step"]] += 1
                self._args = record.get("args", {})
            case "outcome":
                self._take_outcome(record)
            case "note":
                self.notes.append(NoteTold(record["utc"], record["text"]))
            case "safe":
                self.ways_out.append(record)
            case "connected":
                self.resistors.append(str(record.get("resistor", "")))

    def _take_sample(self, record: Record) -> None:
        self.ended_utc, self.last_t_s = record["utc"], record["t_s"]
        ambient_c = record.get("ambient_temp_c")
        if ambient_c is not None:
            self.air.take(ambient_c)
        if self._sample % self._stride == 0:
            self._keep(record)
        self._sample += 1
        self.digits.take(self._set, record)

    def _keep(self, record: Record) -> None:
        for name, column in self._trace.items():
            value = record.get(name)
            column.append(nan if value is None else value)
        if len(self._trace["t_s"]) >= MOST_READINGS:
            for column in self._trace.values():
                del column[1::2]
            self._stride *= 2

    @property
    def readings(self) -> list[Reading]:
        """The thinned trace: times and temperatures; nothing else of a reading is kept."""
        rows = zip(*self._trace.values(), strict=True)
        return [_reading(row) for row in rows]

    def _take_outcome(self, record: Record) -> None:
        values = record["values"]
        match record["outcome"]:
            case "Settled":
                self.unsettled += not values["settled"]
            case "Soaked":
                place = self._set.line_set_v, self._set.iout_set_a
                self.soaks.append(SoakTold(*place, self._args, values))
            case "Tared":
                self.tares.append(values)
