"""How the run went: its procedure, when a reading counted as settled, the air, and odd events.

From the run record, and from what the story saw pass.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

from runner.report.page.markup import (
    NOTHING,
    Markup,
    bullets,
    element,
    facts,
    paragraph,
    section,
    subheading,
    table,
    text,
)
from runner.report.story import NoteTold, SoakTold
from runner.report.tables import Tables

MOST_NOTES = 200
SETTLING = (
    "Electrical: line, output and both currents have no trend beyond 0.05 to 0.2 % of the value "
    "(at least 2 to 5 mV or mA) in the later half of the readings; the trend's own 95 % interval "
    "counts. A reading that did not come to rest is flagged UNSETTLED. A point is the mean of the "
    "readings stated."
)


def procedure(tables: Tables) -> Markup:
    """The sequence with its parameters, and the times."""
    run, story = tables.record.run, tables.story
    shas = run.get("inputs_sha256") or {}
    parameters = [
        (str(name), _value(value)) for name, value in (run.get("parameters") or {}).items()
    ]
    pairs = [
        ("sequence", str(run.get("sequence", ""))),
        ("SHA-256 of its file", str(shas.get("sequence", ""))),
        ("started", story.started_utc),
        ("last record", f"{story.ended_utc}, {story.last_t_s:.0f} s on the run's clock"),
        ("operator", "not in the journal"),
        ("steps", ", ".join(f"{count} {name}" for name, count in sorted(story.steps.items()))),
        ("samples", str(tables.record.samples)),
        ("versions", ", ".join(f"{n} {v}" for n, v in (run.get("versions") or {}).items())),
    ]
    shown = Markup(subheading("Parameters") + facts(parameters)) if parameters else NOTHING
    return section("procedure", "Procedure", facts(pairs), shown, _settling(tables))


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (list, tuple)):
        return ", ".join(_value(one) for one in value) or "left out"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _settling(tables: Tables) -> Markup:
    story = tables.story
    count = f"{story.steps['Settle']} electrical settles, {story.unsettled} did not come to rest."
    rows = [_soak(soak) for soak in story.soaks]
    header = ("line V", "load A", "rule", "settled", "took min", "moved K", "end K")
    soaks = table(header, rows, words=(2, 3), caption="Soaks") if rows else paragraph("No soak.")
    return Markup(
        subheading("When a reading counts as settled")
        + paragraph(SETTLING)
        + paragraph(count)
        + soaks
    )


def _soak(soak: SoakTold) -> tuple[str, ...]:
    args, values = soak.args, soak.values
    rule = args.get("rule", "trend")
    quantity = str(args.get("quantity", "")).removesuffix("_temp_c").replace("_", " ")
    if rule == "trend":
        rule = f"under {args.get('within_k')} K in {args.get('over_s', 0.0) / 60.0:g} min"
    ended = "yes" if values["settled"] else "NO, too hot" if values.get("stopped") else "NO"
    change_k = values.get("change_k")
    if values.get("end_rise_k") is not None:
        ended = "no, its end was predicted"
    return (
        f"{soak.line_set_v:g}",
        f"{soak.iout_set_a:g}",
        f"{quantity} rise: {rule}",
        ended,
        f"{values['elapsed_s'] / 60.0:.1f}",
        "" if change_k is None else f"{change_k:.2f}",
        _end(values),
    )


def _end(values: Mapping[str, Any]) -> str:
    """Where the rise ends: predicted with U (95 %), or about so by three readings."""
    if (rise_k := values.get("end_rise_k")) is not None:
        return f"{rise_k:.1f} ± {2.0 * values['end_u_k']:.1f}"
    left_k = values.get("left_k")
    return "" if left_k is None else f"about {left_k:+.1f} from here"


def ambient(tables: Tables) -> Markup:
    """The air: over the run, and at the soaks."""
    air = tables.story.air
    if not air.samples:
        return section("air", "The air", paragraph("No ambient thermometer.", class_="warn"))
    soaked = [
        f"{one.point.ambient_temp_c:.1f} °C at point {one.number}"
        for one in tables.record.points
        if one.point.kind == "soaked" and one.point.ambient_temp_c is not None
    ]
    return section(
        "air",
        "The air",
        facts(
            [
                ("first, last", f"{air.first_c:.1f} °C, {air.last_c:.1f} °C"),
                ("least, greatest", f"{air.least_c:.1f} °C, {air.most_c:.1f} °C"),
                ("at the soaks", ", ".join(soaked)),
                ("samples", str(air.samples)),
                ("humidity", "not in the journal"),
            ]
        ),
    )


# -------------------------------------------------------------------------------- events


def events(tables: Tables) -> Markup:
    """Trips, flags, the way out, and every remark."""
    parts = [
        *_trips(tables),
        *_interruptions(tables),
        *_flags(tables),
        *_ways_out(tables),
        _notes(tables.story.notes),
    ]
    if not tables.record.trips:
        parts.insert(0, paragraph("No interlock tripped."))
    return section("events", "Anomalies and events", *parts)


def _trips(tables: Tables) -> Iterator[Markup]:
    for trip in tables.record.trips:
        yield paragraph(
            f"TRIP at {trip['utc']}: {trip['quantity']} {_figure(trip['value'])}, "
            f"limit {_figure(trip['limit'])}, from {trip['source']}",
            class_="bad",
        )


def _figure(value: float | str) -> str:
    return value if isinstance(value, str) else f"{value:g}"


def _interruptions(tables: Tables) -> Iterator[Markup]:
    for one in tables.record.resumed:
        yield paragraph(
            f"Resumed at {one['utc']}, after: {one['ended']}. What was done again "
            "from there was set aside; the journal keeps it.",
            class_="warn",
        )
    for one in tables.record.taken_again:
        yield paragraph(f"At {one['utc']} readings were taken again: {one['why']}.", class_="warn")


def _flags(tables: Tables) -> Iterator[Markup]:
    points = [numbered.point for numbered in tables.record.points]
    counts = Counter(flag for point in points for flag in point.flags)
    flagged = sum(bool(point.flags) for point in points)
    told = ", ".join(f"{count} {flag}" for flag, count in sorted(counts.items()))
    yield paragraph(f"{flagged} of {len(points)} points are flagged{': ' if told else ''}{told}.")


def _ways_out(tables: Tables) -> Iterator[Markup]:
    ways = tables.story.ways_out
    if not ways:
        yield paragraph(
            "The journal tells of no way out: whether the outputs went off is unknown.",
            class_="bad",
        )
    for way in ways:
        kind = "Emergency" if way.get("emergency") else "Ordinary"
        if way.get("confirmed"):
            yield paragraph(f"{kind} way out: both outputs were confirmed off.")
        else:
            unsure = ", ".join(str(one) for one in way.get("unconfirmed") or ()) or "outputs"
            yield paragraph(f"{kind} way out: NOT confirmed off: {unsure}.", class_="bad")


def _notes(notes: list[NoteTold]) -> Markup:
    if not notes:
        return NOTHING
    shown = bullets(f"{note.utc}  {note.text}" for note in notes[:MOST_NOTES])
    more = len(notes) - MOST_NOTES
    rest = paragraph(f"and {more} more in the journal") if more > 0 else NOTHING
    summary = element("summary", text(f"{len(notes)} remarks"))
    return element("details", summary, shown, rest, open="open")
