"""Compares runs: the first one with each other one, from their journals alone.

Called by `ampworth compare`. Reads run folders and writes nothing into them; refuses with one
message what cannot be compared. What differs between the runs besides the module is listed in
`conditions`, the tables and the plot are in `comparison_files`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from runner import journal
from runner.analysis.comparison import Difference, Matched, RunPoint, differ, match
from runner.analysis.derated_u import SETTLING
from runner.analysis.derating import MEASURED_WITHIN_K, CannotDerateError, DeratedLoad
from runner.analysis.findings import Finding
from runner.analysis.uncertainty import Source, Uncertain
from runner.errors import BadInput
from runner.report.found_pairs import ComparedFinding, found_pairs, renamed_findings
from runner.report.measured import Measured, MeasuredRun, measure
from runner.report.record import RunRecord, gather
from runner.report.resolution import Digits, with_resolution
from runner.report.rows import derated_loads, uncertain_loads
from runner.report.same_box import Owners, Renaming
from runner.report.worth import REFERENCE

NO_CURVE = frozenset({REFERENCE, "down"})
"""Labels of points that belong to no curve from light to full load."""
SPOILT = frozenset({"UNSETTLED", "SUPPLY_CC", "LOAD_UNREGULATED", "VOUT_LOW", "VOUT_HIGH"})
"""Flags of points at which the module did not convert what was asked of it."""

HOT_SPOT = "hot_spot_temp_c"

Place = tuple[float, float]
"""Line [V] and ambient [°C]."""


@dataclass(frozen=True, slots=True)
class ComparedRun:
    """One run, its points and worths [A], their sources named so that runs share what they do."""

    label: str
    folder: Path
    record: RunRecord
    measured: MeasuredRun
    points: tuple[RunPoint, ...]
    worths: Mapping[Place, tuple[DeratedLoad, Uncertain]]
    spoilt: int
    findings: tuple[Finding, ...] = ()


@dataclass(frozen=True, slots=True)
class ComparedWorth:
    """What both are worth at one line and ambient, each with what it rests on."""

    a: DeratedLoad
    b: DeratedLoad
    difference: Difference


@dataclass(frozen=True, slots=True)
class Compared:
    """One run beside the first one."""

    a: ComparedRun
    b: ComparedRun
    matched: tuple[Matched, ...]
    worths: tuple[ComparedWorth, ...]
    found: tuple[ComparedFinding, ...] = ()


def compare(folders: Sequence[Path]) -> tuple[Compared, ...]:
    """The first run beside each of the others. Raises BadInput where they are not comparable."""
    if len(folders) < 2:
        raise BadInput("compare: found one run folder, allowed are two or more; name another run")
    names = labels(folders)
    owners = Owners()
    runs = [_read(folder, name, owners) for folder, name in zip(folders, names, strict=True)]
    first, *others = runs
    for other in others:
        _refuse(first, other)
    return tuple(_compared(first, other) for other in others)


def labels(folders: Sequence[Path]) -> list[str]:
    """What each run is called: its folder's name, or as much of its path as tells it apart."""
    whole = [folder.resolve() for folder in folders]
    for k, path in enumerate(whole):
        if path in whole[:k]:
            raise BadInput(f"compare: {folders[k]} is named twice; a run differs from other runs")
    depth = 1
    while len({path.parts[-depth:] for path in whole}) < len(whole):
        depth += 1
    return ["/".join(path.parts[-depth:]) for path in whole]


def _read(folder: Path, label: str, owners: Owners) -> ComparedRun:
    digits = Digits()
    record = gather(journal.read(folder / journal.FILE_NAME), digits.take)
    measured = with_resolution(measure(record), digits.steps)
    renaming = owners.renamed(record, label)
    curve = [one for one in measured.points if one.numbered.point.label not in NO_CURVE]
    sound = [one for one in curve if not SPOILT & set(one.numbered.point.flags)]
    points = tuple(_point(one, renaming) for one in sound)
    worths = _worths(record, measured, renaming)
    spoilt = len(curve) - len(sound)
    findings = renamed_findings(record, renaming)
    return ComparedRun(label, folder, record, measured, points, worths, spoilt, findings)


def _point(measured: Measured, renaming: Renaming) -> RunPoint:
    point, values = measured.numbered.point, dict(measured.values)
    if point.iout_set_a == 0.0:
        values.pop("efficiency", None)  # nothing is delivered: a share of it says nothing
    if point.kind == "soaked" and {HOT_SPOT, "ambient_temp_c"} <= values.keys():
        rise = values[HOT_SPOT] - values["ambient_temp_c"]
        still = _still_to_go(measured)
        if still is not None:
            values["hot_spot_rise_k"] = rise + still
    return RunPoint(
        point.kind,
        point.line_set_v,
        point.iout_set_a,
        point.ambient_temp_c,
        {name: renaming.value(value) for name, value in values.items()},
    )


def _still_to_go(measured: Measured) -> Uncertain | None:
    """What the hot spot had to go to its end [K]: no box cancels that.

    Predicted, None where another spot was; or what a soak waited out may have had, rectangular.
    """
    number, ahead = measured.numbered.number, measured.numbered.ahead
    if ahead is not None:
        source = Source(f"predicted end of the soak before point {number}", "soak")
        left_k, u_k = ahead.left_k.get(HOT_SPOT), ahead.u_k.get(HOT_SPOT, 0.0)
        return None if left_k is None else Uncertain(left_k, {source: u_k})
    source = Source(f"settling of point {number}", "soak", shape="rectangular")
    left_k = SETTLING * abs(measured.numbered.settling_k or 0.0)
    return Uncertain(0.0, {source: left_k / math.sqrt(3.0)})


def _worths(
    record: RunRecord, measured: MeasuredRun, renaming: Renaming
) -> dict[Place, tuple[DeratedLoad, Uncertain]]:
    """The derated loads at the ambients that were soaked at; none where nothing can be derated."""
    try:
        derated = derated_loads(record)
    except CannotDerateError:
        return {}
    pairs = zip(derated, uncertain_loads(record, measured, derated), strict=True)
    return {
        (load.line.line_v, load.ambient_temp_c): (load, renaming.value(worth))
        for load, worth in pairs
        if worth is not None and load.extrapolation_k <= MEASURED_WITHIN_K
    }


# ----------------------------------------------------------------- what is not comparable


def _refuse(a: ComparedRun, b: ComparedRun) -> None:
    """Raise BadInput with every reason at once."""
    reasons = list(_reasons(a, b))
    if reasons:
        raise BadInput(
            f"compare: {a.folder} and {b.folder} are not comparable: " + "; ".join(reasons)
        )


def _reasons(a: ComparedRun, b: ComparedRun) -> Iterator[str]:
    set_a, set_b = a.record.module["vout_set_v"], b.record.module["vout_set_v"]
    if set_a != set_b:
        yield f"different set voltages, {set_a:g} V and {set_b:g} V: set both modules alike"
    if not (a.points and b.points) and any(found_pairs(a.findings, b.findings)):
        return  # runs that looked for limits, and took no points
    for run in (a, b):
        if not run.record.points:
            yield f"{run.folder} ended before its first point"
        elif not run.points:
            yield f"{run.folder} has no settled point in regulation"
        elif not any("ploss_w" in point.values for point in run.points):
            why = "; ".join(dict.fromkeys(run.measured.unknown.values()))
            yield f"{run.folder} has no loss with an uncertainty ({why or 'an input is assumed'})"
    if a.points and b.points and not _lines(a) & _lines(b):
        yield (
            f"no line in common, {_listed(a)} and {_listed(b)}: run one again with the other's "
            "lines (--lines-v)"
        )


def _lines(run: ComparedRun) -> set[tuple[str, float]]:
    return {(point.kind, point.line_set_v) for point in run.points}


def _listed(run: ComparedRun) -> str:
    return ", ".join(f"{line_v:g} V {kind}" for kind, line_v in sorted(_lines(run)))


def _compared(a: ComparedRun, b: ComparedRun) -> Compared:
    matched = tuple(match(a.points, b.points))
    found = tuple(found_pairs(a.findings, b.findings))
    if not matched and not found:
        raise BadInput(
            f"compare: {a.folder} and {b.folder} are not comparable: no load of one lies within "
            "the loads of the other on any line; run one again with the other's loads"
        )
    return Compared(a, b, matched, tuple(_compared_worths(a, b)), found)


def _compared_worths(a: ComparedRun, b: ComparedRun) -> Iterator[ComparedWorth]:
    for place in sorted(a.worths.keys() & b.worths.keys()):
        (load_a, worth_a), (load_b, worth_b) = a.worths[place], b.worths[place]
        yield ComparedWorth(load_a, load_b, differ("worth_a", worth_a, worth_b))
