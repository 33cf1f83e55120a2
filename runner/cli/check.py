"""Open every box of a bench: identity, ratings, offsets at rest, and what cannot be found.

Switches outputs off and energises nothing.
"""

from __future__ import annotations

import argparse
import dataclasses
import json
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.check import Findings
    from runner.files.bench_file import BenchFile

EXAMPLES = """examples:
  ampworth check demo
  ampworth check mast_bench.toml --module mast_module.toml"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("bench", help="a bench file, or demo")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Check the files, open the boxes, show what was found."""
    from contextlib import ExitStack, closing

    from runner.check import check_bench
    from runner.errors import BenchError
    from runner.files.pair import load_pair
    from runner.lock import hold
    from runner.ratings import allowed, check
    from runner.seam import open_seam

    pair = load_pair(options.bench, options.module)
    warnings = check(pair.bench, pair.module, pair.bench_path, pair.module_path)
    with ExitStack() as stack:
        seam = stack.enter_context(closing(open_seam(*pair)))
        if seam.stays_on:  # a check switches outputs off, somebody's run may need them
            stack.enter_context(hold(pair.bench.resources, "check"))
        findings = check_bench(seam, pair.bench, allowed(pair.bench, pair.module).greatest())
    if options.json:
        print(json.dumps(dataclasses.asdict(findings) | {"warnings": warnings}, indent=2))
    else:
        _show(pair.bench, findings, warnings)
    return 0 if findings.is_complete else BenchError.exit_code


def _show(file: BenchFile, findings: Findings, warnings: tuple[str, ...]) -> None:
    print(f"{file.name}, visa {file.visa}")
    for box in findings.boxes:
        roles = ", ".join(box.roles) or "no role"
        print(f"  {box.name:<12} {roles:<10} {box.resource}")
        print(f"  {'':<12} {'MISSING: ' + box.problem if box.problem else box.identity}")
        for line in _ratings(file, box.name):
            print(f"  {'':<12} {line}")
    if findings.at_rest is not None:
        rest = findings.at_rest
        print("at rest, outputs off (offsets and noise of the readbacks):")
        print(
            f"  in  {rest.vin_v:+.4f} V {rest.iin_a:+.5f} A   voltage {findings.sources['vin_v']}"
        )
        source = findings.sources["vout_v"]
        if rest.vout_v is None or rest.iout_a is None:
            print("  out worked by hand: asked for in a run")
        else:
            print(f"  out {rest.vout_v:+.4f} V {rest.iout_a:+.5f} A   voltage {source}")
        capacitor = ("capacitor",) if file.roles.capacitor else ()
        for name in ("hot_spot", "case", "ambient", *capacitor):
            temp_c = getattr(rest, f"{name}_temp_c")
            missing = "read by eye in a run" if getattr(file.roles, name) else "no thermometer"
            print(f"  {name:<8} " + (f"{temp_c:.2f} °C" if temp_c is not None else missing))
    if findings.problem:
        print(f"PROBLEM: {findings.problem}")
    for warning in warnings:
        print(f"warning: {warning}")
    print("every box is there" if findings.is_complete else "the bench is NOT complete")


def _ratings(file: BenchFile, name: str) -> list[str]:
    """The ratings and ranges the bench file states for a box, one line each."""
    values = file.instruments[name].model_dump()
    units = {"rated_v": "V", "rated_a": "A", "rated_w": "W", "rated_temp_c": "°C"}
    rated = [f"{values[key]:g} {unit}" for key, unit in units.items() if values.get(key)]
    ranges = [f"{row['range_v']:g} V" for row in values.get("voltage_accuracy") or ()]
    ranges += [f"{row['range_a']:g} A" for row in values.get("current_accuracy") or ()]
    lines = [f"rated {', '.join(rated)}"] if rated else []
    return lines + ([f"ranges {', '.join(ranges)}"] if ranges else [])
