"""Run a sequence on the twin first: how long, how near to every rating, what would trip.

The boxes of the bench file, simulated, with the module's [twin]: whatever `visa` says, nothing
real is opened, and nothing is written but a temporary folder. Exit code 0: it ended well within
every rating; 3: an interlock would trip or a rating be passed; else what `run` would give.
"""

from __future__ import annotations

import argparse
import sys

from runner.cli import streams
from runner.cli.main import Parser
from runner.cli.sequence_options import chosen, declare, declare_its_own

EXAMPLES = """examples:
  ampworth rehearse load_sweep                              demo module, demo bench
  ampworth rehearse load_sweep --bench mast_bench.toml --module mast_module.toml --points 9
  ampworth rehearse derating --ambients-c 25,40,60 --json
  ampworth rehearse my_sequence.py && ampworth run my_sequence.py"""


def configure(parser: Parser, arguments: list[str]) -> None:
    """Declare the options, those of the sequence named first in `arguments` included."""
    declare(parser)
    declare_its_own(parser, arguments)


def run(options: argparse.Namespace) -> int:
    """Check as `run` does, rehearse, tell."""
    sequence, values = chosen(options, "ampworth rehearse")

    # Imported here: they load numpy, pydantic and VISA, which `--help` does not need.
    from runner.attention import Attention
    from runner.cli.rehearsed import show, verdict
    from runner.cli.screen import screen
    from runner.rehearsal import rehearse, stage
    from runner.run import prepare

    attention = Attention()
    with attention.listening():
        job = stage(prepare(sequence, values, options.bench, options.module, attention))
        for warning in job.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        with screen(job) as display:
            told = rehearse(job, attention, display)
    with streams.result():
        title = f"{sequence.name}: {job.setup.module.name} on the {job.setup.bench.name}"
        show(title, told, as_json=options.json)
    if told.exit_code:
        print(f"ampworth: {verdict(told)}", file=sys.stderr)
    return told.exit_code
