"""Claims on efficiency: at a point, along a curve, averaged over four loads.

Judged on soaked points where these reach around the conditions, as a module at work is warm;
else on fast ones, which flatter it. Called by `claims`; pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from runner.analysis.claim_parts import WARM_FIRST, Case, Claim, Part, claimed, part
from runner.analysis.decision import Tolerance
from runner.analysis.efficiency import FOUR_LOADS
from runner.analysis.holding import Kind
from runner.analysis.judged_points import (
    SAME_LOAD,
    At,
    Found,
    JudgedPoint,
    Missing,
    efficiency_at,
    efficiency_of,
    first_kind,
    of_line,
)

COLD = "fast points: warmed through it loses more"
NO_WARM_UP = "fast points flatter it, the method has each load warmed up: soak at all four loads"


def efficiency(claim: Claim, case: Case) -> Iterator[Part]:
    """At least so much at a line and a load; a load not stated is the best one measured."""
    tolerance = Tolerance(least=claim["efficiency_min_pct"])
    where, notes = claimed(claim, case, 0.0)
    if claim.get("iout_a") is None:
        best_a = _best_load_a(case, where)
        if best_a is None:
            missing = Missing("not-tested", "no point has an efficiency at this line")
            yield part("efficiency", "%", tolerance, where, missing, notes)
            return
        where = replace(where, load_a=best_a)
        notes += (f"load not stated: the best one measured, {best_a:g} A",)
    found = first_kind(WARM_FIRST, lambda kind: efficiency_at(case.evidence, kind, where))
    yield part("efficiency", "%", tolerance, where, found, (*notes, *_cold(found)), 100.0)


def efficiency_curve(claim: Claim, case: Case) -> Iterator[Part]:
    """At no claimed point below it, less the shortfall that is granted; one kind of points."""
    where, notes = claimed(claim, case, 0.0)
    places = [
        (replace(where, load_a=row["iout_a"]), row["efficiency_pct"]) for row in claim["points"]
    ]
    looked = {
        kind: [efficiency_at(case.evidence, kind, place) for place, _ in places]
        for kind in WARM_FIRST
    }
    kind = max(WARM_FIRST, key=lambda kind: _reached(looked[kind]))
    shortfall_pct = claim.get("shortfall_pct") or 0.0
    for (place, efficiency_pct), found in zip(places, looked[kind], strict=True):
        tolerance = Tolerance(least=efficiency_pct - shortfall_pct)
        yield part("efficiency", "%", tolerance, place, found, (*notes, *_cold(found)), 100.0)


def average_efficiency(claim: Claim, case: Case) -> Iterator[Part]:
    """The arithmetic mean at 25, 50, 75 and 100 % of rated, 10 CFR 430 Subpart B Appendix Z.

    A load that the module does not sustain is left out of the mean, as the method has it. The
    method warms up (App. Z, 5: 30 min at full load, then at each load until stable), so that fast
    points can fail a claim and not pass it.
    """
    tolerance = Tolerance(least=claim["efficiency_min_pct"])
    where, notes = claimed(claim, case, case.rated_a)
    found = first_kind(WARM_FIRST, lambda kind: _four_points(case, kind, where))
    left_out = [f"{a:g} A" for a in _loads_a(case) if not _sustained(case, where.line_v, a)]
    if left_out:
        notes += (f"not sustained and left out: {', '.join(left_out)}",)
    whole = part("four-point mean", "%", tolerance, where, found, notes, 100.0)
    loads = "/".join(f"{load_a:g}" for load_a in _loads_a(case))
    yield replace(
        whole,
        conditions=whole.conditions.replace(f"{where.load_a:g} A", f"{loads} A"),
        flattered=NO_WARM_UP if _cold(found) else "",
    )


def _four_points(case: Case, kind: Kind, where: At) -> Found | Missing:
    kept_a = [a for a in _loads_a(case) if _sustained(case, where.line_v, a)]
    looked = [
        efficiency_at(case.evidence, kind, replace(where, load_a=load_a)) for load_a in kept_a
    ]
    found = [one for one in looked if isinstance(one, Found)]
    if len(found) < len(looked) or not found:
        missing = [one for one in looked if isinstance(one, Missing)]
        return missing[0] if missing else Missing("not-tested", "it sustained none of the loads")
    mean = sum((one.value for one in found[1:]), found[0].value) / float(len(found))
    points = tuple(dict.fromkeys(number for one in found for number in one.points))
    return replace(
        found[0], value=mean, points=points, interpolated=any(one.interpolated for one in found)
    )


def _loads_a(case: Case) -> list[float]:
    return [share * case.rated_a for share in FOUR_LOADS]


def _sustained(case: Case, line_v: float, load_a: float) -> bool:
    """False where the module was asked for a load at this line and did not hold it."""
    band_a = SAME_LOAD * case.rated_a
    return not any(
        point.fed and not point.holds and abs(point.iout_set_a - load_a) <= band_a
        for point in (one.point for one in of_line(case.evidence.points, line_v))
    )


def _best_load_a(case: Case, where: At) -> float | None:
    points: Sequence[JudgedPoint] = [
        one
        for kind in WARM_FIRST
        for one in of_line(case.evidence.of_kind(kind, "ploss_w"), where.line_v)
        if one.point.iout_set_a > 0.0
    ]
    best = max(points, key=lambda one: efficiency_of(one).value, default=None)
    return None if best is None else best.point.iout_set_a


def _reached(looked: Sequence[Found | Missing]) -> int:
    return sum(isinstance(one, Found) for one in looked)


def _cold(found: Found | Missing) -> tuple[str, ...]:
    return (COLD,) if isinstance(found, Found) and found.kind == "fast" else ()
