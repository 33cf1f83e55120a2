"""Predict what a Schottky diode, a P-channel transistor or a fuse with clamp in front would cost.

Drop, watts, efficiency, lost low-line headroom and heat, at each line and load, from a run of the
bare module, or from an efficiency that is stated. Beside what was measured with --measured. Nothing
is switched, and nothing is written into the run folders.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from runner.errors import BadInput

if TYPE_CHECKING:
    from runner.report.protection import Asked, Basis, Front, Price

EXAMPLES = """examples:
  ampworth protect                                    the demo module, 86 % stated, three parts
  ampworth protect runs/bare --kind schottky --k-per-w 60 --ambient-c 60
  ampworth protect runs/bare --kind schottky --drop-v 0.45 --drop-at-a 3
  ampworth protect --module mast_module.toml --efficiency-pct 88 --kind p-channel \\
                   --set p_channel_ohm=0.012
  ampworth protect runs/bare --measured runs/schottky

A part's keys are those of [protection] in a module file. price: what the line gives more than
without the part; U for 95 %."""
WIDTH = 96
ASSUMED_PCT, ASSUMED_WITHIN = 86.0, 2.0
HEAT_WITHIN = 0.2
"""How far a thermal resistance to air may be off, as a share (common practice, no source)."""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, nargs="?", help="a run of the bare module")
    parser.add_argument("--module", metavar="FILE", help="without a run: module file (demo)")
    parser.add_argument(
        "--efficiency-pct", type=float, metavar="PCT", help="without a run: its efficiency (86)"
    )
    parser.add_argument(
        "--efficiency-within", type=float, metavar="POINTS", help="and how well it is known (2)"
    )
    parser.add_argument(
        "--kind",
        action="append",
        default=[],
        choices=("schottky", "p-channel", "fuse-and-clamp"),
        help="part; may be repeated (that of the module file, else all)",
    )
    parser.add_argument(
        "--set", action="append", default=[], metavar="KEY=VALUE", help="a key of the one --kind"
    )
    parser.add_argument("--drop-v", type=float, metavar="V", help="drop of the diode in its data")
    parser.add_argument("--drop-at-a", type=float, metavar="A", help="the current it is told for")
    parser.add_argument(
        "--tolerance-pct",
        type=float,
        metavar="PCT",
        help="how far the drop may be off (10, 30, 20)",
    )
    parser.add_argument("--lines-v", metavar="V,V", help="lines (all of the run or file)")
    parser.add_argument("--loads-a", metavar="A,A", help="loads (50 and 100 %% of rated)")
    parser.add_argument("--ambient-c", type=float, default=25.0, metavar="C", help="air (25)")
    parser.add_argument("--k-per-w", type=float, metavar="K/W", help="the part's heat to the air")
    parser.add_argument(
        "--part-max-c", type=float, default=125.0, metavar="C", help="what the part bears (125)"
    )
    parser.add_argument(
        "--holds-from-v",
        type=float,
        metavar="V",
        help="least line at which the module itself holds its output (line_min_v)",
    )
    parser.add_argument("--measured", type=Path, metavar="RUN", help="the run with the part fitted")
    parser.add_argument(
        "--out",
        type=Path,
        default=Path(),
        metavar="FOLDER",
        help="for protection.csv (this folder)",
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


@dataclass(frozen=True, slots=True)
class Result:
    """All that is shown."""

    basis: Basis
    fronts: list[Front]
    asked: Asked
    prices: list[Price]
    written: Path


def run(options: argparse.Namespace) -> int:
    """Predict, write the table, show it."""
    from runner.cli import streams
    from runner.cli.protect_options import fronts_asked
    from runner.report.protection_files import write_prices

    basis = _basis(options)
    asked = _asked(options, basis)
    fronts = fronts_asked(options, basis.module, asked)
    found = _prices(options, basis, fronts, asked)
    result = Result(basis, fronts, asked, found, write_prices(found, asked, options.out))
    with streams.result():
        if options.json:
            print(json.dumps(_as_json(result), indent=2, ensure_ascii=False))
        else:
            _show(result)
    return 0


def _prices(
    options: argparse.Namespace, basis: Basis, fronts: list[Front], asked: Asked
) -> list[Price]:
    from runner.report.bare_run import OwnRun
    from runner.report.protection import beside, prices

    if options.measured is not None and isinstance(basis, OwnRun):
        return beside(options.run, options.measured, basis, fronts[0], asked)
    return prices(basis, fronts, asked)


# ------------------------------------------------------------------------------- options


def _basis(options: argparse.Namespace) -> Basis:
    """The module's own run, or what is stated of it."""
    from runner.cli.protect_options import within
    from runner.files.module_file import load_module_file
    from runner.report.bare_run import own_run
    from runner.report.protection import Stated

    if options.run is not None:
        for name in ("module", "efficiency_pct", "efficiency_within"):
            if getattr(options, name) is not None:
                flag = "--" + name.replace("_", "-")
                raise BadInput(f"{flag}: goes without a run; {options.run} tells it")
        return own_run(options.run)
    if options.measured is not None:
        raise BadInput("--measured: needs the run of the bare module as well; name it first")
    pct = within(options, "efficiency_pct", 1.0, 99.9, "%", ASSUMED_PCT)
    points = within(options, "efficiency_within", 0.0, 50.0, "points", ASSUMED_WITHIN)
    module = load_module_file(options.module or "demo").model_dump(mode="json")
    return Stated(module, pct / 100.0, points / 100.0)


def _asked(options: argparse.Namespace, basis: Basis) -> Asked:
    from runner.analysis.protection_cost import Place
    from runner.cli.protect_options import numbers, within
    from runner.report.protection import Asked

    module, rated_a = basis.module, float(basis.module["iout_rated_a"])
    k_per_w = within(options, "k_per_w", 0.0, 10_000.0, "K/W", 0.0)
    return Asked(
        lines_v=numbers(options, "lines_v", basis.lines_v),
        loads_a=numbers(options, "loads_a", (0.5 * rated_a, rated_a)),
        place=Place(within(options, "ambient_c", -50.0, 300.0, "°C", 25.0), k_per_w),
        heat_tolerance=HEAT_WITHIN,
        holds_from_v=within(options, "holds_from_v", 0.1, 2000.0, "V", float(module["line_min_v"])),
        part_max_temp_c=within(options, "part_max_c", 0.0, 400.0, "°C", 125.0),
    )


# ------------------------------------------------------------------------------- showing


def _show(result: Result) -> None:
    from runner.cli.result import print_table
    from runner.report.protection_files import measured_table, short_table, words_of

    asked = result.asked
    heat = f"{asked.place.k_per_w:g} K/W" if asked.place.k_per_w else "its own heat not known"
    print(f"{result.basis.module['name']}, {result.basis.words}")
    print(f"parts in {asked.place.ambient_temp_c:g} °C, {heat}")
    print()
    for front in result.fronts:
        for table in (
            short_table(front, result.prices, asked),
            measured_table(front, result.prices),
        ):
            if table.rows:
                print_table(table)
        for words in words_of(result.prices, front, asked):
            print(fill(words, WIDTH, initial_indent="- ", subsequent_indent="  "))
        print()
    print(result.written)


def _as_json(result: Result) -> dict[str, Any]:
    from runner.report.columns import PROTECTION
    from runner.report.protection_files import price_rows, words_of

    names = [column.name for column in PROTECTION]
    prices, asked = result.prices, result.asked
    return {
        "module": result.basis.module["name"],
        "basis": result.basis.words,
        "parts": [
            {"part": front.kind, "keys": front.told, "notes": words_of(prices, front, asked)}
            for front in result.fronts
        ],
        "rows": [dict(zip(names, row, strict=True)) for row in price_rows(prices, asked)],
        "written": str(result.written),
    }
