"""Claims on the load: the current it carries, where it limits, how hot it gets.

A rated current is judged on the output at that load, on the current limit that was seen, and on
what the soaks say of its heat. Called by `claims`; pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from runner.analysis.claim_parts import WARM_FIRST, Case, Claim, Part, claimed, part
from runner.analysis.claims_found import found_limit, kind
from runner.analysis.claims_output import deviation
from runner.analysis.decision import Tolerance
from runner.analysis.derated_u import greatest_loads, in_the_middle
from runner.analysis.derating import CannotDerateError, DeratedLoad, Limits, derate
from runner.analysis.holding import LoadPoint, OutputLimits
from runner.analysis.interpolation import ROOT_3, Node, at
from runner.analysis.judged_points import (
    SAME_AMBIENT_K,
    SAME_LINE,
    SAME_LOAD,
    At,
    Found,
    JudgedPoint,
    Missing,
    first_kind,
    refusal,
    value_at,
)
from runner.analysis.uncertainty import Source, Uncertain
from runner.analysis.worth import doubtful

SPOTS = {
    "hot-spot": "hot_spot_rise_k",
    "case": "case_rise_k",
    "capacitor": "capacitor_rise_k",
}
WORDS = {
    "hot-spot": "the hot spot",
    "case": "the case",
    "capacitor": "the capacitor",
    "output-tolerance": "the output tolerance",
    "current-limit": "the current limit",
}


def rated_current(claim: Claim, case: Case) -> Iterator[Part]:
    """It carries this load for ever: output in tolerance, no current limit, no limit of heat."""
    load_a = claim["iout_min_a"]
    where, notes = claimed(claim, case, load_a)
    tolerance_pct = claim.get("vout_tolerance_pct")
    if tolerance_pct is None:
        tolerance_pct = case.module["vout_tolerance_pct"]
        notes += (f"output tolerance not stated: the module file's {tolerance_pct:g} %",)
    at_least = Tolerance(least=load_a)
    limit = seen_limit(case, where)
    if isinstance(limit, Found):
        yield part("current limit", "A", at_least, where, limit, notes)
    found = first_kind(WARM_FIRST, lambda kind: deviation(case, kind, where))
    within = Tolerance(-tolerance_pct, tolerance_pct)
    yield part("output deviation", "%", within, where, found, notes, 100.0)
    carried, remarks = _continuous(case, where, load_a, tolerance_pct / 100.0)
    yield part("continuous load", "A", at_least, where, carried, (*notes, *remarks))


# ------------------------------------------------------------------------ for ever: the heat


def _continuous(
    case: Case, where: At, load_a: float, tolerance: float
) -> tuple[Found | Missing, tuple[str, ...]]:
    """The greatest continuous load [A] at line and ambient, whatever file or bench allow."""
    refused = refusal(case.evidence, "ploss_w") or refusal(case.evidence, "hot_spot_rise_k")
    if refused is not None:
        return refused, ()
    ambient_c = _usual_ambient_c(case) if where.ambient_c is None else where.ambient_c
    if ambient_c is None:
        return Missing("not-tested", "nothing was soaked until settled: no word on its heat"), ()
    output = OutputLimits(case.vout_set_v, tolerance)
    limits = Limits(
        output,
        case.limits.hot_spot_max_temp_c,
        case.limits.case_max_temp_c,
        capacitor_max_temp_c=case.limits.capacitor_max_temp_c,
    )
    points = doubtful(case.evidence.points)
    try:
        rows = derate([one.point for one in points], limits, [ambient_c])
    except CannotDerateError as error:
        return Missing("not-tested", str(error)), ()
    loads = greatest_loads(points, limits, rows)
    nodes, used = [], []
    for row, load in zip(rows, loads, strict=True):
        if row.line.soaked_here and load is not None:
            nodes.append(Node(Uncertain(row.line.line_v), in_the_middle(load), ()))
            used.append(row)
    node = at(nodes, where.line_v, SAME_LINE * where.line_v, f"worth at {where.line_v:g} V")
    if node is None:
        return Missing("not-comparable", _no_line(where, rows, ambient_c)), ()
    used = [row for row in used if _is_line(row.line.line_v, where)] or used
    why = _not_bracketed(used, load_a, node.y.value, ambient_c, SAME_LOAD * case.rated_a)
    if why:
        return Missing("not-comparable", why), ()
    found = Found(node.y, "soaked", _soaked(case), ambient_c, node.interpolated)
    return found, _remarks(used, where, ambient_c)


def _usual_ambient_c(case: Case) -> float | None:
    """The ambient soaked at that is nearest to 25 °C."""
    soaked = [
        one.point.ambient_temp_c
        for one in case.evidence.points
        if one.point.is_settled_soak and one.point.ambient_temp_c is not None
    ]
    return min(soaked, key=lambda air_c: abs(air_c - 25.0), default=None)


def _no_line(where: At, rows: Sequence[DeratedLoad], ambient_c: float) -> str:
    soaked = [row for row in rows if row.line.soaked_here]
    if any(row.greatest is None for row in soaked):
        far_k = min(row.extrapolation_k for row in soaked)
        return f"claimed at {ambient_c:g} °C, {far_k:.0f} K from the nearest ambient soaked at"
    lines = ", ".join(f"{row.line.line_v:g}" for row in soaked)
    return f"claimed at a line of {where.line_v:g} V, soaked at {lines or 'no'} V only"


def _not_bracketed(
    rows: Sequence[DeratedLoad], load_a: float, worth_a: float, ambient_c: float, band_a: float
) -> str:
    """Why the soaks do not reach to the claim; empty where they do.

    Loads: claim and worth both beyond the loads soaked at would rest on an extrapolation.
    """
    for row in rows:
        least_a, most_a = row.line.soaked_loads_a
        airs_c = row.line.soaked_ambients_c
        if not min(airs_c) - SAME_AMBIENT_K <= ambient_c <= max(airs_c) + SAME_AMBIENT_K:
            seen = sorted({round(air_c, 1) for air_c in airs_c})
            shown = f"{seen[0]:g}" + (f" to {seen[-1]:g}" if len(seen) > 1 else "")
            return f"claimed at {ambient_c:g} °C, soaked at {shown} °C"
        beyond = min(load_a, worth_a) > most_a + band_a or max(load_a, worth_a) < least_a - band_a
        if beyond:
            reach = f"{most_a:.3g}"
            if most_a - least_a > band_a:
                reach = f"{least_a:.3g} to {reach}"
            return (
                f"soaked at {reach} A only: {worth_a:.2f} A would be extrapolated; "
                f"soak at {load_a:g} A"
            )
    return ""


def _soaked(case: Case) -> tuple[int, ...]:
    return tuple(one.number for one in case.evidence.points if one.point.is_settled_soak)


def _remarks(rows: Sequence[DeratedLoad], where: At, ambient_c: float) -> tuple[str, ...]:
    nearest = min(rows, key=lambda row: abs(row.line.line_v - where.line_v))
    remarks = []
    if nearest.greatest is not None:
        remarks.append(f"limited by {WORDS.get(nearest.greatest.limited_by, 'a limit')}")
    if nearest.extrapolation_k > SAME_AMBIENT_K:
        remarks.append("ambient interpolated by the derating model")
    return tuple(remarks)


# ----------------------------------------------------------------------------- the limit


def current_limit(claim: Claim, case: Case) -> Iterator[Part]:
    """As a sequence found it, else between the greatest load that held and the least that did
    not; its kind as a sequence found it."""
    least, most = claim.get("iout_min_a"), claim.get("iout_max_a")
    where, notes = claimed(claim, case, 0.0)
    where = replace(where, load_a=least or most or 0.0)
    if least is not None or most is not None:
        tolerance = Tolerance(least, most)
        limit = found_limit(case, where) or seen_limit(case, where)
        if isinstance(limit, Missing):
            limit, notes = _held_beyond(case, where, tolerance, limit, notes)
        yield part("current limit", "A", tolerance, where, limit, notes)
    if claim.get("behaviour") is not None:
        yield kind(claim, case, where, notes)


def seen_limit(case: Case, where: At) -> Found | Missing:
    """Where the module limited [A]: rectangular between the loads around it."""
    points = _of_line(case, where)
    if not points:
        lines = sorted({one.point.line_v for one in case.evidence.points})
        seen = ", ".join(f"{line_v:g}" for line_v in lines) or "no"
        return Missing(
            "not-comparable" if lines else "not-tested",
            f"claimed at a line of {where.line_v:g} V, points were taken at {seen} V",
        )
    failed = [one.point for one in points if not one.point.holds and one.point.iout_set_a > 0.0]
    held = _greatest_held(points, min((p.iout_set_a for p in failed), default=None))
    if not failed:
        tried_a = held.point.iout_set_a if held else 0.0
        return Missing(
            "not-tested", f"it did not limit up to {tried_a:g} A, the greatest load drawn"
        )
    first = min(failed, key=lambda point: point.iout_set_a)
    refused = _current_refused(case)
    if refused is not None:
        return refused
    below = held.values["iout_a"] if held else Uncertain(0.0)
    half_a = max(0.0, first.iout_set_a - below.value) / 2.0
    source = Source(
        "between the load that held and the one that did not", "module", shape="rectangular"
    )
    value = below + Uncertain(half_a, {source: half_a / ROOT_3})
    points_used = (held.number,) if held else ()
    kind = held.point.kind if held else first.kind
    return Found(value, kind, points_used, _air_c(held))


def _held_beyond(
    case: Case, where: At, tolerance: Tolerance, limit: Missing, notes: tuple[str, ...]
) -> tuple[Found | Missing, tuple[str, ...]]:
    """Where it never limited: the greatest load that held is enough to pass, or to fail, alone."""
    held = _greatest_held(_of_line(case, where), None)
    if held is None or _current_refused(case) is not None:
        return _current_refused(case) or limit, notes
    held_a = held.values["iout_a"].value
    passes = tolerance.most is None and tolerance.holds(held_a)
    fails = tolerance.most is not None and held_a > tolerance.most
    if not passes and not fails:
        return limit, notes
    notes += ("it did not limit: the value is the greatest load that held",)
    found = Found(held.values["iout_a"], held.point.kind, (held.number,), _air_c(held))
    return found, notes


def _current_refused(case: Case) -> Missing | None:
    source = case.evidence.sources.get("iout_a", "measured")
    if source not in ("measured", "corrected"):
        return Missing("not-comparable", f"iout_a is {source}, which decides nothing")
    if "iout_a" in case.evidence.unknown:
        why = case.evidence.unknown["iout_a"]
        return Missing("inconclusive", f"the uncertainty of iout_a is not known: {why}")
    return None


def _of_line(case: Case, where: At) -> list[JudgedPoint]:
    points = case.evidence.points
    return [one for one in points if one.point.fed and _is_line(one.point.line_v, where)]


def _is_line(line_v: float, where: At) -> bool:
    return abs(line_v - where.line_v) <= SAME_LINE * where.line_v


def _greatest_held(points: Sequence[JudgedPoint], below_a: float | None) -> JudgedPoint | None:
    def counts(point: LoadPoint) -> bool:
        return point.holds and point.settled and (below_a is None or point.iout_set_a < below_a)

    held = [one for one in points if counts(one.point) and "iout_a" in one.values]
    return max(held, key=lambda one: one.point.iout_a, default=None)


def _air_c(point: JudgedPoint | None) -> float | None:
    return None if point is None else point.point.ambient_temp_c


# ------------------------------------------------------------------------------ the rise


def temperature_rise(claim: Claim, case: Case) -> Iterator[Part]:
    """Of a part above the air, in soaked points alone."""
    where, notes = claimed(claim, case, case.rated_a)
    name = SPOTS[claim.get("part") or "hot-spot"]
    found = value_at(case.evidence, name, "soaked", where)
    what = f"{(claim.get('part') or 'hot-spot').replace('-', ' ')} rise"
    yield part(what, "K", Tolerance(most=claim["rise_max_k"]), where, found, notes)
