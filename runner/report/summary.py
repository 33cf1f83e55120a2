"""The short story of a run as plain data: facts and small tables of text.

For the terminal and `--json`; printed elsewhere. Made from the same rows as the CSVs, it
computes no figure of its own beyond the averages and regulations of `analysis`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.analysis.derating import MEASURED_WITHIN_K, DeratedLoad
from runner.analysis.efficiency import FourPointAverage, four_point_average
from runner.analysis.holding import LoadPoint, is_sound
from runner.analysis.regulation import line_regulation_of_nominal, load_regulation_of_nominal
from runner.audit import AUDIT
from runner.report.findings import HEADER, short_rows
from runner.report.measured import Measured
from runner.report.record import NumberedPoint, RunRecord
from runner.report.rows import load_points, output_limits
from runner.report.tables import Tables
from runner.report.worth import REFERENCE, worth_facts
from runner.steps import Point

NEAR = 0.02  # of rated: as near as a load must be to count as 10, 50 or 100 %


@dataclass(frozen=True, slots=True)
class ShortTable:
    """A small table; every cell is text ready to be shown."""

    title: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """Facts as (name, text), and tables; tables without rows are left out."""

    facts: tuple[tuple[str, str], ...]
    tables: tuple[ShortTable, ...]


def summarise(tables: Tables) -> Summary:
    """The summary of a run whose tables were made."""
    record = tables.record
    candidates = (_found(tables), _sweeps(record), _soaks(record), _derating(tables.derated))
    return Summary(_facts(tables), tuple(table for table in candidates if table.rows))


def _found(tables: Tables) -> ShortTable:
    return ShortTable("What was found", HEADER, short_rows(tables.findings))


def _facts(tables: Tables) -> tuple[tuple[str, str], ...]:
    record = tables.record
    module, end = record.module, record.end
    ending = f"{end['ending']}: {end['message']}" if end else "the journal has no end: cut off"
    facts = [
        ("run", str(record.run["run_id"])),
        ("module", f"{module['name']}, {module.get('unit') or 'no unit named'}"),
        ("points", f"{len(record.points)} from {record.samples} samples"),
        ("ending", ending),
    ]
    facts += [("resumed", f"at {one['utc']}, after: {one['ended']}") for one in record.resumed]
    regulation = _line_regulation(record)
    if regulation:
        facts.append(("line regulation", regulation))
    facts += [
        (AUDIT, note.removeprefix(AUDIT).lstrip(",: ")) for note in record.notes if _of_audit(note)
    ]
    facts += worth_facts(record, tables.measured, _at_rated(tables))
    facts += [(f"no {name}", reason) for name, reason in tables.left_out.items()]
    return tuple(facts)


def _of_audit(note: str) -> bool:
    return note.startswith(AUDIT) and "nothing found" not in note


def _at_rated(tables: Tables) -> Measured | None:
    """The fast point at rated load whose line is nearest to nominal."""
    module = tables.record.module
    rated_a, nominal_v = module["iout_rated_a"], module.get("line_nominal_v", 0.0)
    near = [
        measured
        for measured in tables.measured.points
        if measured.numbered.point.kind == "fast"
        and _near([measured.numbered.point], rated_a, rated_a)
    ]
    return min(near, key=lambda one: abs(one.numbered.point.line_set_v - nominal_v), default=None)


# --------------------------------------------------------------------- fast points


def _sweeps(record: RunRecord) -> ShortTable:
    header = (
        "line V",
        "points",
        "best efficiency",
        "at rated load",
        "loss there",
        "4-point mean",
        "load regulation",
        "flagged",
    )
    lines = _by_line(numbered.point for numbered in record.points)
    rows = tuple(_sweep(line_v, points, record) for line_v, points in lines.items())
    return ShortTable(
        "Fast points by line (4-point mean: 25, 50, 75, 100 % of rated; "
        "load regulation: 10 to 100 %, of the set output)",
        header,
        rows,
    )


def _by_line(points: Iterable[Point]) -> dict[float, list[Point]]:
    lines: dict[float, list[Point]] = {}
    for point in points:
        if point.kind == "fast" and point.label != REFERENCE:
            lines.setdefault(point.line_set_v, []).append(point)
    return dict(sorted(lines.items()))


def _sweep(line_v: float, points: Sequence[Point], record: RunRecord) -> tuple[str, ...]:
    rated_a = record.module["iout_rated_a"]
    best = max(points, key=lambda point: (point.iout_set_a > 0.0, point.efficiency or 0.0))
    rated = _near(points, rated_a, rated_a)
    average = four_point_average(((p.iout_set_a, _sustained(p)) for p in points), rated_a)
    return (
        f"{line_v:g}",
        str(len(points)),
        f"{_percent(best.efficiency)} at {best.iout_a:.3g} A" if best.iout_set_a > 0.0 else "-",
        _percent(rated.efficiency) if rated else "-",
        f"{rated.ploss_w:.3g} W" if rated else "-",
        _average(average),
        _load_regulation(points, record),
        str(sum(bool(point.flags) for point in points)),
    )


def _sustained(point: Point) -> float | None:
    spoilt = {"LOAD_UNREGULATED", "VOUT_LOW", "SUPPLY_CC"} & set(point.flags)
    return None if spoilt else point.efficiency


def _average(average: FourPointAverage) -> str:
    if average.mean is None:
        return "-"
    missing = "".join(f", not {share:.0%}" for share in average.not_sustained)
    return _percent(average.mean) + missing


def _near(points: Iterable[Point], iout_a: float, rated_a: float) -> Point | None:
    near = [p for p in points if abs(p.iout_set_a - iout_a) <= NEAR * rated_a]
    return min(near, key=lambda point: abs(point.iout_set_a - iout_a), default=None)


def _load_regulation(points: Sequence[Point], record: RunRecord) -> str:
    rated_a = record.module["iout_rated_a"]
    light, full = _near(points, 0.1 * rated_a, rated_a), _near(points, rated_a, rated_a)
    if light is None or full is None:
        return "-"
    nominal_v = record.module["vout_set_v"]
    return _percent(load_regulation_of_nominal(light.vout_v, full.vout_v, nominal_v))


def _line_regulation(record: RunRecord) -> str:
    """At half the rated load, over every line that has such a point in regulation."""
    limits, half_a = output_limits(record), 0.5 * record.module["iout_rated_a"]
    vouts_v = {
        point.line_v: point.vout_v
        for point in load_points(record)
        if is_sound(point, limits) and _is_half(point, half_a)
    }
    if len(vouts_v) < 2:
        return ""
    share = line_regulation_of_nominal(list(vouts_v.values()), limits.vout_set_v)
    return f"{_percent(share)} of nominal, {min(vouts_v):g} to {max(vouts_v):g} V at {half_a:g} A"


def _is_half(point: LoadPoint, half_a: float) -> bool:
    return point.kind == "fast" and abs(point.iout_set_a - half_a) <= 2.0 * NEAR * half_a


# ----------------------------------------------------------------- soaks and derating


def _soaks(record: RunRecord) -> ShortTable:
    soaked = [numbered for numbered in record.points if numbered.point.kind == "soaked"]
    can = any(numbered.point.capacitor_temp_c is not None for numbered in soaked)
    spots = ("ambient °C", "hot spot °C", "its end °C", "case °C")
    header = ("line V", "load A", *spots, *(("capacitor °C",) if can else ()), "loss W")
    rows = tuple(
        (
            f"{point.line_set_v:g}",
            f"{point.iout_a:.3f}",
            _temp(point.ambient_temp_c),
            _temp(point.hot_spot_temp_c),
            _end_of(numbered),
            _temp(point.case_temp_c),
            *((_temp(point.capacitor_temp_c),) if can else ()),
            f"{point.ploss_w:.3f}",
            _settled(numbered),
        )
        for numbered in soaked
        for point in [numbered.point]
    )
    return ShortTable("Soaked points", (*header, "settled"), rows)


def _end_of(numbered: NumberedPoint) -> str:
    """Where the hot spot would have ended, with U for 95 %, where its soak was not waited out."""
    ahead, temp_c = numbered.ahead, numbered.point.hot_spot_temp_c
    if ahead is None or temp_c is None or "hot_spot_temp_c" not in ahead.left_k:
        return "-"
    end_c = temp_c + ahead.left_k["hot_spot_temp_c"]
    return f"{end_c:.1f} ± {2.0 * ahead.u_k['hot_spot_temp_c']:.1f}"


def _settled(numbered: NumberedPoint) -> str:
    if not numbered.point.settled:
        return "no"
    return "yes" if numbered.ahead is None else "end foretold"


def _derating(derated: Sequence[DeratedLoad]) -> ShortTable:
    """Ambients down, lines across; ambients refused at every line are left out."""
    lines_v = sorted({load.line.line_v for load in derated})
    by_ambient: dict[float, list[DeratedLoad]] = {}
    for load in derated:
        if load.greatest is not None:
            by_ambient.setdefault(load.ambient_temp_c, []).append(load)
    rows = tuple(
        _derated_row(ambient_c, loads, lines_v) for ambient_c, loads in sorted(by_ambient.items())
    )
    header = ("ambient °C", *(f"at {line_v:g} V" for line_v in lines_v), "limited by", "basis")
    title = "Greatest continuous load (~ beyond the loads or the line that were soaked)"
    return ShortTable(title, header, rows)


def _derated_row(
    ambient_c: float, loads: Sequence[DeratedLoad], lines_v: Sequence[float]
) -> tuple[str, ...]:
    cells = {load.line.line_v: _derated_cell(load) for load in loads}
    shown = (cells.get(line_v, "-") for line_v in lines_v)
    limiting = dict.fromkeys(load.greatest.limited_by for load in loads if load.greatest)
    return (f"{ambient_c:g}", *shown, ", ".join(limiting), _basis_of_row(loads))


def _basis_of_row(loads: Sequence[DeratedLoad]) -> str:
    """What the row's loads rest on; a load marked ~ is never called measured."""
    farthest_k = max(load.extrapolation_k for load in loads)
    if farthest_k > MEASURED_WITHIN_K:
        return f"extrapolated {farthest_k:.0f} K"
    measured = [load.basis == "measured" for load in loads]
    return "measured" if all(measured) else "measured, but ~" if any(measured) else "beyond soaks"


def _derated_cell(load: DeratedLoad) -> str:
    if load.greatest is None:
        return "-"
    other_load = bool({"ABOVE_SOAKED_LOADS", "BELOW_SOAKED_LOADS"} & set(load.flags))
    mark = "~" if other_load or not load.line.soaked_here else ""
    return f"{mark}{load.greatest.iout_max_a:.2f} A"


def _percent(share: float | None) -> str:
    return "-" if share is None else f"{100.0 * share:.2f} %"


def _temp(temp_c: float | None) -> str:
    return "-" if temp_c is None else f"{temp_c:.1f}"
