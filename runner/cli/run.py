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
from runner.errors import BadInput
from runner.sequence import Parameter, Sequence, load, shipped

EXAMPLES = """examples:
  ampworth run load_sweep                                   demo module, simulated bench
  ampworth run load_sweep --lines-v 24 --points 9 --spacing log
  ampworth run derating --ambients-c 25,40,60 --bench mast_bench.toml --module mast_module.toml
  ampworth run my_sequence.py --out runs/first --json"""


def configure(parser: Parser, arguments: list[str]) -> None:
    """Declare the options, those of the sequence named first in `arguments` included."""
    names = ", ".join(sorted(shipped()))
    parser.add_argument("sequence", help=f"one that ships ({names}) or a Python file")
    parser.add_argument("--bench", default="demo", metavar="FILE", help="bench file (demo)")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument("--out", type=Path, metavar="FOLDER", help="the run folder (./runs/...)")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")
    parser.add_argument(
        "--unattended", action="store_true", help="ask nobody: refuse a bench worked by hand"
    )
    named = _named(parser, arguments)
    if named is not None:
        sequence = load(named)
        parser.set_defaults(loaded=sequence)
        parser.description = f"{sequence.name}: {sequence.description}"
        group = parser.add_argument_group(f"options of {sequence.name}")
        for parameter in sequence.parameters:
            _check_name(parser, sequence, parameter)
            _add_option(group, parameter)


def _named(parser: Parser, arguments: list[str]) -> str | None:
    """The sequence on a command line: the first word that is no option of ours and no value."""
    words = iter(arguments)
    for word in words:
        if not word.startswith("-"):
            return word
        flag, equals, _ = word.partition("=")
        ours = [action for action in parser._actions if flag in action.option_strings]
        if not ours:
            raise BadInput(
                f"ampworth run: {flag!r} is not known here; the options of a sequence come after "
                "its name, as in `ampworth run load_sweep --points 9`"
            )
        if ours[0].nargs is None and not equals:
            next(words, None)
    return None


def _check_name(parser: Parser, sequence: Sequence, parameter: Parameter) -> None:
    """Refuse a parameter that would be mistaken for an option of the command itself."""
    taken = {action.dest for action in parser._actions} | {"loaded"}
    if parameter.name in taken:
        raise BadInput(
            f"{sequence.path}: parameter {parameter.name!r}: `ampworth run` has an option of that "
            "name; give it another one"
        )


def _add_option(group: argparse._ArgumentGroup, parameter: Parameter) -> None:
    option = parameter.option
    unit = f" [{option.unit}]" if option.unit else ""
    choices = f", one of {' '.join(option.choices)}" if option.choices else ""
    default = f" (default {_shown(parameter.default)})" if parameter.default != () else ""
    kind = "YES|NO" if parameter.kind is bool else parameter.kind.__name__.upper()
    group.add_argument(
        parameter.flag,
        metavar=f"{kind},..." if parameter.many else kind,
        default=argparse.SUPPRESS,
        help=f"{option.help}{choices}{unit}{default}".replace("%", "%%"),
    )


def _shown(default: object) -> str:
    if isinstance(default, bool):
        return "yes" if default else "no"
    if isinstance(default, tuple):
        return ",".join(f"{value:g}" for value in default)
    return str(default)


def run(options: argparse.Namespace) -> int:
    """Check, run, write the tables, show the result."""
    if not hasattr(options, "loaded"):
        raise BadInput("ampworth run: the sequence comes first, as in `ampworth run load_sweep`")
    sequence: Sequence = options.loaded
    given = vars(options)
    values = sequence.values(
        {p.name: given[p.name] for p in sequence.parameters if p.name in given}
    )

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
        tables = write_report(done.folder)
    with streams.result():
        show(done.folder, tables, as_json=options.json)
    if done.ending.exit_code:
        print(f"ampworth: {done.ending.name}: {done.ending.message}", file=sys.stderr)
    return done.ending.exit_code
