"""The first thing a reader sees: what the module is worth, how its claims fared, and no further.

Also what was not tested, and the rule by which anything is decided. Texts from the judged run
and its tables; computes no figure of its own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

from runner.analysis.claims import GRAVEST
from runner.analysis.worth import Worth
from runner.report.judged_run import JudgedRun
from runner.report.page.markup import Markup, bullets, facts, paragraph, section
from runner.report.tables import Tables
from runner.report.verdicts import basis_words, headline, limited_by, worth_words

UNTESTED = (
    ("start-up", "start-up and restart", "start_up_s"),
    ("transients, ripple", "inrush, load and line transients, ripple and noise", ""),
    ("short circuit", "short circuit", "short_circuit_a"),
    ("overload", "overload beyond the loads listed", "overload_held_s"),
    ("surges", "surges and load dump; jump start, but for what was found", ""),
    ("reversed polarity", "reversed polarity", "reverse_current_a"),
    ("electromagnetic compatibility", "electromagnetic emission and immunity", ""),
    ("vibration", "vibration, humidity, altitude and moved air", ""),
    ("life", "life: ageing of electrolytic capacitors and of core material", ""),
    ("other units", "other units: one specimen tells nothing of the spread of a lot", ""),
)
"""What a run does not test, in short and at length, unless it found the result named last."""


def decision(tables: Tables, judged: JudgedRun) -> Markup:
    """The headline, the verdicts in a line, the conditions, and what is not covered."""
    parts = [paragraph(_sentence(headline(judged)), class_="headline")]
    if not _ended_well(tables):
        parts.insert(0, paragraph(_ending(tables), class_="bad"))
    verdicts = _verdicts(judged)
    parts.append(paragraph(verdicts, class_="bad" if _fails(judged) else ""))
    if tables.record.bench.get("visa") == "simulated":
        parts.append(paragraph("A rehearsal: nothing was measured on hardware.", class_="warn"))
    parts.append(facts(_conditions(tables, judged)))
    look = "bad" if _fails(judged) or not _ended_well(tables) else ""
    return section("decision", "Decision", *parts, look=look)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


def _ended_well(tables: Tables) -> bool:
    return tables.record.end is not None and tables.record.end["ending"] == "done"


def _fails(judged: JudgedRun) -> bool:
    return any(claim.verdict == "fail" for claim in judged.claims)


def _ending(tables: Tables) -> str:
    end = tables.record.end
    if end is None:
        return "The journal has no end: the run was cut off. What follows is what was reached."
    return f"The run did not come to its end: {end['ending']}: {end['message']}"


def _verdicts(judged: JudgedRun) -> str:
    if not judged.claims:
        return "No claim judged: the module file quotes none."
    counts = Counter(claim.verdict for claim in judged.claims)
    told = ", ".join(f"{counts[word]} {word}" for word in reversed(GRAVEST) if counts[word])
    return f"Claims: {told}, by the rule {judged.rule.words}."


def _conditions(tables: Tables, judged: JudgedRun) -> Iterator[tuple[str, str]]:
    yield "± is", "expanded uncertainty, 95 % coverage, k by Student's t and the sources' shapes"
    for worth in judged.worths:
        if worth.iout_a is not None:
            yield f"worth at {worth.ambient_c:g} °C, {worth.line_v:g} V", _told(worth)
    points = [numbered.point for numbered in tables.record.points]
    if points:
        lines = ", ".join(f"{line_v:g}" for line_v in sorted({p.line_set_v for p in points}))
        loads = sorted(point.iout_a for point in points)
        yield "tested at", f"{lines} V line, {_loads(loads[0], loads[-1])}"
    air = tables.story.air
    yield "air", f"{air.least_c:.1f} to {air.most_c:.1f} °C" if air.samples else "not measured"
    protection = (tables.record.module.get("protection") or {}).get("kind", "none")
    yield "in front of it", "nothing" if protection == "none" else f"protection: {protection}"
    yield "sample", f"one unit: {tables.record.module.get('unit') or 'not named'}"
    short = ", ".join(word for word, _, _ in _untested(tables))
    yield "does not cover", f"{short}; see Not tested"


def _loads(least_a: float, most_a: float) -> str:
    if most_a < 0.005:
        return "no load"
    least = f"{least_a:.2f} A" if least_a >= 0.005 else "none"
    return f"loads from {least} to {most_a:.2f} A"


def _told(worth: Worth) -> str:
    return f"{worth_words(worth)}, limited by {limited_by(worth)}; {basis_words(worth)}"


# ---------------------------------------------------------------------- limits of the run


def _untested(tables: Tables) -> list[tuple[str, str, str]]:
    found = {one.quantity for one in tables.findings}
    return [one for one in UNTESTED if one[2] not in found]


def not_tested(tables: Tables) -> Markup:
    """What this run says nothing about."""
    own = [words for _, words, _ in _untested(tables)]
    if not any(numbered.point.kind == "soaked" for numbered in tables.record.points):
        own.insert(0, "heat: no point was soaked, so no continuous load is known")
    if not tables.story.air.samples:
        own.insert(0, "the air: no ambient thermometer")
    return section("not-tested", "Not tested", bullets(own))


def decision_rule(judged: JudgedRun) -> Markup:
    """By which rule anything here is called so, and what would change it."""
    rules = [
        f"Claims: {judged.rule.words}. A value that is nearer to its limit than the rule wants is "
        "inconclusive. `ampworth judge RUN` decides by another rule.",
        "A worth is the greatest load at which every limit still holds: hot spot, case, "
        "capacitor, output tolerance, current limit seen, the limits in the module file and of "
        "the bench.",
        "Nothing that rests on an assumed value decides anything; beyond 25 K from an ambient "
        "soaked at there is no figure.",
        "A drift or a difference counts where it is beyond its expanded uncertainty.",
    ]
    return section("rule", "Decision rule", bullets([*rules, *_margins(judged)]))


def _margins(judged: JudgedRun) -> Iterator[str]:
    """How far each worth is from the rated load, in its own doubt."""
    for worth in judged.worths:
        expanded = worth.expanded
        if worth.iout_a is None or expanded is None or expanded.expanded_u == 0.0:
            continue
        margin_a = worth.iout_a - judged.case.rated_a
        yield (
            f"Margin of the worth at {worth.ambient_c:g} °C and {worth.line_v:g} V to the rated "
            f"load: {margin_a:+.2f} A, {margin_a / expanded.expanded_u:+.1f} U."
        )
