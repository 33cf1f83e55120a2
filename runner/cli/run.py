"""Run a sequence on a bench; all is checked and walked on paper before anything is energised.

Each run gets a folder of its own with the journal, copies of its inputs and the tables.
A sequence has options of its own: `ampworth run SEQUENCE --help` lists them.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from runner.attention import Attention
from runner.cli.main import Parser
from runner.cli.screen import screen
from runner.cli.sequence_options import chosen, declare, declare_its_own
from runner.errors import BadInput

if TYPE_CHECKING:
    from runner.run import Job

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
        "--unattended",
        action="store_true",
        help="ask nobody: refuse a bench worked by hand, or without a passed drill of today",
    )
    parser.add_argument(
        "--drill", type=Path, metavar="FOLDER", help="the drill relied on (newest of ./drills)"
    )
    parser.add_argument(
        "--within-h", type=float, metavar="H", help="refuse what is planned for longer than this"
    )
    declare_its_own(parser, arguments)


def run(options: argparse.Namespace) -> int:
    """Check, run, write the tables, show the result."""
    sequence, values = chosen(options, "ampworth run")

    # Imported here: they load numpy, pydantic and VISA, which `--help` does not need.
    from runner.cli.result import finish
    from runner.cli.terminal import absence, terminal_at
    from runner.cli.told import tell_the_ending, told_if_not_begun
    from runner.hand.person import check_asked, check_attended
    from runner.run import execute, prepare

    attention = Attention()
    with attention.listening():
        with told_if_not_begun(options.unattended, options.bench, sequence.name):
            job = prepare(sequence, values, options.bench, options.module, attention)
            absent = absence(options.unattended)
            check_attended(job.setup.bench, job.bench_path, absent)
            check_asked(job.plan.asks, job.sequence.name, absent)
            job = _left_alone(job, options)
            person = terminal_at(job.setup.bench) if job.asks else None
            for warning in job.warnings:
                print(f"warning: {warning}", file=sys.stderr)
            with screen(job) as display:
                done = execute(job, options.out, attention, display, person)
        tell_the_ending(job, done)
        return finish(done, as_json=options.json)


def _left_alone(job: Job, options: argparse.Namespace) -> Job:
    """The job with the drill it relies on. Raises BadInput, StorageError."""
    from runner.alone.proof import Wanted, leave_alone
    from runner.seam import outlives

    if not options.unattended:
        if options.drill is not None or options.within_h is not None:
            raise BadInput("--drill and --within-h: they go with --unattended; add it")
        return job
    drill = leave_alone(
        Wanted(job.bench_path, job.module_path),
        options.out,
        job.plan.duration_s,
        given=options.drill,
        within_h=options.within_h,
        stays_on=outlives(job.setup.bench),
    )
    return replace(job, drill=drill)
