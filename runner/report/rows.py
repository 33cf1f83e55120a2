"""The rows of the three tables, from the samples and points of a run.

Called by the tables and the summary; turns fractions into the percent that people read.
Opens no file and computes nothing that `analysis` should.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from runner.analysis.derated_u import DoubtfulPoint, greatest_loads
from runner.analysis.derating import (
    AMBIENTS_C,
    CannotDerateError,
    DeratedLoad,
    Limits,
    Rule,
    derate,
)
from runner.analysis.efficiency import efficiency
from runner.analysis.holding import Ahead, LoadPoint, OutputLimits
from runner.analysis.regulation import output_deviation
from runner.analysis.uncertainty import Uncertain
from runner.report.budget import COVERAGE
from runner.report.columns import SAMPLED, SOURCED, SPREAD, TEMPS
from runner.report.measured import OBSERVED, Measured, MeasuredRun
from runner.report.record import Record, RunRecord, SetPoints
from runner.steps import Point

DERATED_FROM = (*SOURCED, *TEMPS)
DERATED_BY = ("iout_a", "vout_v", "ploss_w", *TEMPS)
"""Readings a derated load rests on, and the quantities of a point that it is made from."""

NOT_FED = frozenset({"CC", "OFF", "TRIPPED"})
"""Supply modes in which the line is not what was set; ? is a box that does not tell."""


def load_points(record: RunRecord) -> list[LoadPoint]:
    """The points of a run as derating sees them."""
    return [_load_point(numbered.point, numbered.ahead) for numbered in record.points]


def _load_point(point: Point, ahead: Ahead | None) -> LoadPoint:
    return LoadPoint(
        line_v=point.line_set_v,
        iout_set_a=point.iout_set_a,
        iout_a=point.iout_a,
        vout_v=point.vout_v,
        ploss_w=point.ploss_w,
        ambient_temp_c=point.ambient_temp_c,
        case_temp_c=point.case_temp_c,
        capacitor_temp_c=point.capacitor_temp_c,
        hot_spot_temp_c=point.hot_spot_temp_c,
        kind=point.kind,
        settled=point.settled,
        holds=point.load_mode != "UNREGULATED" and "LOAD_UNREGULATED" not in point.flags,
        fed=point.supply_mode not in NOT_FED and "SUPPLY_CC" not in point.flags,
        ahead=ahead,
    )


def output_limits(record: RunRecord) -> OutputLimits:
    """The set voltage and its tolerance."""
    tolerance_pct = record.module.get("vout_tolerance_pct")
    tolerance = None if tolerance_pct is None else tolerance_pct / 100.0
    return OutputLimits(record.module["vout_set_v"], tolerance)


def limits(record: RunRecord) -> Limits:
    """What a load has to keep, by module file and bench file."""
    module_limits = record.module.get("limits") or {}
    return Limits(
        output=output_limits(record),
        hot_spot_max_temp_c=module_limits.get("hot_spot_max_temp_c"),
        case_max_temp_c=module_limits.get("case_max_temp_c"),
        capacitor_max_temp_c=module_limits.get("capacitor_max_temp_c"),
        module_iout_max_a=module_limits.get("iout_max_a") or record.module.get("iout_rated_a"),
        bench_iout_max_a=_bench_iout_max_a(record.bench),
        rule=_rule(record.module, module_limits),
    )


def _rule(module: Mapping[str, Any], limits: Mapping[str, Any]) -> Rule | None:
    """The derating rule of the module file, of the rated load; None where it gives none."""
    from_c, to_zero_c = limits.get("derating_from_c"), limits.get("derating_to_zero_c")
    if from_c is None or to_zero_c is None:
        return None
    return Rule(module["iout_rated_a"], from_c, to_zero_c)


def _bench_iout_max_a(bench: Mapping[str, Any]) -> float | None:
    """The greatest load this bench draws: its interlock, its load's rating, the load's leads."""
    load = bench.get("instruments", {}).get(bench.get("roles", {}).get("load"), {})
    found = ((bench.get("limits") or {}).get("iout_max_a"), load.get("rated_a"))
    given = [most_a for most_a in (*found, load.get("lead_max_a")) if most_a is not None]
    return min(given, default=None)


def assumed_inputs(record: RunRecord) -> list[str]:
    """The electrical quantities that rest on no reading; nothing is decided from them."""
    sources = record.run.get("sources", {})
    return [name for name in SOURCED if sources.get(name, "measured") not in OBSERVED]


def derated_loads(record: RunRecord) -> list[DeratedLoad]:
    """The derating of a run: every 5 K from 0 to 85 °C and at each ambient it asked for.

    Raises CannotDerateError when the points carry none, or rest on an assumed input.
    """
    assumed = assumed_inputs(record)
    if assumed:
        raise CannotDerateError(f"{', '.join(assumed)} is assumed: no load follows from that")
    asked = record.run.get("parameters", {}).get("ambients_c") or ()
    ambients_c = sorted({*AMBIENTS_C, *(float(ambient_c) for ambient_c in asked)})
    return derate(load_points(record), limits(record), ambients_c)


def derated_loads_u(
    record: RunRecord, measured: MeasuredRun, derated: Sequence[DeratedLoad]
) -> list[float | None]:
    """Standard uncertainty of each derated load [A]; None where an accuracy it rests on is not
    stated."""
    found = uncertain_loads(record, measured, derated)
    return [None if load is None else load.u for load in found]


def uncertain_loads(
    record: RunRecord, measured: MeasuredRun, derated: Sequence[DeratedLoad]
) -> list[Uncertain | None]:
    """Each derated load [A] with every doubt by its source; None as in `derated_loads_u`."""
    if set(DERATED_FROM) & set(measured.unknown):
        return [None] * len(derated)
    points = [
        DoubtfulPoint(
            _load_point(one.numbered.point, one.numbered.ahead),
            {name: one.values[name] for name in DERATED_BY if name in one.values},
            one.numbered.settling_k or 0.0,
        )
        for one in measured.points
    ]
    return greatest_loads(points, limits(record), derated)


def reading_row(setpoints: SetPoints, sample: Record) -> list[Any]:
    """One sample, in the order of `columns.READINGS`."""
    return [
        sample["index"],
        setpoints.step_name,
        sample["t_s"],
        sample["utc"],
        setpoints.line_set_v,
        setpoints.iout_set_a,
        *map(sample.get, SAMPLED),
    ]


def efficiency_rows(record: RunRecord, points: Iterable[Measured]) -> Iterator[list[Any]]:
    """One row a point, in the order of `columns.EFFICIENCY`."""
    return (_efficiency_row(record, measured) for measured in points)


def _efficiency_row(record: RunRecord, measured: Measured) -> list[Any]:
    numbered, module = measured.numbered, record.module
    point, u = numbered.point, measured.u
    fraction = efficiency(point.pin_w, point.pout_w) if measured.is_observed else None
    electrical = [(getattr(point, name), u(name), measured.sources[name]) for name in SOURCED]
    return [
        record.run["run_id"],
        module.get("unit"),
        numbered.number,
        point.kind,
        point.label or None,
        point.line_set_v,
        point.iout_set_a,
        *(cell for cells in electrical for cell in cells),
        point.pin_w,
        u("pin_w"),
        point.pout_w,
        u("pout_w"),
        point.ploss_w,
        u("ploss_w"),
        _k95(measured, "ploss_w"),
        percent(fraction),
        percent(u("efficiency")),
        _k95(measured, "efficiency"),
        percent(output_deviation(point.vout_v, module["vout_set_v"])),
        *(cell for name in TEMPS for cell in (getattr(point, name), u(name))),
        point.samples,
        *(point.sd.get(name) for name in SPREAD),
        point.supply_mode,
        point.load_mode,
        point.settled,
        point.dwell_s,
        point.t_s,
        numbered.utc,
        ";".join(_flags(measured)) or None,
    ]


def _k95(measured: Measured, name: str) -> float | None:
    found = measured.values.get(name)
    return None if found is None else found.expanded(COVERAGE, shapes=True).k


def _flags(measured: Measured) -> list[str]:
    """The point's own flags, and which voltage has leads of unknown resistance in it."""
    leads = {"vin_v": "LEADS_IN_VIN", "vout_v": "LEADS_IN_VOUT"}
    unknown = [word for name, word in leads.items() if measured.sources[name] == "uncorrected"]
    return sorted({*measured.numbered.point.flags, *unknown})


def derating_row(record: RunRecord, load: DeratedLoad, iout_u_a: float | None) -> list[Any]:
    """One row, in the order of `columns.DERATING`."""
    line, greatest, losses = load.line, load.greatest, load.line.losses
    by_hot_spot = line.spot == "hot_spot_temp_c"
    return [
        record.run["run_id"],
        record.module.get("unit"),
        line.line_v,
        load.ambient_temp_c,
        greatest and greatest.iout_max_a,
        iout_u_a,
        greatest and greatest.limited_by,
        load.basis,
        load.extrapolation_k,
        greatest and greatest.hot_spot_temp_c,
        greatest and greatest.case_temp_c,
        greatest and greatest.capacitor_temp_c,
        greatest and greatest.ploss_w,
        percent(greatest.efficiency if greatest else None),
        line.spot_heat.k_per_w if by_hot_spot else None,
        line.case_heat.k_per_w if line.case_heat else None,
        line.capacitor_heat.k_per_w if line.capacitor_heat else None,
        percent(line.spot_heat.spread),
        line.spot_heat.soaks,
        *line.soaked_loads_a,
        losses and losses.a_w,
        losses and losses.b_w_per_a,
        losses and losses.c_w_per_a2,
        percent(line.model.growth_per_k),
        "fitted" if line.model.growth_fitted else "assumed",
        losses and losses.residual_w,
        losses and losses.points,
        ";".join(load.flags) or None,
    ]


def percent(fraction: float | None) -> float | None:
    """A fraction as percent."""
    return None if fraction is None else 100.0 * fraction
