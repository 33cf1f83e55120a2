"""The sequence on a command line: which one, its own options, and their values.

Shared by the commands that run one, `run` and `rehearse`: what the one takes, the other
takes. The options of a sequence come after its name.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from typing import Any

from runner.cli.main import Parser
from runner.errors import BadInput
from runner.sequence import Parameter, Sequence, load, shipped

TAKEN = {"loaded", "out", "unattended", "drill", "within_h"}
"""Names that no parameter of a sequence may have, whichever command meets it first."""


def declare(parser: Parser) -> None:
    """Declare the sequence, the files it runs with, and --json."""
    names = ", ".join(sorted(shipped()))
    parser.add_argument("sequence", help=f"one that ships ({names}) or a Python file")
    parser.add_argument("--bench", default="demo", metavar="FILE", help="bench file (demo)")
    parser.add_argument("--module", default="demo", metavar="FILE", help="module file (demo)")
    parser.add_argument("--json", action="store_true", help="the result as JSON on standard output")


def declare_its_own(parser: Parser, arguments: list[str]) -> None:
    """Declare the options of the sequence that `arguments` name; the command's own come first."""
    named = _named(parser, arguments)
    if named is None:
        return
    sequence = load(named)
    parser.set_defaults(loaded=sequence)
    parser.description = f"{sequence.name}: {sequence.description}"
    group = parser.add_argument_group(f"options of {sequence.name}")
    for parameter in sequence.parameters:
        _check_name(parser, sequence, parameter)
        _add_option(group, parameter)


def chosen(options: argparse.Namespace, prog: str) -> tuple[Sequence, Mapping[str, Any]]:
    """The sequence and the value of each of its parameters. Raises BadInput."""
    if not hasattr(options, "loaded"):
        raise BadInput(f"{prog}: the sequence comes first, as in `{prog} load_sweep`")
    sequence: Sequence = options.loaded
    given = vars(options)
    return sequence, sequence.values(
        {p.name: given[p.name] for p in sequence.parameters if p.name in given}
    )


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
                f"{parser.prog}: {flag!r} is not known here; the options of a sequence come after "
                f"its name, as in `{parser.prog} load_sweep --points 9`"
            )
        if ours[0].nargs is None and not equals:
            next(words, None)
    return None


def _check_name(parser: Parser, sequence: Sequence, parameter: Parameter) -> None:
    """Refuse a parameter that would be mistaken for an option of the command itself."""
    taken = {action.dest for action in parser._actions} | TAKEN
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
