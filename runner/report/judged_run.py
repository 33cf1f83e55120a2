"""Judges a run: from its journal to the verdict of every claim and to what the module is worth.

Called by `ampworth judge`. The claims are those of the run's module file, or of another. Reads
the journal and nothing else; the files are written in `verdicts`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner import journal
from runner.analysis.claim_parts import Case
from runner.analysis.claims import KINDS, JudgedClaim, judge
from runner.analysis.decision import Rule
from runner.analysis.derated_u import SETTLED, SETTLING, predicted_end
from runner.analysis.derating import CannotDerateError
from runner.analysis.drift import Drift
from runner.analysis.holding import LoadPoint
from runner.analysis.interpolation import ROOT_3
from runner.analysis.judged_points import Evidence, JudgedPoint, by_ambient, gaining
from runner.analysis.uncertainty import Source, Uncertain
from runner.analysis.worth import Worth, worths
from runner.errors import BadInput
from runner.report.comparison import NO_CURVE
from runner.report.findings import findings_of
from runner.report.measured import OBSERVED, Measured, MeasuredRun, measure
from runner.report.record import RunRecord, gather
from runner.report.resolution import Digits, with_resolution
from runner.report.rows import (
    DERATED_FROM,
    assumed_inputs,
    limits,
    load_points,
    output_limits,
)
from runner.report.worth import REFERENCE, drifts

VOID_SHARE = 0.10
"""A reference loss that moved by more than this of itself, unexplained by heat, voids all verdicts
(common practice, no source); a lesser drift beyond its uncertainty widens every loss by itself."""

DRIFT = Source("drift of the reference point", "module", shape="rectangular")
RISES = {
    "hot_spot_rise_k": "hot_spot_temp_c",
    "case_rise_k": "case_temp_c",
    "capacitor_rise_k": "capacitor_temp_c",
}


@dataclass(frozen=True, slots=True)
class JudgedRun:
    """The verdicts of a run by one rule, its worths, and why there are none of those.

    `drift` is the worst drift of the reference point, None without one beyond its uncertainty.
    """

    record: RunRecord
    case: Case
    rule: Rule
    claims: tuple[JudgedClaim, ...]
    worths: tuple[Worth, ...]
    no_worth: str
    drift: Drift | None


def judge_run(
    run: Path,
    rule: Rule,
    claims: Sequence[Mapping[str, Any]] | None = None,
    ambients_c: Sequence[float] = (),
) -> JudgedRun:
    """Judge the run folder `run`; `claims` stand instead of those of its own module file.

    `ambients_c` [°C] are those the worth is told at; left out: those of the claims and of the
    run. Raises BadInput when the journal is missing, damaged or not a run's.
    """
    digits = Digits()
    record = gather(journal.read(run / journal.FILE_NAME), digits.take)
    measured = with_resolution(measure(record), digits.steps)
    return judge_measured(record, measured, rule, claims, ambients_c)


def judge_measured(
    record: RunRecord,
    measured: MeasuredRun,
    rule: Rule,
    claims: Sequence[Mapping[str, Any]] | None = None,
    ambients_c: Sequence[float] = (),
) -> JudgedRun:
    """The same of a run whose points are measured already, their resolution included."""
    drift = worst_drift(measured)
    case = case_of(record, measured, drift)
    if claims is None:
        claims = record.module.get("claims") or ()
    _check_known(claims)
    judged = judge(claims, case, rule, void_by(drift, measured))
    assumed = assumed_inputs(record)
    why = f"{', '.join(assumed)} is assumed: no load follows from that" if assumed else ""
    found: tuple[Worth, ...] = ()
    if not assumed:
        found, why = _worths(case, ambients_c or _ambients_c(record, claims, case))
    return JudgedRun(record, case, rule, tuple(judged), found, why, drift)


def _check_known(claims: Iterable[Mapping[str, Any]]) -> None:
    for number, claim in enumerate(claims, start=1):
        if claim.get("about") not in KINDS:
            raise BadInput(
                f"claim {number} is about {claim.get('about')!r}; allowed: {', '.join(KINDS)}; "
                "judge the run with the version of ampworth that made it"
            )


# ---------------------------------------------------------------------- what it rests on


def case_of(record: RunRecord, measured: MeasuredRun, drift: Drift | None) -> Case:
    """The points of a run as claims are judged on them, with module file and limits."""
    points = [
        _judged_point(one, point, drift)
        for one, point in zip(measured.points, load_points(record), strict=True)
    ]
    sources = measured.points[0].sources if measured.points else record.run.get("sources", {})
    evidence = Evidence(
        tuple(points),
        sources,
        measured.unknown,
        output_limits(record),
        float(record.module["iout_rated_a"]),
    )
    return Case(evidence, record.module, limits(record), findings_of(record))


def _judged_point(measured: Measured, point: LoadPoint, drift: Drift | None) -> JudgedPoint:
    values, settling_k = dict(measured.values), measured.numbered.settling_k or 0.0
    if drift is not None and "ploss_w" in values:
        values["ploss_w"] += Uncertain(0.0, {DRIFT: abs(drift.rest_w) / ROOT_3})
    for rise, spot in RISES.items():
        still = _still_to_go(point, spot, settling_k)
        if (
            point.is_settled_soak
            and spot in values
            and "ambient_temp_c" in values
            and still is not None
        ):
            values[rise] = values[spot] - values["ambient_temp_c"] + still
    on_curve = measured.numbered.point.label not in NO_CURVE
    return JudgedPoint(measured.numbered.number, point, values, settling_k, on_curve)


def _still_to_go(point: LoadPoint, spot: str, settling_k: float) -> Uncertain | None:
    """What a spot had to go to its end [K]: predicted, None where it was not, or waited out."""
    if point.ahead is None:
        return Uncertain(0.0, {SETTLED: SETTLING * abs(settling_k) / ROOT_3} if settling_k else {})
    if spot not in point.ahead.left_k:
        return None
    return Uncertain(point.ahead.left_k[spot], {predicted_end(point): point.ahead.u_k[spot]})


def worst_drift(measured: MeasuredRun) -> Drift | None:
    """The greatest drift of a reference point that is beyond its uncertainty, or None."""
    found = [drift for drift in drifts(measured.points) if drift.is_drift]
    return max(found, key=lambda drift: abs(drift.rest_w), default=None)


def void_by(drift: Drift | None, measured: MeasuredRun) -> str:
    """Why a drift voids the verdicts; empty where it only widens them, or there is none."""
    points = [one.numbered.point for one in measured.points]
    losses_w = [abs(point.ploss_w) for point in points if point.label == REFERENCE]
    if drift is None or abs(drift.rest_w) <= VOID_SHARE * min(losses_w):
        return ""
    return (
        f"void: the loss of the reference point drifted by {1e3 * drift.rest_w:+.0f} mW, over "
        f"{VOID_SHARE:.0%} of it, unexplained by heat; find out why and measure again"
    )


# ----------------------------------------------------------------------------- the worth


def _worths(case: Case, ambients_c: Iterable[float]) -> tuple[tuple[Worth, ...], str]:
    known = not set(DERATED_FROM) & set(case.evidence.unknown)
    asked = sorted(set(ambients_c))
    assumed = [name for name, source in case.evidence.sources.items() if source not in OBSERVED]
    if assumed:
        return (), f"{', '.join(assumed)} is assumed: no load follows from that"
    if gains := gaining(case.evidence.points):
        return (), gains
    if not asked:
        return (), "no point has an ambient, and none was asked for"
    try:
        return tuple(worths(case.evidence.points, case.limits, asked, known=known)), ""
    except CannotDerateError as error:
        return (), str(error)


def _ambients_c(record: RunRecord, claims: Sequence[Mapping[str, Any]], case: Case) -> list[float]:
    """Those of the claims and those the run was asked for; else those it soaked at."""
    asked = [float(c) for c in record.run.get("parameters", {}).get("ambients_c") or ()]
    asked += [
        claim["ambient_temp_c"] for claim in claims if claim.get("ambient_temp_c") is not None
    ]
    if asked:
        return asked
    soaks = [one for one in case.evidence.points if one.point.is_settled_soak]
    airs = by_ambient(soaks) if soaks else []
    return [float(round(air.temp_c)) for air in airs if air.temp_c is not None]
