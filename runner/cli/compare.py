"""Compare runs: differences of efficiency, loss, output, heat and worth, and whether they are any.

The first run is compared with each other one at the same lines and loads. What both read with
one and the same box on one range cancels in the difference; two boxes share nothing. Nothing is
written into the run folders.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.report.comparison import Compared

EXAMPLES = """examples:
  ampworth compare runs/bare runs/schottky
  ampworth compare runs/unit1 runs/unit2 runs/unit3 --out lots/june
  ampworth compare runs/at25 runs/at60 --json

* marks a load at which one run was interpolated, ~ a worth that is extrapolated in one run.
U ratio: U(b - a) as a part of U(a); /U: the difference over U(b - a), above 1 it is one."""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("runs", type=Path, nargs="+", metavar="RUN", help="two or more run folders")
    parser.add_argument(
        "--out", type=Path, default=Path(), metavar="FOLDER", help="for the files (this folder)"
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Compare, write the files, show the result."""
    compare_and_show(options.runs, options.out, as_json=options.json)
    return 0


def compare_and_show(runs: list[Path], out: Path, *, as_json: bool) -> None:
    """Compare the first run with the others, write the files into `out`, print. Raises BadInput."""
    from runner.cli import streams
    from runner.report.comparison import compare
    from runner.report.comparison_files import write_comparison

    compared = compare(runs)
    written = write_comparison(compared, out)
    with streams.result():
        if as_json:
            _print_json(compared, written)
            return
        for one in compared:
            _print(one)
        for path in written.values():
            print(path)


def _print(compared: Compared) -> None:
    from runner.cli.result import print_table
    from runner.report.comparison_files import short_tables
    from runner.report.conditions import differing, shared_errors

    print(f"a  {compared.a.label}  {_what(compared.a.record.module)}")
    print(f"b  {compared.b.label}  {_what(compared.b.record.module)}")
    different = differing(compared)
    print("differs:" if different else "differs: nothing that the journals tell")
    for condition in different:
        print(f"  {condition.name}: {condition.a} | {condition.b}")
    print("errors:")
    for said in _grouped(shared_errors(compared)):
        print(f"  {said}")
    print()
    for table in short_tables(compared):
        print_table(table)


def _what(module: Any) -> str:
    protection = (module.get("protection") or {}).get("kind", "none")
    return f"{module['name']}, {module.get('unit') or 'no unit named'}, protection {protection}"


def _grouped(said: list[tuple[str, str]]) -> list[str]:
    """One line a statement, with the quantities it holds for."""
    by_text: dict[str, list[str]] = {}
    for quantity, text in said:
        by_text.setdefault(text, []).append(quantity)
    return [f"{', '.join(names)}: {text}" for text, names in by_text.items()]


def _print_json(compared: tuple[Compared, ...], written: dict[str, Path]) -> None:
    import json

    from runner.report.columns import COMPARISON
    from runner.report.comparison_files import comparison_rows
    from runner.report.conditions import differing, shared_errors

    names = [column.name for column in COMPARISON]
    result = {
        "written": {name: str(path) for name, path in written.items()},
        "comparisons": [
            {
                "run_a": one.a.label,
                "run_b": one.b.label,
                "differing": [{"name": d.name, "a": d.a, "b": d.b} for d in differing(one)],
                "errors": dict(shared_errors(one)),
                "rows": [dict(zip(names, row, strict=True)) for row in comparison_rows([one])],
            }
            for one in compared
        ],
    }
    print(json.dumps(result, indent=2, ensure_ascii=False))
