"""From an inference file to what it can tell: the step between file and arithmetic.

Called by the `infer` command. Turns accuracies into standard uncertainties (rectangular
limits unless stated), runs the analysis, and keeps everything for the words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from runner.analysis.accuracy import stated
from runner.analysis.inference import Findings, infer, planning_solution
from runner.analysis.next_measurement import Prospects, prospects
from runner.analysis.reconcile import NoSolution
from runner.analysis.sparse_bench import Bank, Quantities, Reading, Situation, SparseBench, Stated
from runner.errors import BadInput
from runner.files.infer_file import (
    READINGS,
    Accuracy,
    Assumed,
    InferFile,
    PointRead,
    ResistorBank,
    ShownVoltage,
    load_infer_file,
    range_for,
)

RECTANGULAR = math.sqrt(3.0)

# A handheld meter, for planning where the file states none (common practice, no source):
# volts 0.5 % + 0.02 V, amperes 1 % + 0.02 A, as limits.
HANDHELD = {"V": (0.005, 0.02), "A": (0.01, 0.02)}


@dataclass(frozen=True, slots=True)
class Inference:
    """A file, the bench it describes, what was found, and what to measure next."""

    file: InferFile
    bench: SparseBench
    findings: Findings
    prospects: tuple[Prospects, ...]


def infer_file(path: str | Path) -> Inference:
    """Everything that follows from a file; raises BadInput."""
    file = load_infer_file(path)
    bench = sparse_bench(file)
    try:
        findings = infer(bench)
        planned = planning_solution(bench)
    except NoSolution:
        raise BadInput(
            f"{path}: no operating point comes near these values; check the decimal points, "
            "and that volts, amperes and ohms stand where they belong"
        ) from None
    voltmeter, ammeter = _planned_meter(file, "V"), _planned_meter(file, "A")
    ahead = tuple(
        prospects(Quantities(bench, situation), planned, voltmeter, ammeter)
        for situation in bench.situations
    )
    return Inference(file, bench, findings, ahead)


def sparse_bench(file: InferFile) -> SparseBench:
    """The file in SI units, every limit as a standard uncertainty."""
    banks = {name: _bank(section) for name, section in file.banks.items()}
    situations = tuple(_situation(file, point) for point in file.points)
    return SparseBench(situations, banks, _supply_lead(file))


def limits(value: float, limit: float) -> Stated:
    """A value that lies within limits of error, all equally likely (JCGM 100, 4.3.7)."""
    return Stated(value, limit / RECTANGULAR)


def shown(ranges: Sequence[Accuracy], value: float, instrument: str) -> Reading | None:
    """A display's value with its uncertainty; None beyond its ranges."""
    accuracy = range_for(ranges, value)
    if accuracy is None:
        return None
    unit = "v" if isinstance(accuracy, ShownVoltage) else "a"
    row = accuracy.model_dump()
    maker = stated(row, unit)
    return Reading(
        value=value,
        gain_u=maker.gain * value / maker.divisor,
        offset_u=maker.fixed / maker.divisor,
        own_u=row[f"digit_{unit}"] / 2.0 / RECTANGULAR,
        instrument=f"{instrument}, {maker.range_max:g} {unit.upper()} range",
        shape="normal" if maker.divisor == 2.0 else "rectangular",
    )


def _situation(file: InferFile, point: PointRead) -> Situation:
    readings = {
        key: shown(file.ranges(key), value, _instrument(key))
        for key, value in point.readings().items()
    }
    doubt_k = file.thermometer.limits_k if file.thermometer else 0.0
    body_c, air_c = point.body_temp_c, point.ambient_temp_c
    return Situation(
        name=point.name,
        readings={key: reading for key, reading in readings.items() if reading is not None},
        bank=point.bank,
        body_temp_c=None if body_c is None else limits(body_c, doubt_k),
        ambient_temp_c=None if air_c is None else limits(air_c, doubt_k),
        assumed_efficiency=_assumed(point.assumed, "efficiency", "pct", 100.0),
        assumed_vout_v=_assumed(point.assumed, "vout", "v", 1.0),
    )


def _instrument(reading: str) -> str:
    section = READINGS[reading][0]
    return (
        section if section != "supply" else f"supply {'volts' if reading[-1] == 'v' else 'amperes'}"
    )


def _assumed(assumed: Assumed | None, quantity: str, unit: str, per: float) -> Stated | None:
    value = getattr(assumed, f"{quantity}_{unit}", None)
    if value is None:
        return None
    u = getattr(assumed, f"{quantity}_u_{unit}")
    if u is not None:
        return Stated(value / per, u / per, "normal")
    return limits(value / per, getattr(assumed, f"{quantity}_limits_{unit}") / per)


def _bank(section: ResistorBank) -> Bank:
    one_ohm, thermal = section.resistance_ohm, None
    if section.thermal_k_per_w is not None and section.thermal_limits_pct is not None:
        limit = section.thermal_k_per_w * section.thermal_limits_pct / 100.0
        thermal = limits(section.thermal_k_per_w, limit)
    return Bank(
        resistance_ohm=limits(one_ohm, one_ohm * section.tolerance_pct / 100.0),
        at_temp_c=section.at_temp_c,
        coefficient_per_k=limits(
            section.temp_coefficient_ppm_per_k * 1e-6,
            section.temp_coefficient_limits_ppm_per_k * 1e-6,
        ),
        lead_ohm=limits(section.lead_resistance_ohm, section.lead_resistance_limits_ohm),
        series=section.series,
        parallel=section.parallel,
        thermal_k_per_w=thermal,
    )


def _supply_lead(file: InferFile) -> Stated:
    supply = file.supply
    if supply is None or supply.remote_sense:
        return Stated(0.0, 0.0)
    return limits(supply.lead_resistance_ohm or 0.0, supply.lead_resistance_limits_ohm or 0.0)


@dataclass(frozen=True, slots=True)
class _PlannedMeter:
    """The file's own meter, or a usual handheld one where the file states none."""

    ranges: Sequence[Accuracy]
    name: str
    unit: str

    def __call__(self, value: float) -> Reading:
        own = shown(self.ranges, value, self.name)
        if own is not None:
            return own
        share, offset = HANDHELD[self.unit]
        sizes = (share * abs(value), offset, 0.01 / 2.0)
        gain_u, offset_u, own_u = (limit / RECTANGULAR for limit in sizes)
        return Reading(value, gain_u, offset_u, own_u, f"a handheld {self.name}")


def _planned_meter(file: InferFile, unit: str) -> _PlannedMeter:
    reading, name = ("vout_v", "voltmeter") if unit == "V" else ("iout_a", "ammeter")
    return _PlannedMeter(file.ranges(reading), name, unit)
