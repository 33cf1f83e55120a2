"""What somebody says of the module, with its source, and the verdict on it with all it rests on.

The same verdicts as verdicts.csv has by this rule; the plot lays what was measured over what is
claimed.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from runner.analysis.claims import JudgedClaim, JudgedPart, points_of
from runner.analysis.findings import words_of
from runner.report.claims_plot import claims_plot
from runner.report.judged_run import JudgedRun
from runner.report.page.markup import (
    Markup,
    bullets,
    element,
    figure,
    paragraph,
    section,
    subheading,
    table,
    text,
)
from runner.report.rounding import with_u
from runner.report.verdicts import tolerance_words

CONDITIONS = {
    "ambient_temp_c": "{:g} °C air",
    "vin_v": "{:g} V line",
    "vin_from_v": "line from {:g} V",
    "vin_to_v": "to {:g} V",
    "iout_a": "{:g} A",
    "iout_from_a": "load from {:g} A",
    "iout_to_a": "to {:g} A",
}
SAID = {
    "iout_min_a": "at least {} A",
    "iout_max_a": "at most {} A",
    "efficiency_min_pct": "at least {} %",
    "method": "by the {}",
    "regulation_max_pct": "at most {} %",
    "denominator": "of {}",
    "vout_tolerance_pct": "output within {} %",
    "iin_max_a": "at most {} A",
    "rise_max_k": "at most {} K",
    "part": "of the {}",
    "behaviour": "by {}",
    "shortfall_pct": "less {} points",
}
QUOTED = ("no.", "verdict", "claim", "it says", "conditions stated", "source", "comparable")
JUDGED = (
    "no.",
    "verdict",
    "what",
    "judged at",
    "measured ± U",
    "unit",
    "k",
    "limit",
    "margin in U",
    "conforms",
    "points",
)
MOST_PARTS = 60
LOOK = {"pass": "good", "fail": "bad", "inconclusive": "warn"}


def claims(judged: JudgedRun) -> Markup:
    """Every claim as it was read, its verdict, and how that came about."""
    if not judged.claims:
        told = "The module file quotes no claim: no claim judged."
        return section("claims", "Claims and verdicts", paragraph(told))
    quoted = table(QUOTED, map(_quoted, judged.claims), words=range(1, 7), looks=LOOK)
    parts = [pair for claim in judged.claims for pair in _shown(claim)]
    rows = [_judged(claim, part) for claim, part in parts[:MOST_PARTS]]
    more = len(parts) - MOST_PARTS
    detail = table(JUDGED, rows, words=(1, 2, 3, 5, 7, 10), looks=LOOK)
    reasons = bullets(_reasons(judged))
    drawn = element(
        "details",
        element("summary", text("Measured over claimed")),
        figure(claims_plot(judged), "The parts the verdicts rest on."),
        open="open",
        class_="whole",
    )
    return section(
        "claims",
        "Claims and verdicts",
        quoted,
        subheading("What decided: the parts that decide, and all that did not pass"),
        detail,
        paragraph(f"and {more} more parts in verdicts.csv") if more > 0 else Markup(""),
        reasons,
        paragraph(
            f"Rule: {judged.rule.words}. conforms: conformance probability (JCGM 106:2012).",
            class_="quiet",
        ),
        drawn,
    )


def _shown(claim: JudgedClaim) -> Iterator[tuple[JudgedClaim, JudgedPart]]:
    """The part that decides, and every other one that did not pass."""
    decisive = claim.decisive
    for part in claim.parts:
        if part is decisive or part.verdict != "pass":
            yield claim, part


def _quoted(claim: JudgedClaim) -> tuple[str, ...]:
    said = claim.claim
    return (
        str(claim.number),
        claim.verdict,
        str(said["about"]),
        _said(said),
        _conditions(said),
        str(said["source"]),
        _comparable(claim),
    )


def _comparable(claim: JudgedClaim) -> str:
    if claim.verdict in ("not-comparable", "not-tested"):
        return f"no: {claim.decisive.reason}"
    return "yes"


def _said(claim: Mapping[str, Any]) -> str:
    told = []
    points = claim.get("points") or ()
    if points:
        first, last = points[0], points[-1]
        told.append(
            f"a curve of {len(points)} points, {first['efficiency_pct']:g} % at "
            f"{first['iout_a']:g} A to {last['efficiency_pct']:g} % at {last['iout_a']:g} A"
        )
    name, unit = words_of(claim.get("quantity") or "")
    told += [
        f"{name} {bound.replace('_', ' ')} {_value(claim[bound])} {unit}"
        for bound in ("at_least", "at_most")
        if claim.get(bound) is not None
    ]
    told += [
        shown.format(_value(claim[key]))
        for key, shown in SAID.items()
        if claim.get(key) not in (None, 0.0)
    ]
    return ", ".join(told)


def _value(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _conditions(claim: Mapping[str, Any]) -> str:
    told = [
        shown.format(claim[key]) for key, shown in CONDITIONS.items() if claim.get(key) is not None
    ]
    return ", ".join(told) or "none stated"


def _judged(claim: JudgedClaim, judged: JudgedPart) -> tuple[str, ...]:
    part, decision = judged.part, judged.decision
    limit = "" if part.tolerance is None else tolerance_words(part.tolerance, part.unit)
    head = (str(claim.number), judged.verdict, part.what, part.conditions)
    points = ", ".join(map(str, points_of(judged)))
    if decision is None:
        return (*head, "", part.unit, "", limit, "", "", points)
    margin = decision.margin_in_u
    return (
        *head,
        with_u(decision.value, decision.expanded_u),
        part.unit,
        f"{decision.k:.2f}",
        limit,
        "" if margin is None else f"{margin:+.1f}",
        f"{decision.probability:.1%}",
        points,
    )


def _reasons(judged: JudgedRun) -> Iterator[str]:
    """Why, and what was assumed, of the part that decides each claim."""
    for claim in judged.claims:
        notes = "; ".join(claim.decisive.part.notes)
        count = f" ({claim.count})" if claim.count else ""
        told = f"{claim.number} {claim.claim['about']}{count}: {claim.decisive.reason}"
        yield f"{told}. {notes}" if notes else told
