"""Claims on what a sequence found: current limit and its kind, dropout, lockout, times.

A result is judged as it was found, at its own conditions; where a sequence found only a bound,
the bound decides if it can. Called by `claims`; pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from runner.analysis.claim_parts import Case, Claim, Part, claimed, part
from runner.analysis.decision import Tolerance
from runner.analysis.findings import Finding, words_of
from runner.analysis.judged_points import (
    DECIDES,
    SAME_LINE,
    SAME_LOAD,
    At,
    Found,
    Missing,
)
from runner.analysis.uncertainty import Uncertain

KNEE, KIND = "current_limit_a", "current_limit_kind"


def limit(claim: Claim, case: Case) -> Iterator[Part]:
    """Any result by its name, between a least and a greatest; every one of that name counts."""
    where, notes = claimed(claim, case, 0.0)
    tolerance = Tolerance(claim.get("at_least"), claim.get("at_most"))
    name = claim["quantity"]
    named = [one for one in case.findings if one.quantity == name]
    here = [one for one in named if _is_here(one, claim, case)]
    words, unit = words_of(name)
    if not here:
        yield part(words, unit, tolerance, where, _missing(name, named), notes)
    for one in here:
        at = At(one.line_v, one.iout_a, one.ambient_temp_c)
        found, remarks = value_of(case, one, tolerance)
        yield part(words, one.unit, tolerance, at, found, remarks)


def _is_here(one: Finding, claim: Claim, case: Case) -> bool:
    """At the claim's load and line, where it states them and they are no results themselves."""
    line_v, load_a = claim.get("vin_v"), claim.get("iout_a")
    if load_a is not None and abs(one.iout_a - load_a) > SAME_LOAD * case.rated_a:
        return False
    if line_v is None or "_line_" in one.quantity:
        return True
    return bool(abs(one.line_v - line_v) <= SAME_LINE * line_v)


def _missing(name: str, named: Sequence[Finding]) -> Missing:
    if not named:
        return Missing("not-tested", f"no sequence of this run looks for {name}")
    seen = ", ".join(f"{one.line_v:.4g} V {one.iout_a:.3g} A" for one in named)
    return Missing("not-comparable", f"found at {seen} only")


def _source(case: Case, one: Finding) -> str:
    """Where the reading behind a result comes from; temperatures and times are measured."""
    return case.evidence.sources.get(one.rests_on, "measured")


def value_of(
    case: Case, one: Finding, tolerance: Tolerance
) -> tuple[Found | Missing, tuple[str, ...]]:
    """A result's value; without one a bound that is enough to decide, else why there is none."""
    notes = (one.text,) if one.text else ()
    source = _source(case, one)
    if source not in DECIDES:
        return Missing(
            "not-comparable", f"{one.rests_on} is {source}, which decides nothing"
        ), notes
    if one.measured is not None:
        return Found(one.measured, "fast", (), one.ambient_temp_c), notes
    if one.value is not None:
        why = f"no uncertainty of {one.rests_on or 'it'} is known"
        return Missing("inconclusive", why), notes
    if one.low is not None and tolerance.most is None and tolerance.holds(one.low):
        bound = one.low
    elif one.high is not None and tolerance.least is None and tolerance.holds(one.high):
        bound = one.high
    else:
        return Missing("inconclusive", one.text or "only a bound was found"), notes
    found = Found(Uncertain(bound), "fast", (), one.ambient_temp_c)
    return found, (*notes, "the value is a bound: how far it was tried")


def found_limit(case: Case, where: At) -> Found | None:
    """The knee as a sequence found it at this line [A]; None where none looked, or none was."""
    for one in _of_line(case, where, KNEE):
        if one.measured is not None and _source(case, one) in DECIDES:
            return Found(one.measured, "fast", (), one.ambient_temp_c)
    return None


def kind(claim: Claim, case: Case, where: At, notes: tuple[str, ...]) -> Part:
    """Whether the limit behaves as claimed: 1 if it does, 0 if it does not."""
    wanted, conditions = claim["behaviour"], f"{where.line_v:g} V"
    for one in _of_line(case, where, KIND):
        seen = one.text.partition(",")[0]
        found = Found(Uncertain(float(seen == wanted)), "fast", (), one.ambient_temp_c)
        said = (*notes, f"claimed {wanted}, found {one.text}")
        return Part("kind of limit", where, conditions, "", Tolerance(1.0, 1.0), found, said)
    missing = Missing("not-tested", f"no step of this run classifies it as {wanted}")
    return Part("kind of limit", where, conditions, "", None, missing, notes)


def _of_line(case: Case, where: At, name: str) -> list[Finding]:
    near = [one for one in case.findings if one.quantity == name]
    return [one for one in near if abs(one.line_v - where.line_v) <= SAME_LINE * where.line_v]
