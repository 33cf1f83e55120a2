"""Switch a bench off from outside a run: supply, load and chamber, read back until dead.

Run it after a crash or a power cut, or whenever it is not known what is on. It does not
ask, and says exactly which output could not be confirmed off.
"""

from __future__ import annotations

import argparse
import json
import sys
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.safe import Way

EXAMPLES = """examples:
  ampworth make-safe mast_bench.toml"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("bench", help="a bench file, or demo")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Make the bench safe; exit code 6 if an output could not be confirmed off."""
    from contextlib import closing

    from runner.cli import streams
    from runner.errors import NotSafe
    from runner.files.pair import load_pair
    from runner.make_safe import make_safe
    from runner.seam import open_seam

    pair = load_pair(options.bench, options.module)
    with closing(open_seam(*pair)) as seam:
        way = make_safe(seam, pair.bench)
    with streams.result():
        _show(way, as_json=options.json)
    if way.confirmed:
        return 0
    print(f"ampworth: {way.instructions()}", file=sys.stderr)
    return NotSafe.exit_code


def _show(way: Way, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(way.as_record(), indent=2))
        return
    for attempt in way.attempts:
        print(f"  {'done  ' if attempt.done else 'FAILED'}  {attempt.action}  {attempt.detail}")
    if way.confirmed:
        print("every output is off")
