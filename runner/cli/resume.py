"""Go on with a run that was cut: by a crash, a power cut, a full disk, or somebody's stop.

The run's inputs and its bench must be the same. The bench is made safe first; then line, load,
air and heat are brought back, steps that have an outcome are not done again, and the journal
goes on. It energises the bench: nothing resumes by itself.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

EXAMPLES = """examples:
  ampworth resume runs/first
  ampworth resume runs/first --after-trip            when the cause of the trip is mended"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, metavar="RUN", help="the run folder")
    parser.add_argument(
        "--after-trip", action="store_true", help="go on though an interlock ended the run"
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def run(options: argparse.Namespace) -> int:
    """Check, make safe, go on, write the tables, show the result."""
    from runner.attention import Attention
    from runner.cli.result import finish
    from runner.cli.screen import screen
    from runner.cli.terminal import absence, terminal_at
    from runner.cli.told import tell_the_ending
    from runner.hand.person import check_asked
    from runner.live.follow import folder_of_run
    from runner.resume import prepare_again, resume

    attention = Attention()
    with attention.listening():
        folder = folder_of_run(options.run).absolute()
        again = prepare_again(folder, attention, after_trip=options.after_trip)
        check_asked(again.job.plan.asks, again.job.sequence.name, absence(unattended=False))
        person = terminal_at(again.job.setup.bench) if again.job.asks else None
        for warning in again.job.warnings:
            print(f"warning: {warning}", file=sys.stderr)
        with screen(again.job) as display:
            done = resume(again, attention, display, person)
        tell_the_ending(again.job, done)
        return finish(done, as_json=options.json)
