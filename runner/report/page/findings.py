"""What the sequence found: limits and times, each with its bracket and its uncertainty.

The table of findings.csv as people read it; nothing where a sequence tells no result.
"""

from __future__ import annotations

from runner.report.findings import HEADER, short_rows
from runner.report.page.markup import NOTHING, Markup, paragraph, section, table
from runner.report.tables import Tables


def findings(tables: Tables) -> Markup:
    """Every result of the sequence."""
    if not tables.findings:
        return NOTHING
    told = paragraph(
        "± is the expanded uncertainty for 95 % coverage, from the instrument at that value and "
        "from the bracket, the last that held and the first that did not, taken as rectangular. "
        "findings.csv has all digits.",
        class_="quiet",
    )
    return section(
        "findings", "What was found", told, table(HEADER, short_rows(tables.findings), words=(0, 6))
    )
