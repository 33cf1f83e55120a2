"""What lets a reader check the page: checksums, the meaning of columns, how to make it again.

Hashes the files of the run folder that the page was made with; all else is text.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

from runner.errors import StorageError
from runner.journal import FILE_NAME
from runner.report.columns import BUDGET, DERATING, EFFICIENCY, FINDINGS, READINGS
from runner.report.page.markup import (
    Markup,
    bullets,
    element,
    joined,
    paragraph,
    section,
    subheading,
    table,
    text,
)
from runner.report.tables import Tables

CHUNK = 1 << 20
COLUMNS = {
    "findings.csv": FINDINGS,
    "efficiency.csv": EFFICIENCY,
    "derating.csv": DERATING,
    "budget.csv": BUDGET,
    "readings.csv": READINGS,
}
CAUTIONS = (
    "Parts measured here get hot enough to burn; capacitors can vent: wear eye protection.",
    "A battery delivers hundreds of amperes: a fuse at its terminal, always.",
    "Isolate the module from the vehicle while testing; nothing flammable near the bench.",
    "ampworth is no safety system; follow local codes, and have licensed people do work that needs "
    "them.",
)


def evidence(tables: Tables, folder: Path) -> Markup:
    """Checksums of the raw files and of what was made from them."""
    files = [
        folder / FILE_NAME,
        *(path for path in tables.written.values() if path.suffix == ".csv"),
    ]
    rows = [(path.name, sha256(path)) for path in files]
    inputs = tables.record.run.get("inputs_sha256") or {}
    rows += [(f"{name}, as the run read it", str(sha)) for name, sha in inputs.items()]
    cells = [
        element("div", element("dt", text(name)), element("dd", text(sha), class_="hash"))
        for name, sha in rows
    ]
    left_out = [f"no {name}: {why}" for name, why in tables.left_out.items()]
    return section(
        "evidence",
        "Files and checksums (SHA-256)",
        element("dl", *cells),
        bullets(left_out),
        paragraph(
            f"Every figure comes from {FILE_NAME}, whose {tables.story.records} records are "
            "chained by checksums. `ampworth report RUN` makes tables and page again, byte for "
            "byte; `ampworth run` with the files in inputs/ repeats the measurement. To "
            "recompute without any program: loss and efficiency follow from vin_v, iin_a, vout_v, "
            "iout_a of efficiency.csv, their uncertainties from budget.csv.",
        ),
    )


def sha256(path: Path) -> str:
    """The SHA-256 of a file. Raises StorageError when it cannot be read."""
    found = hashlib.sha256()
    try:
        with path.open("rb") as file:
            while chunk := file.read(CHUNK):
                found.update(chunk)
    except OSError as error:
        raise StorageError(f"{path}: cannot be read: {error.strerror}") from error
    return found.hexdigest()


def columns(tables: Tables) -> Markup:
    """What each column of the files means."""
    parts = [
        joined(
            [
                subheading(name),
                table(
                    ("column", "unit", "meaning"),
                    [(column.name, column.unit, column.meaning) for column in COLUMNS[name]],
                    words=(0, 1, 2),
                ),
            ]
        )
        for name in COLUMNS
        if name in tables.written
    ]
    summary = element("summary", text("Names, units and meanings"))
    return section(
        "columns", "Columns of the files", element("details", summary, *parts, open="open")
    )


def cautions() -> Markup:
    """What nobody should forget."""
    return section("cautions", "Cautions", bullets(CAUTIONS))
