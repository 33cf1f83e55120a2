"""report.html: one page with everything that lets another engineer trust a run, and nothing else.

Made from the journal and the tables alone: no script, no outside resource, the same bytes each
time. One module a part of the page; `write_report` makes tables and page.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from runner.analysis.decision import Rule
from runner.report.files import replacing
from runner.report.judged_run import JudgedRun, judge_measured
from runner.report.page import (
    claims,
    course,
    curves,
    decision,
    evidence,
    findings,
    results,
    setup,
)
from runner.report.page.markup import Markup, element, joined, text
from runner.report.resolution import with_resolution
from runner.report.tables import Tables, write_tables

PAGE_FILE = "report.html"
STYLE = Path(__file__).with_name("page.css")


def write_report(run: Path) -> Tables:
    """Make the tables of a run folder and its page anew; raises what `write_tables` raises."""
    tables = write_tables(run)
    path = run / PAGE_FILE
    with replacing(path) as file:
        file.write(page(tables, run))
    return replace(tables, written=tables.written | {PAGE_FILE: path})


def page(tables: Tables, folder: Path) -> str:
    """The whole page as HTML."""
    module, run = tables.record.module, tables.record.run
    title = f"{module['name']}, {module.get('unit') or 'no unit named'}"
    measured = with_resolution(tables.measured, tables.story.digits.steps)
    judged = judge_measured(tables.record, measured, Rule())
    sections = [part for part in _sections(tables, judged, folder) if part]
    head = joined(
        [
            Markup('<meta charset="utf-8">'),
            Markup('<meta name="viewport" content="width=device-width, initial-scale=1">'),
            Markup('<meta name="color-scheme" content="light dark">'),
            element("title", text(f"{title}: ampworth report")),
            Markup(f"<style>\n{STYLE.read_text('utf-8')}</style>"),
        ],
        "\n",
    )
    top = element(
        "header",
        element("h1", text(title)),
        element(
            "p", text(f"Run {run['run_id']}, {run.get('sequence', '')}, {tables.story.started_utc}")
        ),
    )
    main = element("main", Markup("\n"), top, _contents(sections), *sections, _foot(tables))
    body = element("body", Markup("\n"), main, Markup("\n"))
    return f'<!doctype html>\n<html lang="en">\n<head>\n{head}\n</head>\n{body}\n</html>\n'


def _sections(tables: Tables, judged: JudgedRun, folder: Path) -> list[Markup]:
    """What a reader wants first comes first."""
    return [
        decision.decision(tables, judged),
        claims.claims(judged),
        findings.findings(tables),
        curves.curves(tables),
        results.derating(tables),
        results.averages(tables),
        results.budget(tables),
        setup.unit(tables),
        setup.bench(tables),
        setup.instruments(tables),
        course.procedure(tables),
        course.ambient(tables),
        course.events(tables),
        decision.not_tested(tables),
        decision.decision_rule(judged),
        results.points(tables),
        evidence.evidence(tables, folder),
        evidence.columns(tables),
        evidence.cautions(),
    ]


def _contents(sections: list[Markup]) -> Markup:
    """Links to the sections, by their ids and headings."""
    links = []
    for part in sections:
        anchor = part.partition('id="')[2].partition('"')[0]
        title = part.partition("<h2>")[2].partition("</h2>")[0]
        links.append(element("a", Markup(title), href=f"#{anchor}"))
    return Markup(element("nav", joined(links, " ")) + "\n")


def _foot(tables: Tables) -> Markup:
    version = (tables.record.run.get("versions") or {}).get("ampworth", "")
    said = f"Made by ampworth {version} from the journal of run {tables.record.run['run_id']}."
    return element("footer", text(said))
