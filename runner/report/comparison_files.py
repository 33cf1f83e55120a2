"""What a comparison is handed over as: comparison.csv, comparison.svg, and short tables.

Called by `ampworth compare`. Files appear whole or not at all; it must not print. Runs that only
looked for limits have no curve, and so no plot.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from runner.analysis.comparison import LEAST_P, Difference, Matched
from runner.errors import StorageError
from runner.report.columns import COMPARISON
from runner.report.comparison import Compared, ComparedWorth
from runner.report.comparison_plot import comparison_plot
from runner.report.files import replacing, write_rows
from runner.report.found_pairs import ComparedFinding
from runner.report.rounding import decimals_of
from runner.report.summary import ShortTable

CSV_FILE, PLOT_FILE = "comparison.csv", "comparison.svg"

SHOWN = {
    "efficiency": ("efficiency_pct", "%", 100.0),
    "ploss_w": ("ploss_w", "W", 1.0),
    "vout_v": ("vout_v", "V", 1.0),
    "hot_spot_rise_k": ("hot_spot_rise_k", "K", 1.0),
    "worth_a": ("worth_a", "A", 1.0),
}
"""How each quantity is called where people read it, its unit, and by what it is multiplied."""

SHARES = (0.25, 0.5, 0.75, 1.0)
"""Loads of the short table, of the rated load."""


def write_comparison(compared: Sequence[Compared], out: Path) -> dict[str, Path]:
    """Write both files into `out`, which is made. Raises StorageError."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"--out {out}: the folder cannot be made: {error.strerror}; choose another one"
        ) from error
    write_rows(out / CSV_FILE, COMPARISON, comparison_rows(compared))
    written = {CSV_FILE: out / CSV_FILE}
    if all(one.matched for one in compared):
        with replacing(out / PLOT_FILE) as file:
            file.write(comparison_plot(compared))
        written[PLOT_FILE] = out / PLOT_FILE
    return written


def comparison_rows(compared: Iterable[Compared]) -> Iterator[list[Any]]:
    """One row a difference, in the order of `columns.COMPARISON`."""
    for one in compared:
        runs = [one.a.label, one.b.label]
        for matched in one.matched:
            place = [matched.kind, matched.line_set_v, matched.iout_a]
            airs = [matched.ambient_a_c, matched.ambient_b_c, *matched.hot_spots_c]
            for difference in matched.differences:
                yield [*runs, *place, *airs, *_cells(difference), matched.match]
        for worth in one.worths:
            place = ["derated", worth.a.line.line_v, None]
            airs = [worth.a.ambient_temp_c, worth.b.ambient_temp_c, None, None]
            yield [*runs, *place, *airs, *_cells(worth.difference), basis(worth)]
        for found in one.found:
            place = ["found", found.a.line_v, found.a.iout_a]
            airs = [found.a.ambient_temp_c, found.b.ambient_temp_c, None, None]
            shown = (found.a.quantity, found.a.unit, 1.0)
            yield [*runs, *place, *airs, *_cells(found.difference, shown), found.a.text or None]


def _cells(one: Difference, shown: tuple[str, str, float] | None = None) -> list[Any]:
    name, unit, factor = shown or SHOWN[one.quantity]
    numbers = (one.a.value, one.a.u, one.b.value, one.b.u)
    moved = (one.difference.value, one.difference.u)
    return [
        name,
        unit,
        *(factor * number for number in numbers),
        one.correlation,
        *(factor * number for number in moved),
        one.k,
        one.significance if one.expanded_u > 0.0 else None,
        one.p,
    ]


def basis(worth: ComparedWorth) -> str:
    """What both worths rest on: measured, or extrapolated in one of them at least."""
    return "extrapolated" if "extrapolated" in (worth.a.basis, worth.b.basis) else "measured"


# ------------------------------------------------------------------------- short tables


def short_tables(compared: Compared) -> list[ShortTable]:
    """Differences at quarters of the rated load, after soaks, and of the worth."""
    fast = [one for one in compared.matched if one.kind == "fast"]
    soaked = [one for one in compared.matched if one.kind == "soaked"]
    a, b = compared.a.label, compared.b.label
    tables = [
        ShortTable(f"{b} less {a}, fast points", HEADER, tuple(_rows(_quarters(compared, fast)))),
        ShortTable(f"{b} less {a}, soaked points", HEADER, tuple(_rows(soaked))),
        ShortTable(f"{b} less {a}, worth", HEADER, tuple(_worth_rows(compared.worths))),
        ShortTable(f"{b} less {a}, what was found", HEADER, tuple(_found_rows(compared.found))),
    ]
    return [table for table in tables if table.rows]


HEADER = ("line V", "load A", "quantity", "a", "U(a)", "b - a", "U(b - a)", "U ratio", "/U", "p")


def _quarters(compared: Compared, fast: Sequence[Matched]) -> list[Matched]:
    """On each line the points nearest to quarters of the rated load; all where they are few."""
    rated_a = compared.a.record.module["iout_rated_a"]
    chosen: list[Matched] = []
    for line_v in sorted({one.line_set_v for one in fast}):
        of_line = [one for one in fast if one.line_set_v == line_v]
        for share in SHARES:
            near = min(of_line, key=lambda one: abs(one.iout_a - share * rated_a))
            if near not in chosen:
                chosen.append(near)
    return chosen


def _rows(matched: Iterable[Matched]) -> Iterator[tuple[str, ...]]:
    for one in matched:
        load = f"{one.iout_a:.3f}" + ("" if one.match == "same load" else "*")
        for difference in one.differences:
            yield (f"{one.line_set_v:g}", load, *_texts(difference))


def _worth_rows(worths: Iterable[ComparedWorth]) -> Iterator[tuple[str, ...]]:
    for worth in worths:
        mark = "~" if basis(worth) == "extrapolated" else ""
        air = f"{mark}at {worth.a.ambient_temp_c:g} °C"
        yield (f"{worth.a.line.line_v:g}", air, *_texts(worth.difference))


def _found_rows(found: Iterable[ComparedFinding]) -> Iterator[tuple[str, ...]]:
    for one in found:
        shown = (one.a.quantity, one.a.unit, 1.0)
        place = (f"{one.a.line_v:.4g}", f"{one.a.iout_a:.3f}")
        yield (*place, *_texts(one.difference, shown))


def _texts(one: Difference, shown: tuple[str, str, float] | None = None) -> tuple[str, ...]:
    name, unit, factor = shown or SHOWN[one.quantity]
    own_u = one.a.expanded(shapes=True).expanded_u
    decimals = decimals_of(factor * one.expanded_u)
    ratio = f"1/{own_u / one.expanded_u:.1f}" if one.expanded_u > 0.0 else "-"
    return (
        f"{name.rsplit('_', 1)[0].replace('_', ' ')} {unit}",
        f"{factor * one.a.value:.{decimals}f}",
        f"{factor * own_u:.{decimals}f}",
        f"{factor * one.difference.value:+.{decimals}f}",
        f"{factor * one.expanded_u:.{decimals}f}",
        ratio,
        f"{one.significance:.2f}",
        f"<{LEAST_P:g}" if one.p <= LEAST_P else f"{one.p:.3f}",
    )
