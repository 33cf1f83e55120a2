"""What a prediction of protection costs is handed over as: protection.csv and short tables.

Called by `ampworth protect`. The file appears whole or not at all; it must not print.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Any

from runner.analysis.protection_cost import Cost
from runner.analysis.uncertainty import Uncertain
from runner.errors import StorageError
from runner.report.columns import PROTECTION
from runner.report.files import write_rows
from runner.report.protection import Asked, Front, Price
from runner.report.rounding import with_u
from runner.report.summary import ShortTable

CSV_FILE = "protection.csv"


def write_prices(prices: Sequence[Price], asked: Asked, out: Path) -> Path:
    """Write protection.csv into `out`, which is made. Raises StorageError."""
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise StorageError(
            f"--out {out}: the folder cannot be made: {error.strerror}; choose another one"
        ) from error
    write_rows(out / CSV_FILE, PROTECTION, price_rows(prices, asked))
    return out / CSV_FILE


def price_rows(prices: Iterable[Price], asked: Asked) -> Iterator[list[Any]]:
    """One row a part, line and load, in the order of `columns.PROTECTION`."""
    for one in prices:
        place = [one.front.kind, one.line_v, one.load_a, asked.place.ambient_temp_c]
        costs = [None] * 15 if one.cost is None else _cells(one.cost)
        least_v = one.least_line_v
        headroom = [least_v, None if least_v is None else least_v - asked.holds_from_v]
        heat = _both(one.cost.temp_c if one.cost and asked.place.k_per_w else None)
        measured = _both(one.measured.difference if one.measured else None)
        yield [*place, *costs, *headroom, *heat, *measured, one.why or None]


def _cells(cost: Cost) -> list[Any]:
    return [
        cost.carried.module_v,
        cost.carried.iin_a,
        *_both(cost.drop_v),
        *_both(cost.part_w),
        *_both(cost.extra_w),
        cost.extra_w.expanded(shapes=True).k if cost.extra_w.u else None,
        *_both(100.0 * cost.bare_efficiency),
        *_both(100.0 * cost.efficiency),
        *_both(100.0 * cost.lost),
    ]


def _both(value: Uncertain | None) -> tuple[float | None, float | None]:
    return (None, None) if value is None else (value.value, value.u)


# ------------------------------------------------------------------------- short tables

HEADER = (
    "line V",
    "load A",
    "module V",
    "drop V",
    "in the part W",
    "price W",
    "efficiency %",
    "with it %",
    "points lost",
)


def short_table(front: Front, prices: Sequence[Price], asked: Asked) -> ShortTable:
    """What one part costs; the part's own heat where its thermal resistance is known."""
    header = (*HEADER, "part °C") if asked.place.k_per_w else HEADER
    own = [one for one in prices if one.front is front]
    rows = tuple(_row(one, cost, asked) for one in own if (cost := one.cost))
    return ShortTable(f"{front.kind}: {front.told}", header, rows)


def _row(one: Price, cost: Cost, asked: Asked) -> tuple[str, ...]:
    heat = (_text(cost.temp_c),) if asked.place.k_per_w else ()
    return (
        f"{one.line_v:g}",
        f"{one.load_a:.4g}",
        f"{cost.carried.module_v:.2f}",
        _text(cost.drop_v),
        _text(cost.part_w),
        _text(cost.extra_w),
        f"{100.0 * cost.bare_efficiency.value:.2f}",
        f"{100.0 * cost.efficiency.value:.2f}",
        _text(100.0 * cost.lost),
        *heat,
    )


def _text(value: Uncertain) -> str:
    return with_u(value.value, value.expanded(shapes=True).expanded_u if value.u else None)


MEASURED_HEADER = (
    "line V",
    "load A",
    "predicted W",
    "measured W",
    "measured less",
    "/U",
    "drop V by it",
)


def measured_table(front: Front, prices: Sequence[Price]) -> ShortTable:
    """The price predicted beside the price measured; /U above 1: they contradict each other.

    The drop follows from the price measured, less what the module itself loses more or less.
    """
    rows = tuple(
        _measured_row(one, one.cost, one.measured.difference)
        for one in prices
        if one.cost and one.measured
    )
    title = f"{front.kind}: price predicted and measured (U for 95 %)"
    return ShortTable(title, MEASURED_HEADER, rows)


def _measured_row(one: Price, cost: Cost, measured_w: Uncertain) -> tuple[str, ...]:
    apart = measured_w - cost.extra_w
    u_w = apart.expanded(shapes=True).expanded_u
    drop = (measured_w - (cost.extra_w - cost.part_w)) / cost.carried.iin_a
    return (
        f"{one.line_v:g}",
        f"{one.load_a:.4g}",
        _text(cost.extra_w),
        _text(measured_w),
        with_u(apart.value, u_w),
        f"{abs(apart.value) / u_w:.2f}" if u_w else "-",
        _text(drop),
    )


def words_of(prices: Sequence[Price], front: Front, asked: Asked) -> list[str]:
    """What a person should know besides the table."""
    own = [one for one in prices if one.front is front]
    known = [(one, cost) for one in own if (cost := one.cost)]
    said = [*front.remarks, *_too_much(front, known, asked)]
    for one in sorted(own, key=lambda price: -price.load_a):
        if one.least_line_v is not None:
            said.append(
                f"at {one.load_a:.4g} A the line has to stay above {one.least_line_v:.2f} V, where "
                f"the bare module needs {asked.holds_from_v:g} V: "
                f"{one.least_line_v - asked.holds_from_v:.2f} V of headroom lost"
            )
            break
    return said + [f"{one.line_v:g} V, {one.load_a:.4g} A: {one.why}" for one in own if one.why]


def _too_much(front: Front, known: Sequence[tuple[Price, Cost]], asked: Asked) -> Iterator[str]:
    """Where the part is too hot, or its fuse opens."""
    for one, cost in known:
        place = f"at {one.line_v:g} V and {one.load_a:.4g} A"
        if cost.carried.temp_c > asked.part_max_temp_c:
            yield (
                f"TOO HOT {place}: {cost.carried.temp_c:.0f} °C, allowed are "
                f"{asked.part_max_temp_c:g} °C"
            )
        if cost.carried.iin_a > front.carries_a:
            yield (
                f"FUSE OPENS {place}: it carries {cost.carried.iin_a:.3g} A, more than the "
                f"{front.carries_a:.3g} A it bears for ever"
            )
