"""Shows a run's result: tables on a terminal, or one JSON object for a script.

Called by the `run`, `resume` and `report` commands.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.cli import streams
from runner.errors import AmpworthError
from runner.report.summary import ShortTable, Summary, summarise
from runner.report.tables import Tables

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from runner.run import Run

WIDTH_IN_A_FILE = 120


def finish(done: Run, *, as_json: bool) -> int:
    """Say how a run ended, write its tables and its page, show the result; the exit code."""
    from runner.report.page import write_report

    code = done.ending.exit_code
    if code:  # said first: what follows may fail on the same full disk
        print(f"ampworth: {done.ending.name}: {done.ending.message}", file=sys.stderr)
    try:
        tables = write_report(done.folder)
        with streams.result():
            show(done.folder, tables, as_json=as_json)
    except AmpworthError as error:
        if not code:
            raise
        print(f"ampworth: {error}", file=sys.stderr)
    return code


def show(folder: Path, tables: Tables, *, as_json: bool) -> None:
    """Print the summary and where the files are."""
    summary = summarise(tables)
    if as_json:
        print(json.dumps(_as_json(folder, tables, summary), indent=2, ensure_ascii=False))
        return
    _print_tables(summary)
    print(f"\nrun folder  {near(folder)}")
    for path in tables.written.values():
        print(f"            {near(path)}")


def near(path: Path) -> Path:
    """The path as seen from the working folder, if it lies below it."""
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path


def _as_json(folder: Path, tables: Tables, summary: Summary) -> dict[str, Any]:
    end = tables.record.end or {}
    return {
        "run": str(folder),
        "ending": end.get("ending"),
        "message": end.get("message"),
        "exit_code": end.get("exit_code"),
        "points": len(tables.record.points),
        "samples": tables.record.samples,
        "written": {name: str(path) for name, path in tables.written.items()},
        "left_out": dict(tables.left_out),
        "facts": dict(summary.facts),
        "tables": [
            {"title": table.title, "header": table.header, "rows": table.rows}
            for table in summary.tables
        ],
    }


def _print_tables(summary: Summary) -> None:
    console = _console()
    width = max(len(name) for name, _ in summary.facts)
    for name, text in summary.facts:
        console.print(f"{name:<{width}}  {text}", soft_wrap=True, markup=False)
    for table in summary.tables:
        print_table(table)


def print_table(table: ShortTable) -> None:
    """Print one short table, whole however narrow the terminal is."""
    from rich.box import SIMPLE_HEAD
    from rich.markup import escape
    from rich.table import Table

    shown = Table(title=table.title, title_justify="left", box=SIMPLE_HEAD, title_style="bold")
    for column in table.header:
        shown.add_column(column, justify="right")
    for row in table.rows:
        shown.add_row(*map(escape, row))  # a [table] of a file is no markup
    console = _console()
    console.width = max(console.width, _whole_width(console, shown))
    console.print(shown)


def _console() -> Console:
    """Where tables go: as wide as the terminal, or as a file is read best."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = WIDTH_IN_A_FILE
    return console


def _whole_width(console: Console, shown: Table) -> int:
    """What a table needs to keep its digits: a narrow terminal wraps lines, it cuts no number."""
    unbounded = console.options.update(max_width=10_000)
    return console.measure(shown, options=unbounded).maximum
