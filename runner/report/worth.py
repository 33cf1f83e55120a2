"""What the measurement itself is worth, as facts for the summary: U, tare, drift, what lacks.

Called by the summary; texts for people. Computes nothing that `analysis` should.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from runner.analysis.drift import COVERAGE, Drift, drift_of_loss
from runner.analysis.judged_points import gaining_losses
from runner.report.budget import budgets
from runner.report.measured import Measured, MeasuredRun
from runner.report.record import RunRecord

REFERENCE = "reference"
"""The label of a point that a sequence repeats to show drift."""

Fact = tuple[str, str]
SPOTS = ("hot_spot_temp_c", "case_temp_c")


def worth_facts(record: RunRecord, measured: MeasuredRun, at_rated: Measured | None) -> list[Fact]:
    """The facts that apply to a run; `at_rated` is its point nearest to rated load and line."""
    facts = [
        *_at_rated(at_rated),
        *_tares(record),
        *_drift(measured.points),
        *_moved(measured.points),
    ]
    gains = gaining_losses(
        (one.numbered.number, one.values["ploss_w"])
        for one in measured.points
        if "ploss_w" in one.values
    )
    if gains:
        facts.insert(0, ("IMPOSSIBLE", gains))
    electrical = [why for name, why in measured.unknown.items() if not name.endswith("_temp_c")]
    if electrical and measured.points:
        facts.append(("no uncertainty", "; ".join(dict.fromkeys(electrical))))
    return facts


def _at_rated(measured: Measured | None) -> Iterator[Fact]:
    if measured is None:
        return
    point = measured.numbered.point
    for budget in budgets([measured]):
        if budget.quantity == "efficiency_pct":
            first = budget.instruments[0]
            yield (
                "efficiency at rated load",
                f"{budget.value:.2f} % ± {budget.expanded_u:.2f} points (95 %, k = {budget.k:.2f})"
                f" at {point.line_set_v:g} V, {point.iout_set_a:g} A",
            )
            yield "improve first", f"{first.instrument}, {first.share:.0%} of that variance"


def _tares(record: RunRecord) -> Iterator[Fact]:
    tares = record.tares
    used = [f"{name} {1e3 * zero.mean.value:+.2f} mA" for name, zero in tares.zeros.items()]
    if used:
        yield "tare", f"taken off: {', '.join(used)}"
    for name, reason in tares.refused.items():
        yield f"no tare of {name}", reason


# --------------------------------------------------------------------------- drift


def _drift(points: Sequence[Measured]) -> Iterator[Fact]:
    found = list(drifts(points))
    if not found:
        return
    worst = max(found, key=lambda one: (one.is_drift, abs(one.rest_w)))
    verdict = "DRIFT: more than" if worst.is_drift else "within"
    yield (
        "drift",
        f"{verdict} its uncertainty: the loss of the reference point moved "
        f"{1e3 * worst.moved_w:+.0f} mW; {1e3 * worst.rest_w:+.0f} ± {1e3 * worst.expanded_u_w:.0f}"
        f" mW (99 %) of it is not explained by {worst.warmer_k:+.1f} K of heat",
    )


MOVED = (("efficiency", 100.0, "points"), ("vout_v", 1e3, "mV"))
"""What else of a reference point is told, times what, in which unit: with heat's part in it."""


def _moved(points: Sequence[Measured]) -> Iterator[Fact]:
    """How efficiency and output of the last reference point differ from the first's."""
    pairs = list(_references(points))
    if not pairs:
        return
    first, last = pairs[-1]
    told = []
    for name, factor, unit in MOVED:
        if name in first.values and name in last.values:
            moved = factor * (last.values[name] - first.values[name])
            expanded_u, _ = moved.expanded(COVERAGE, shapes=True)
            beyond = "beyond" if abs(moved.value) > expanded_u else "within"
            told.append(
                f"{name.partition('_')[0]} {moved.value:+.2f} ± {expanded_u:.2f} {unit} ({beyond})"
            )
    if told:
        yield "moved, heat and all", f"first to last reference point (99 %): {'; '.join(told)}"


def _references(points: Iterable[Measured]) -> Iterator[tuple[Measured, Measured]]:
    """Each later reference point with the first one of the same set points."""
    firsts: dict[tuple[float, float], Measured] = {}
    for measured in points:
        point = measured.numbered.point
        if point.label != REFERENCE or not point.settled or "ploss_w" not in measured.values:
            continue
        first = firsts.setdefault((point.line_set_v, point.iout_set_a), measured)
        if first is not measured:
            yield first, measured


def drifts(points: Iterable[Measured]) -> Iterator[Drift]:
    """Each later reference point beside the first one of the same set points."""
    for first, later in _references(points):
        spot = next((s for s in SPOTS if s in first.values and s in later.values), None)
        if spot is not None:
            yield drift_of_loss(
                first.values["ploss_w"],
                later.values["ploss_w"],
                first.values[spot],
                later.values[spot],
            )
