"""Learn a module from its runs and write it as a module file for the simulator.

Loss, output, current limit and heat are taken from the journals, each with its uncertainty, so
that the next sequence can be rehearsed on this very module. What no run could tell is assumed,
and listed so.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.report.learned_twin import LearnedTwin
    from runner.report.twin_keys import TwinKey

EXAMPLES = """examples:
  ampworth fit-twin runs/first --out mast_twin.toml
  ampworth fit-twin runs/sweep runs/derating runs/limit --out mast_twin.toml
  ampworth rehearse derating --module mast_twin.toml"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument(
        "runs", type=Path, nargs="+", metavar="RUN", help="one or more run folders of one module"
    )
    parser.add_argument(
        "--out", type=Path, required=True, metavar="FILE", help="the module file to write"
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Learn, write the file, show what was learned."""
    from runner.cli import streams
    from runner.files.module_file import load_module_file
    from runner.report.learned_twin import learn
    from runner.report.twin_file import write_twin
    from runner.report.twin_keys import twin_keys

    learned = learn(options.runs)
    keys = twin_keys(learned)
    path = write_twin(learned, keys, options.out)
    load_module_file(path)  # what was written must be readable
    with streams.result():
        if options.json:
            print(json.dumps(_as_json(learned, keys, path), indent=2, ensure_ascii=False))
        else:
            _show(learned, keys, path)
    return 0


def _show(learned: LearnedTwin, keys: list[TwinKey], path: Path) -> None:
    from runner.cli.result import print_table
    from runner.report.summary import ShortTable
    from runner.report.twin_keys import loss_at_nothing, loss_at_rated

    module = learned.module
    print(f"{module['name']}, {module['unit']}")
    rated, nothing = loss_at_rated(learned), loss_at_nothing(learned)
    at = f"{module['line_nominal_v']:g} V"
    print(
        f"loss at {at}, {module['iout_rated_a']:g} A, 25 °C   {rated.value:.4g} W, "
        f"u {rated.u:.2g} W; without a load {nothing.value:.3g} W, u {nothing.u:.2g} W"
    )
    loss = learned.loss
    print(f"residuals of the loss   {1e3 * loss.residual_w:.2g} mW rms over {loss.points} points")
    print(f"residuals of the output   {1e3 * learned.output.residual_v:.2g} mV rms")
    if learned.heat is not None:
        print(f"residuals of the temperatures   {learned.heat.residual_k:.2g} K rms")
    rows = tuple(_row(one) for one in keys)
    header = ("key of [twin]", "value", "u", "unit", "", "")
    print_table(ShortTable("The twin (u: standard uncertainty, k = 1)", header, rows))
    print(path)


def _row(one: TwinKey) -> tuple[str, ...]:
    value = one.value if isinstance(one.value, str) else f"{one.value:.5g}"
    u = "" if one.u is None else f"{one.u:.2g}"
    return (one.key, value, u, one.unit, one.basis, one.note)


def _as_json(learned: LearnedTwin, keys: list[TwinKey], path: Path) -> dict[str, Any]:
    from dataclasses import asdict

    from runner.report.twin_keys import loss_at_nothing, loss_at_rated

    rated, nothing = loss_at_rated(learned), loss_at_nothing(learned)
    return {
        "written": str(path),
        "runs": [run.record.run["run_id"] for run in learned.runs],
        "points": learned.loss.points,
        "loss_at_rated_w": {"value": rated.value, "u": rated.u},
        "loss_without_load_w": {"value": nothing.value, "u": nothing.u},
        "residual_loss_w": learned.loss.residual_w,
        "residual_vout_v": learned.output.residual_v,
        "residual_temp_k": learned.heat.residual_k if learned.heat else None,
        "keys": [asdict(one) for one in keys],
    }
