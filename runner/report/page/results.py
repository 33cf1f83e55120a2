"""The figures of the page: every point with its uncertainty, averages, derating, the budget.

Each figure is from the same tables as the CSVs; this only writes them down.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from runner.analysis.derating import DeratedLoad
from runner.report.budget import COVERAGE, Budget, budgets
from runner.report.measured import Measured
from runner.report.page.curves import K, derating_figure
from runner.report.page.markup import (
    NOTHING,
    Markup,
    element,
    paragraph,
    section,
    subheading,
    table,
    text,
)
from runner.report.record import RunRecord
from runner.report.rounding import with_u
from runner.report.rows import assumed_inputs
from runner.report.summary import summarise
from runner.report.tables import Tables
from runner.report.verdicts import LIMITED_BY

MARK = {"measured": "", "corrected": " c", "uncorrected": " u", "derived": " d", "assumed": " a"}
POINTS = (
    "no.",
    "kind",
    "line set V",
    "load set A",
    "line V",
    "input A",
    "output V",
    "output A",
    "loss W",
    "k",
    "efficiency %",
    "k",
    "air °C",
    "case °C",
    "hot spot °C",
)
CAN = ("capacitor_temp_c", "capacitor °C")
"""What a table has beside where a thermometer is on the capacitor."""
AVERAGES = "Averages, regulation, soaks"
FOLDED = 40
"""More points than this are folded away on a screen; in print they are all there."""


def averages(tables: Tables) -> Markup:
    """Averages and regulations by line, and the soaks: the tables of the terminal."""
    assumed = assumed_inputs(tables.record)
    if assumed:
        return section("averages", AVERAGES, paragraph(f"None: {', '.join(assumed)} is assumed."))
    elsewhere = ("Greatest", "What was found")
    shown = [one for one in summarise(tables).tables if not one.title.startswith(elsewhere)]
    line = dict(summarise(tables).facts).get("line regulation", "")
    parts = [table(one.header, one.rows, caption=one.title) for one in shown]
    if line:
        parts.append(paragraph(f"Line regulation: {line}."))
    return section("averages", AVERAGES, *parts)


def points(tables: Tables) -> Markup:
    """Every point, each figure with U and its mark."""
    measured = tables.measured.points
    if not measured:
        return NOTHING
    can = (CAN,) if any(one.numbered.point.capacitor_temp_c is not None for one in measured) else ()
    titles = (*POINTS, *(title for _, title in can), "settled", "flags")
    spots = ("ambient_temp_c", "case_temp_c", "hot_spot_temp_c", *(name for name, _ in can))
    body = [_row(one, spots) for one in measured]
    rows = table(titles, body, words=(1, len(titles) - 1), wide=True)
    ks = [k for one in measured for k in _ks(one)]
    span = f"k from {min(ks):.2f} to {max(ks):.2f}" if ks else "none is known here"
    told = paragraph(
        "± is the expanded uncertainty for 95 % coverage: first order (JCGM 100:2008), k by "
        f"Student's t for the effective degrees of freedom and by the sources' shapes, {span}. "
        "Type A from the samples, Type B from the accuracies stated in the bench file. Marks: none "
        "measured, c corrected (lead drop, tare), u uncorrected (leads are in it), d derived, a "
        "assumed. efficiency.csv has all digits, standard uncertainties and spreads.",
        class_="quiet",
    )
    unknown = [f"{name}: {why}" for name, why in tables.measured.unknown.items()]
    missing = (
        paragraph("No uncertainty of " + "; ".join(unknown), class_="warn") if unknown else NOTHING
    )
    if len(measured) > FOLDED:
        summary = element("summary", text(f"All {len(measured)} points"))
        rows = element("details", summary, rows, open="open")
    return section("points", "Every point", told, missing, rows)


def _ks(measured: Measured) -> list[float]:
    return [value.expanded(COVERAGE, shapes=True).k for value in measured.values.values()]


def _row(measured: Measured, spots: Sequence[str]) -> tuple[str, ...]:
    point = measured.numbered.point
    efficiency = None if point.efficiency is None else 100.0 * point.efficiency
    loss_w = point.ploss_w if measured.is_observed else None
    is_share = efficiency if measured.is_observed and point.iout_set_a > 0.0 else None
    return (
        str(measured.numbered.number),
        point.kind,
        f"{point.line_set_v:g}",
        f"{point.iout_set_a:g}",
        *(_figure(measured, n, getattr(point, n)) for n in ("vin_v", "iin_a", "vout_v", "iout_a")),
        _figure(measured, "ploss_w", loss_w),
        _k(measured, "ploss_w"),
        _figure(measured, "efficiency", is_share, 100.0),
        _k(measured, "efficiency") if is_share is not None else "",
        *(_figure(measured, n, getattr(point, n)) for n in spots),
        "yes" if point.settled else "NO",
        " ".join(word.replace("_", " ").lower() for word in point.flags),
    )


def _figure(measured: Measured, name: str, value: float | None, factor: float = 1.0) -> str:
    if value is None:
        return ""
    found = measured.values.get(name)
    half = None if found is None else factor * found.expanded(COVERAGE, shapes=True).expanded_u
    return with_u(value, half, 5) + MARK.get(measured.sources.get(name, "measured"), "")


def _k(measured: Measured, name: str) -> str:
    found = measured.values.get(name)
    return "" if found is None else f"{found.expanded(COVERAGE, shapes=True).k:.2f}"


# ------------------------------------------------------------------------------ derating


def derating(tables: Tables) -> Markup:
    """The greatest continuous load by line and ambient, what limits it and what it rests on."""
    known = [pair for pair in _pairs(tables) if pair[0].greatest is not None]
    if not known:
        why = tables.left_out.get("derating.csv") or "every row was refused"
        return section("derating", "Derating", paragraph(f"No derating: {why}.", class_="warn"))
    limits = tables.record.module.get("limits") or {}
    can_c = limits.get("capacitor_max_temp_c")
    can = f", capacitor {can_c} °C" if can_c else ""
    told = paragraph(
        f"Limits: hot spot {limits.get('hot_spot_max_temp_c') or '-'} °C, case "
        f"{limits.get('case_max_temp_c') or '-'} °C{can}, in air that moves as little as at the "
        "soaks. "
        f"± is k = {K:g}. ~ is extrapolated: in ambient, to another line, or beyond the loads "
        "soaked.",
        class_="quiet",
    )
    figures = element("div", derating_figure(tables), class_="figures")
    lines_v = sorted({load.line.line_v for load, _ in known})
    ambients_c = sorted({load.ambient_temp_c for load, _ in known})
    by_place = {(load.line.line_v, load.ambient_temp_c): (load, u_a) for load, u_a in known}
    header = ("ambient °C", *(f"load A at {v:g} V" for v in lines_v), "limited by", "from a soak K")
    rows = [_ambient_row(ambient_c, lines_v, by_place) for ambient_c in ambients_c]
    loads = table(header, rows, words=(1 + len(lines_v),))
    return section("derating", "Derating", figures, told, loads, _heat(known))


Pair = tuple[DeratedLoad, float | None]


def _pairs(tables: Tables) -> Iterator[Pair]:
    return zip(tables.derated, tables.derated_u_a, strict=True)


def _ambient_row(
    ambient_c: float, lines_v: Sequence[float], by_place: Mapping[tuple[float, float], Pair]
) -> tuple[str, ...]:
    here = [by_place[line_v, ambient_c] for line_v in lines_v if (line_v, ambient_c) in by_place]
    cells = {load.line.line_v: _load(load, u_a) for load, u_a in here}
    words = dict.fromkeys(LIMITED_BY[load.greatest.limited_by] for load, _ in here if load.greatest)
    farthest_k = max(load.extrapolation_k for load, _ in here)
    loads = (cells.get(line_v, "") for line_v in lines_v)
    return (f"{ambient_c:g}", *loads, ", ".join(words), f"{farthest_k:.1f}")


def _load(load: DeratedLoad, u_a: float | None) -> str:
    if load.greatest is None:
        return ""
    mark = "" if load.basis == "measured" else "~"
    doubt = "" if u_a is None else f" ± {K * u_a:.2f}"
    return f"{mark}{load.greatest.iout_max_a:.2f}{doubt}"


def _heat(known: Sequence[Pair]) -> Markup:
    """What each line's loads rest on: its soaks, thermal resistances, and the growth of loss."""
    lines = {load.line.line_v: load for load, _ in known}
    can = any(load.line.capacitor_heat for load in lines.values())
    header = (
        "line V",
        "soaked here",
        "loads soaked A",
        "hot spot K/W",
        "case K/W",
        *(("capacitor K/W",) if can else ()),
        "soaks",
        "spread %",
        "loss grows %/K",
        "flags",
    )
    return table(
        header,
        [_heat_row(load, can) for load in lines.values()],
        words=(1, len(header) - 1),
        caption="What it rests on",
    )


def _heat_row(load: DeratedLoad, with_can: bool) -> tuple[str, ...]:
    line, can = load.line, load.line.capacitor_heat
    is_spot = line.spot == "hot_spot_temp_c"
    growth = "fitted" if line.model.growth_fitted else "assumed"
    flags = sorted({word.replace("_", " ").lower() for word in load.flags})
    return (
        f"{line.line_v:g}",
        "yes" if line.soaked_here else "no, from other lines",
        " to ".join(dict.fromkeys(f"{load_a:.2f}" for load_a in line.soaked_loads_a)),
        f"{line.spot_heat.k_per_w:.2f}" if is_spot else "",
        f"{line.case_heat.k_per_w:.2f}" if line.case_heat else "",
        *((f"{can.k_per_w:.2f}" if can else "",) if with_can else ()),
        str(line.spot_heat.soaks),
        f"{100.0 * line.spot_heat.spread:.1f}",
        f"{100.0 * line.model.growth_per_k:.2f}, {growth}",
        ", ".join(flags),
    )


# -------------------------------------------------------------------------------- budget


def budget(tables: Tables) -> Markup:
    """The uncertainty budget of a light and a full load: by instrument, and by source."""
    chosen = _chosen(tables.record, tables.measured.points)
    if not chosen:
        return NOTHING
    first = next((b for b in budgets(chosen[-1:]) if b.quantity == "efficiency_pct"), None)
    told = NOTHING
    if first is not None:
        top = first.instruments[0]
        told = paragraph(
            f"Improve first: {top.instrument}; it makes {top.share:.0%} of the variance of the "
            "efficiency at full load."
        )
    rows = [row for one in budgets(chosen) for row in _budget_rows(one, chosen)]
    header = ("point", "quantity", "value", "± (95 %)", "k", "instrument", "u", "share")
    sources = [row for one in chosen for row in _source_rows(one)]
    detail = table(
        ("point", "source", "instrument", "type", "shape", "u, points", "share"),
        sources,
        words=(1, 2, 3, 4),
    )
    return section(
        "budget",
        "Uncertainty budget",
        told,
        table(header, rows, words=(1, 5), caption="By instrument"),
        subheading("Efficiency, by source"),
        detail,
        paragraph("budget.csv has every source of every point.", class_="quiet"),
    )


def _chosen(record: RunRecord, measured: Sequence[Measured]) -> list[Measured]:
    """A light and a full load at the line nearest to nominal, fast, in regulation."""
    fast = [
        one
        for one in measured
        if "efficiency" in one.values and one.numbered.point.iout_set_a > 0.0
    ]
    if not fast:
        return []
    nominal_v, rated_a = record.module.get("line_nominal_v", 0.0), record.module["iout_rated_a"]
    line_v = min((o.numbered.point.line_set_v for o in fast), key=lambda v: abs(v - nominal_v))
    here = [one for one in fast if one.numbered.point.line_set_v == line_v]
    near = [
        min(here, key=lambda one: abs(one.numbered.point.iout_set_a - share * rated_a))
        for share in (0.1, 1.0)
    ]
    return near[:1] if near[0] is near[1] else near


def _budget_rows(one: Budget, chosen: Sequence[Measured]) -> Iterator[tuple[str, ...]]:
    for k, share in enumerate(one.instruments):
        head = (
            _place(next(m for m in chosen if m.numbered.number == one.point)),
            one.quantity.replace("_pct", " %").replace("ploss_w", "loss W"),
            with_u(one.value, one.expanded_u).split(" ± ")[0],
            with_u(one.value, one.expanded_u).split(" ± ")[1],
            f"{one.k:.2f}",
        )
        shown = head if k == 0 else ("",) * 5
        yield (*shown, share.instrument, f"{share.u:.2g}", f"{share.share:.1%}")


def _source_rows(measured: Measured) -> Iterator[tuple[str, ...]]:
    for k, row in enumerate((100.0 * measured.values["efficiency"]).budget()):
        if row.share < 0.001:
            return
        source = row.source
        place = _place(measured) if k == 0 else ""
        shape = "" if source.type == "A" else source.shape
        yield (
            place,
            source.name,
            source.instrument,
            source.type,
            shape,
            f"{abs(row.u):.2g}",
            f"{row.share:.1%}",
        )


def _place(measured: Measured) -> str:
    point = measured.numbered.point
    return f"{point.line_set_v:g} V, {point.iout_set_a:g} A"
