"""Make the tables and the page of a run again from its journal, byte for byte."""

from __future__ import annotations

import argparse
from pathlib import Path

EXAMPLES = """examples:
  ampworth report runs/first
  ampworth report runs/first --json"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, help="a run folder")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Remake the tables and print the summary."""
    from runner.cli import streams
    from runner.cli.result import show
    from runner.report.page import write_report

    tables = write_report(options.run)
    with streams.result():
        show(options.run, tables, as_json=options.json)
    return 0
