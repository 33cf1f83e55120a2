"""The rows of the three tables, from the samples and points of a run.

Called by the tables and the summary; turns fractions into the percent that people read.
Opens no file and computes nothing that `analysis` should.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from runner.analysis.derating import AMBIENTS_C, DeratedLoad, Limits, derate
from runner.analysis.efficiency import efficiency
from runner.analysis.holding import LoadPoint, OutputLimits
from runner.analysis.regulation import output_deviation
from runner.report.columns import SAMPLED, SOURCED, SPREAD
from runner.report.record import NumberedPoint, Record, RunRecord, SetPoints
from runner.steps import Point

OBSERVED = frozenset({"measured", "corrected", "uncorrected"})
"""Sources that rest on a reading; an efficiency with any other input is undefined."""

NOT_FED = frozenset({"CC", "OFF", "TRIPPED"})
"""Supply modes in which the line is not what was set; ? is a box that does not tell."""


def load_points(record: RunRecord) -> list[LoadPoint]:
    """The points of a run as derating sees them."""
    return [_load_point(numbered.point) for numbered in record.points]


def _load_point(point: Point) -> LoadPoint:
    return LoadPoint(
        line_v=point.line_set_v,
        iout_set_a=point.iout_set_a,
        iout_a=point.iout_a,
        vout_v=point.vout_v,
        ploss_w=point.ploss_w,
        ambient_temp_c=point.ambient_temp_c,
        case_temp_c=point.case_temp_c,
        hot_spot_temp_c=point.hot_spot_temp_c,
        kind=point.kind,
        settled=point.settled,
        holds=point.load_mode != "UNREGULATED" and "LOAD_UNREGULATED" not in point.flags,
        fed=point.supply_mode not in NOT_FED and "SUPPLY_CC" not in point.flags,
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
        module_iout_max_a=module_limits.get("iout_max_a") or record.module.get("iout_rated_a"),
        bench_iout_max_a=_bench_iout_max_a(record.bench),
    )


def _bench_iout_max_a(bench: Mapping[str, Any]) -> float | None:
    """The greatest load this bench draws: its interlock, its load's rating, the load's leads."""
    load = bench.get("instruments", {}).get(bench.get("roles", {}).get("load"), {})
    found = ((bench.get("limits") or {}).get("iout_max_a"), load.get("rated_a"))
    given = [most_a for most_a in (*found, load.get("lead_max_a")) if most_a is not None]
    return min(given, default=None)


def derated_loads(record: RunRecord) -> list[DeratedLoad]:
    """The derating of a run: every 5 K from 0 to 85 °C and at each ambient it asked for.

    Raises CannotDerateError when the points carry none.
    """
    asked = record.run.get("parameters", {}).get("ambients_c") or ()
    ambients_c = sorted({*AMBIENTS_C, *(float(ambient_c) for ambient_c in asked)})
    return derate(load_points(record), limits(record), ambients_c)


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


def efficiency_rows(record: RunRecord) -> Iterator[list[Any]]:
    """One row a point, in the order of `columns.EFFICIENCY`."""
    sources = record.run.get("sources", {})
    return (_efficiency_row(record, sources, numbered) for numbered in record.points)


def _efficiency_row(
    record: RunRecord, sources: Mapping[str, str], numbered: NumberedPoint
) -> list[Any]:
    point, module = numbered.point, record.module
    is_observed = all(sources.get(name, "measured") in OBSERVED for name in SOURCED)
    fraction = efficiency(point.pin_w, point.pout_w) if is_observed else None
    electrical = [(getattr(point, name), sources.get(name)) for name in SOURCED]
    return [
        record.run["run_id"],
        module.get("unit"),
        numbered.number,
        point.kind,
        point.label or None,
        point.line_set_v,
        point.iout_set_a,
        *(cell for pair in electrical for cell in pair),
        point.pin_w,
        point.pout_w,
        point.ploss_w,
        percent(fraction),
        percent(output_deviation(point.vout_v, module["vout_set_v"])),
        point.ambient_temp_c,
        point.case_temp_c,
        point.hot_spot_temp_c,
        point.samples,
        *(point.sd.get(name) for name in SPREAD),
        point.supply_mode,
        point.load_mode,
        point.settled,
        point.dwell_s,
        point.t_s,
        numbered.utc,
        ";".join(point.flags) or None,
    ]


def derating_row(record: RunRecord, load: DeratedLoad) -> list[Any]:
    """One row, in the order of `columns.DERATING`."""
    line, greatest, losses = load.line, load.greatest, load.line.losses
    by_hot_spot = line.spot == "hot_spot_temp_c"
    return [
        record.run["run_id"],
        record.module.get("unit"),
        line.line_v,
        load.ambient_temp_c,
        greatest and greatest.iout_max_a,
        greatest and greatest.limited_by,
        load.basis,
        load.extrapolation_k,
        greatest and greatest.hot_spot_temp_c,
        greatest and greatest.case_temp_c,
        greatest and greatest.ploss_w,
        percent(greatest.efficiency if greatest else None),
        line.spot_heat.k_per_w if by_hot_spot else None,
        line.case_heat.k_per_w if line.case_heat else None,
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
