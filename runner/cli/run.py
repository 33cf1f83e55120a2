"""Run a sequence on a bench; all is checked and walked on paper before anything is energised.

Each run gets a folder of its own with the journal, copies of its inputs and the tables.
A sequence has options of its own: `ampworth run SEQUENCE --help` lists them.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from runner.attention import Attention
from runner.cli import streams
from runner.cli.main import Parser
from runner.cli.screen import screen
from runner.cli.sequence_options import chosen, declare, declare_its_own
from runner.errors import AmpworthError

EXAMPLES = """examples:
  ampworth run load_sweep                                   demo module, simulated bench
  ampworth run load_sweep --lines-v 24 --points 9 --spacing log
  ampworth run derating --ambients-c 25,40,60 --bench mast_bench.toml --module mast_module.toml
  ampworth run my_sequence.py --out runs/first --json"""


def configure(parser: Parser, arguments: list[str]) -> None:
    """Declare the options, those of the sequence named first in `arguments` included."""
    declare(parser)
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="the run folder (./runs/...)")
    parser.add_argument(
        "--unattended", action="store_true", help="ask nobody: refuse a bench worked by hand"
    )
    declare_its_own(parser, arguments)


def run(options: argparse.Namespace) -> int:
    """Check, run, write the tables, show the result."""
    sequence, values = chosen(options, "ampworth run")

    # Imported here: they load numpy, pydantic and VISA, which `--help` does not need.
    from runner.cli.result import show
    from runner.cli.terminal import Terminal, absence
    from runner.hand.person import check_attended
    from runner.report.page import write_report
    from runner.run import execute, prepare

    attention = Attention()
    with attention.listening():
        job = prepare(sequence, values, options.bench, options.module, attention)
        check_attended(job.setup.bench, job.bench_path, absence(options.unattended))
        person = Terminal() if job.by_hand else None
        for warning in job.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        with screen(job) as display:
            done = execute(job, options.out, attention, display, person)
        code = done.ending.exit_code
        if code:  # said first: what follows may fail on the same full disk
            print(f"ampworth: {done.ending.name}: {done.ending.message}", file=sys.stderr)
        try:
            tables = write_report(done.folder)
        except AmpworthError as error:
            if not code:
                raise
            print(f"ampworth: {error}", file=sys.stderr)
            return code
    with streams.result():
        show(done.folder, tables, as_json=options.json)
    return code
