"""The uncertainty budget of efficiency and loss, point by point: which instrument to improve.

Plain data for budget.csv, the summary and the page. Called once the points are measured.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from runner.analysis.uncertainty import InstrumentShare, Uncertain
from runner.report.measured import Measured
from runner.report.record import RunRecord

COVERAGE = 0.95


@dataclass(frozen=True, slots=True)
class Budget:
    """One quantity of one point: value and u in `unit`, U = k u for 95 %, shares by instrument."""

    point: int
    quantity: str
    unit: str
    value: float
    u: float
    expanded_u: float
    k: float
    dof: float
    instruments: tuple[InstrumentShare, ...]


def in_percent(measured: Measured) -> dict[str, tuple[str, Uncertain]]:
    """The quantities that have a budget, as people read them, with their unit."""
    found: dict[str, tuple[str, Uncertain]] = {}
    if "efficiency" in measured.values:
        found["efficiency_pct"] = ("%", 100.0 * measured.values["efficiency"])
    if "ploss_w" in measured.values:
        found["ploss_w"] = ("W", measured.values["ploss_w"])
    return found


def budgets(points: Iterable[Measured]) -> Iterator[Budget]:
    """Efficiency and loss of each point, by instrument."""
    for measured in points:
        for quantity, (unit, value) in in_percent(measured).items():
            expanded_u, k = value.expanded(COVERAGE, shapes=True)
            yield Budget(
                measured.numbered.number,
                quantity,
                unit,
                value.value,
                value.u,
                expanded_u,
                k,
                value.dof,
                tuple(value.by_instrument()),
            )


def budget_rows(record: RunRecord, points: Iterable[Measured]) -> Iterator[list[Any]]:
    """One row a source, the greatest first, in the order of `columns.BUDGET`."""
    for measured in points:
        for quantity, (_, value) in in_percent(measured).items():
            for source, u, share in value.budget():
                yield [
                    record.run["run_id"],
                    measured.numbered.number,
                    quantity,
                    source.name,
                    source.instrument,
                    source.type,
                    source.shape,
                    abs(u),
                    100.0 * share,
                ]
