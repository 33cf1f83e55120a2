"""Learns a module from its runs: the journals in, the parameters of a simulated module out.

Called by `ampworth fit-twin`. The fits are in `analysis/twin_*.py`; what no run could tell
is listed with what is assumed for it. Reads run folders and writes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from math import hypot, nan
from pathlib import Path
from typing import Any

import numpy as np

from runner import journal
from runner.analysis.findings import Finding
from runner.analysis.twin_fit import (
    LossFit,
    OutputFit,
    Scale,
    TwinPoint,
    fit_loss,
    fit_output,
)
from runner.analysis.twin_heat import HeatFit, HeatTrace, fit_heat
from runner.analysis.twin_limit import LimitFit, LoadedPoint, fit_limit, greatest_held_a
from runner.analysis.uncertainty import Uncertain
from runner.errors import BadInput
from runner.report.comparison import SPOILT, labels
from runner.report.findings import findings_of
from runner.report.measured import Measured, MeasuredRun, measure
from runner.report.record import Record, RunRecord, gather
from runner.report.rows import NOT_FED
from runner.report.same_box import Owners, Renaming

LEAST_POINTS = 6
"""Fewer points than this say too little of a loss."""
COLLAPSED = frozenset({"VOUT_LOW", "LOAD_UNREGULATED"})
TRACED = ("t_s", "vin_v", "iin_a", "vout_v", "iout_a")
CHANGING = frozenset({"PowerUp", "SetLine", "Draw", "Resist", "Release", "Start", "PowerDown"})
"""Steps that change what heats the module, at once."""
SPOTS = ("ambient_temp_c", "case_temp_c", "hot_spot_temp_c")


@dataclass(frozen=True, slots=True)
class TwinRun:
    """One run as the fits take it; `found` has the results of its sequence by quantity."""

    label: str
    record: RunRecord
    points: tuple[TwinPoint, ...]
    loaded: tuple[LoadedPoint, ...]
    trace: HeatTrace | None
    found: Mapping[str, Finding]
    unknown: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class LearnedTwin:
    """What was learned of a module, and from which runs; None is what they could not tell.

    `module` is the module file of the last run, as its journal has it.
    """

    runs: tuple[TwinRun, ...]
    module: Record
    loss: LossFit
    output: OutputFit
    limit: LimitFit | None
    heat: HeatFit | None
    greatest_held_a: float

    def found(self, quantity: str) -> Finding | None:
        """What the last run that looked for it found of a quantity; None where none did."""
        told = [run.found[quantity] for run in self.runs if quantity in run.found]
        return told[-1] if told else None


def learn(folders: Sequence[Path]) -> LearnedTwin:
    """Learn one module from one or more of its runs.

    Raises BadInput where the runs are not of one module, or tell too little of its loss.
    """
    names, owners = labels(folders), Owners()
    runs = [_read(folder, name, owners) for folder, name in zip(folders, names, strict=True)]
    _refuse(folders, runs)
    return learned_from(runs)


def learned_from(runs: Sequence[TwinRun]) -> LearnedTwin:
    """The fits to runs of one module."""
    module = runs[-1].record.module
    points = [point for run in runs for point in run.points]
    loaded = [point for run in runs for point in run.loaded]
    scale = Scale(module["line_nominal_v"], module["iout_rated_a"])
    loss = fit_loss(points, scale)
    traces = [run.trace for run in runs if run.trace is not None]
    warmest = max(points, key=lambda point: point.ploss.value)
    return LearnedTwin(
        tuple(runs),
        module,
        loss,
        fit_output(points, scale.line_v, scale.iout_a),
        fit_limit(loaded, module["vout_set_v"]),
        fit_heat(traces, loss.at(warmest.vin.value, warmest.iout.value, warmest.temp.value)),
        greatest_held_a(loaded),
    )


def _refuse(folders: Sequence[Path], runs: Sequence[TwinRun]) -> None:
    """Raise BadInput with every reason why these runs give no twin."""
    reasons = list(_reasons(runs))
    if reasons:
        raise BadInput(f"fit-twin {' '.join(map(str, folders))}: " + "; ".join(reasons))


def _reasons(runs: Sequence[TwinRun]) -> Iterator[str]:
    first = runs[0].record.module
    for run in runs[1:]:
        for key in ("name", "unit", "vout_set_v"):
            if run.record.module.get(key) != first.get(key):
                yield (
                    f"{run.label} is of another module: {key} is {run.record.module.get(key)!r}, "
                    f"in {runs[0].label} it is {first.get(key)!r}; name runs of one specimen"
                )
    count = sum(len(run.points) for run in runs)
    if count < LEAST_POINTS:
        why = "; ".join(dict.fromkeys(w for run in runs for w in run.unknown.values()))
        yield (
            f"found {count} points in regulation with all four readings and a known accuracy, "
            f"{LEAST_POINTS} are needed{f' ({why})' if why else ''}; run a load_sweep first"
        )


# ------------------------------------------------------------------------- one run


def _read(folder: Path, label: str, owners: Owners) -> TwinRun:
    seen = _Seen()
    record = gather(seen.following(journal.read(folder / journal.FILE_NAME)))
    measured = measure(record)
    renaming = owners.renamed(record, label)
    return TwinRun(
        label,
        record,
        tuple(_twin_points(measured, renaming)),
        tuple(_loaded_points(measured, renaming)),
        _trace(seen, record, measured),
        {one.quantity: one for one in findings_of(record)},
        measured.unknown,
    )


class _Seen:
    """The readings of a run in passing, and when its set points were changed in between."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, ...]] = []
        self.changes_s: list[float] = []

    def following(self, records: Iterable[Record]) -> Iterator[Record]:
        """The same records, looked at as they pass."""
        for record in records:
            if record["kind"] == "sample":
                self._keep(record)
            elif record["kind"] == "step" and record["step"] in CHANGING:
                self.changes_s.append(record["t_s"])
            elif record.get("outcome") == "Settled":  # others are read while it still moves
                self._keep(record["values"]["reading"])
            yield record

    def _keep(self, reading: Record) -> None:
        if not self.rows or reading["t_s"] > self.rows[-1][0]:
            self.rows.append(tuple(_number(reading.get(name)) for name in (*TRACED, *SPOTS)))


def _number(value: Any) -> float:
    return nan if value is None else float(value)


def _twin_points(measured: MeasuredRun, renaming: Renaming) -> Iterator[TwinPoint]:
    """Points in regulation whose loss has an uncertainty; without a spot, at 25 °C as they are."""
    for one in measured.points:
        if not _is_sound(one) or not one.is_observed or "ploss_w" not in one.values:
            continue
        named = {name: renaming.value(value) for name, value in one.values.items()}
        temp = named.get("hot_spot_temp_c") or named.get("case_temp_c") or Uncertain(25.0)
        yield TwinPoint(named["vin_v"], named["iout_a"], named["vout_v"], named["ploss_w"], temp)


def _is_sound(measured: Measured) -> bool:
    point = measured.numbered.point
    return not SPOILT.intersection(point.flags) and point.supply_mode not in NOT_FED


def _loaded_points(measured: MeasuredRun, renaming: Renaming) -> Iterator[LoadedPoint]:
    """Points on a line that stood, whether the output did or not."""
    for one in measured.points:
        point = one.numbered.point
        fed = point.supply_mode not in NOT_FED and "SUPPLY_CC" not in point.flags
        if not fed or not {"vout_v", "iout_a"} <= one.values.keys():
            continue
        yield LoadedPoint(
            point.line_set_v,
            point.iout_set_a,
            point.vin_v,
            renaming.value(one.values["vout_v"]),
            renaming.value(one.values["iout_a"]),
            point.sd.get("iout_a") or 0.0,
            not COLLAPSED.intersection(point.flags),
        )


def _trace(seen: _Seen, record: RunRecord, measured: MeasuredRun) -> HeatTrace | None:
    """The temperatures of the whole run and what heated it, the ammeters' offsets taken off."""
    if len(seen.rows) < 2:
        return None
    t_s, vin_v, iin_a, vout_v, iout_a, ambient_c, case_c, hot_c = np.array(seen.rows).T
    zero = {name: zero.mean.value for name, zero in record.tares.zeros.items()}
    loss_w = vin_v * (iin_a - zero.get("iin_a", 0.0)) - vout_v * (iout_a - zero.get("iout_a", 0.0))
    air_u_k = _greatest_u(measured, "ambient_temp_c")
    return HeatTrace(
        t_s,
        np.nan_to_num(np.maximum(loss_w, 0.0)),
        np.array(seen.changes_s),
        ambient_c,
        case_c,
        hot_c,
        hypot(air_u_k, _greatest_u(measured, "case_temp_c")),
        hypot(air_u_k, _greatest_u(measured, "hot_spot_temp_c")),
    )


def _greatest_u(measured: MeasuredRun, name: str) -> float:
    """The greatest standard uncertainty of a temperature in the run [K]; 1.0 where not stated."""
    known = [u for one in measured.points if (u := one.u(name)) is not None]
    return max(known, default=1.0)
