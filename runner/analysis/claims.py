"""Judges the claims of a module file on the points of a run.

Each kind of claim yields parts (a value against a tolerance, or why there is none), each part is
decided by the rule, and the part that matters most decides the claim. Called by the report of
verdicts; pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Literal

from runner.analysis.claim_parts import Case, Claim, Part
from runner.analysis.claims_efficiency import average_efficiency, efficiency, efficiency_curve
from runner.analysis.claims_found import limit
from runner.analysis.claims_load import current_limit, rated_current, temperature_rise
from runner.analysis.claims_output import (
    line_regulation,
    load_regulation,
    no_load_current,
    output_accuracy,
)
from runner.analysis.decision import Decision, Rule, decide
from runner.analysis.judged_points import Found, Missing

Judgement = Literal["pass", "fail", "inconclusive", "not-comparable", "not-tested"]

KINDS: dict[str, Callable[[Claim, Case], Iterator[Part]]] = {
    "rated-current": rated_current,
    "efficiency": efficiency,
    "efficiency-curve": efficiency_curve,
    "load-regulation": load_regulation,
    "line-regulation": line_regulation,
    "output-accuracy": output_accuracy,
    "no-load-current": no_load_current,
    "current-limit": current_limit,
    "temperature-rise": temperature_rise,
    "average-efficiency": average_efficiency,
    "limit": limit,
}
GRAVEST: tuple[Judgement, ...] = (
    "fail",
    "inconclusive",
    "not-comparable",
    "not-tested",
    "pass",
)
"""A claim with several parts is as good as the first of these that one of them is: one part
that fails is enough, and all have to pass."""


@dataclass(frozen=True, slots=True)
class JudgedPart:
    """A part with its verdict; `decision` is None where there was nothing to decide."""

    part: Part
    verdict: Judgement
    decision: Decision | None
    reason: str


@dataclass(frozen=True, slots=True)
class JudgedClaim:
    """A claim with the verdict of its gravest part; `number` counts the claims from 1."""

    number: int
    claim: Claim
    parts: tuple[JudgedPart, ...]

    @property
    def decisive(self) -> JudgedPart:
        """The part that decides: of the gravest ones that with the least conformance."""
        return min(self.parts, key=_gravity)

    @property
    def verdict(self) -> Judgement:
        """Of the claim as a whole."""
        return self.decisive.verdict

    @property
    def count(self) -> str:
        """How the parts came out where there are several."""
        if len(self.parts) == 1:
            return ""
        verdicts = [part.verdict for part in self.parts]
        seen = [f"{verdicts.count(word)} {word}" for word in GRAVEST if word in verdicts]
        return f"{len(self.parts)} parts: {', '.join(seen)}"


def judge(claims: Iterable[Claim], case: Case, rule: Rule, void: str = "") -> list[JudgedClaim]:
    """Every claim with its verdict, in the order of the file.

    `void` tells why the run decides nothing, such as a drift; then no claim passes or fails.
    """
    judged = []
    for number, claim in enumerate(claims, start=1):
        parts = [_judged(part, rule) for part in KINDS[claim["about"]](claim, case)]
        if void:
            parts = [_voided(part, void) for part in parts]
        judged.append(JudgedClaim(number, claim, tuple(parts)))
    return judged


def _judged(part: Part, rule: Rule) -> JudgedPart:
    if isinstance(part.found, Missing):
        return JudgedPart(part, part.found.verdict, None, part.found.reason)
    if part.tolerance is None:
        raise ValueError(f"{part.what}: a value without a tolerance")
    decision = decide(part.found.value, part.tolerance, rule)
    if decision.verdict == "pass" and part.flattered:
        return JudgedPart(part, "not-comparable", decision, part.flattered)
    return JudgedPart(part, decision.verdict, decision, _reason(decision, rule, part.unit))


def _reason(decision: Decision, rule: Rule, unit: str) -> str:
    """Why this verdict; for an undecided one what would decide it."""
    if decision.verdict == "pass":
        return "inside the acceptance limits"
    if decision.verdict == "fail":
        return "outside the limit by more than the rule grants to doubt"
    if decision.accepted is None:
        return "U is too great for this tolerance: no value could pass"
    side, verb = ("inside", "pass") if decision.margin >= 0.0 else ("outside", "fail")
    near = f"{side} the limit, but nearer to it than the rule wants"
    if rule.kind != "guard-band":
        return near
    return f"{near}; with U below {abs(decision.margin) / rule.guard:.2g} {unit} it would {verb}"


def _voided(part: JudgedPart, void: str) -> JudgedPart:
    if part.verdict in ("not-comparable", "not-tested"):
        return part
    return replace(part, verdict="inconclusive", reason=void)


def _gravity(part: JudgedPart) -> tuple[int, float]:
    conformance = part.decision.probability if part.decision else 1.0
    margin = part.decision.margin_in_u if part.decision else None
    return GRAVEST.index(part.verdict), conformance if margin is None else margin


def points_of(part: JudgedPart) -> tuple[int, ...]:
    """The points a verdict rests on."""
    return part.part.found.points if isinstance(part.part.found, Found) else ()
