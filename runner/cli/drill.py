"""Prove on the bench of today that it may be left alone; a person has to be there for it.

Limits read back, an interlock, Stop and the watchdog seen to drop the output, thermometers,
fuse, disk and time, and what only a person can see: tray, cover, smoke alarm, mains switch.
It energises the module at its least line, without load. `ampworth run --unattended` asks for
a drill that was passed within 24 h; the exit code is 0 only then.
"""

from __future__ import annotations

import argparse
import json
import sys
from dataclasses import asdict
from pathlib import Path

from runner.cli import streams
from runner.cli.main import Parser
from runner.errors import BadInput

EXAMPLES = """examples:
  ampworth drill mast_bench.toml --module mast_module.toml
  ampworth drill mast_bench.toml --module mast_module.toml --room-temp-c 21 \\
      --within-h 10 --for derating --ambients-c 25,40,60"""
FOR = "--for"


def configure(parser: Parser, arguments: list[str]) -> None:
    """Declare the options; those of the sequence come after `--for SEQUENCE`."""
    from runner.cli.sequence_options import declare_its_own

    parser.add_argument("bench", help="a bench file, or demo")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="its folder (./drills/...)")
    parser.add_argument(
        "--room-temp-c",
        type=float,
        metavar="C",
        help="what another thermometer reads; without it they are held against each other",
    )
    parser.add_argument(
        "--band-k", type=float, default=5.0, metavar="K", help="how far apart they may be (5)"
    )
    parser.add_argument(
        "--within-h", type=float, metavar="H", help="how long the bench may be left alone"
    )
    parser.add_argument(
        FOR,
        dest="planned",
        metavar="SEQUENCE ...",
        help="the run that is planned, with its options: is there disk and time for it?",
    )
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")
    if FOR in arguments:
        declare_its_own(parser, arguments[arguments.index(FOR) + 1 :])


def run(options: argparse.Namespace) -> int:
    """Ask, look, provoke; tell each part as it is done."""
    from runner.alone.drill import drill
    from runner.alone.parts import Planned
    from runner.attention import Attention
    from runner.cli.sequence_options import chosen
    from runner.cli.terminal import Terminal, absence
    from runner.hand.person import check_asked
    from runner.run import prepare

    nobody = absence(unattended=False)
    if nobody:
        raise BadInput(
            f"ampworth drill: it needs a person at a terminal, and {nobody}; nothing was "
            "energised. Do it by hand, before the bench is left alone"
        )
    _check(options)
    attention = Attention()
    with attention.listening():
        job = None
        if options.planned is not None:
            sequence, values = chosen(options, f"ampworth drill BENCH {FOR}")
            job = prepare(sequence, values, options.bench, options.module, attention)
            check_asked(job.plan.asks, sequence.name, "the bench is to be left alone")
        planned = Planned(job, options.within_h, options.room_temp_c, options.band_k)
        person = Terminal()
        done = drill(
            options.bench, options.module, options.out, person, planned, attention, person.say
        )
    with streams.result():
        if options.json:
            print(json.dumps(asdict(done), indent=2, default=str, ensure_ascii=False))
        else:
            print(f"{done.ending}: {done.message}\ndrill folder  {done.folder}")
    if done.exit_code:
        print(f"ampworth: {done.ending}: {done.message}", file=sys.stderr)
    return done.exit_code


def _check(options: argparse.Namespace) -> None:
    """Refuse numbers that cannot be. Raises BadInput."""
    bounds = {"room_temp_c": (-10.0, 50.0), "band_k": (0.1, 20.0), "within_h": (0.01, 1440.0)}
    for name, (least, most) in bounds.items():
        value = getattr(options, name)
        if value is not None and not least <= value <= most:
            flag = "--" + name.replace("_", "-")
            raise BadInput(f"{flag}: found {value!r}, allowed: {least:g} to {most:g}")
