"""The `ampworth` command: finds the command asked for, runs it, turns errors into exit codes.

Each command is a module of this package with `configure(parser, arguments)` and
`run(options) -> int`, imported only when it is asked for, so that help comes at once.
"""

from __future__ import annotations

import argparse
import sys
import traceback
from collections.abc import Sequence
from difflib import get_close_matches
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import NoReturn

from drivers.errors import InstrumentError
from runner.cli import streams
from runner.errors import AmpworthError, BadInput, Stopped

COMMANDS = {
    "new": "write a commented bench file, module file or sequence to start from",
    "check": "open every box of a bench and say what is there and what is not",
    "rehearse": "run a sequence on the simulated twin first: time, margins, what would trip",
    "drill": "prove today, with a person there, that a bench may be left alone",
    "run": "run a sequence on a bench and write its tables and its page",
    "resume": "go on with a run that was cut, on the same bench, made safe first",
    "replay": "run a run's sequence on its recorded wire, or on another bench",
    "report": "make the tables and the page of a run again from its journal",
    "judge": "decide the claims of a run's module, and say what it is worth",
    "compare": "say how runs differ, and whether more than their uncertainty",
    "fit-twin": "learn a module from its runs, as a twin to rehearse the next one on",
    "protect": "predict what a diode, transistor or fuse in front of a module would cost",
    "make-safe": "switch a bench off from outside a run, after a crash or a power cut",
    "infer": "say what a supply, some resistors and one meter can tell, and what not",
    "watch": "follow a run from its folder until it ends",
    "stop": "ask a run for its safe state and wait until it was reached",
    "page": "serve the run folders below a folder as a web page, with a stop button",
    "sim": "put a simulated bench on loopback sockets and serial lines",
}
UNLISTED = {"watchdog": "started by a run"}
EXIT_CODES = """exit codes:
  0  done
  2  bad input: a file, an option, a sequence, a rating
  3  tripped: an interlock limit was reached, the bench was made safe
  4  an instrument is absent, is another one, refused a setting, or was lost
  5  stopped by a key or a signal, the bench was made safe
  6  an output could not be confirmed off: act by hand
  7  the run folder cannot be written
  8  judged: a claim fails
  9  judged: no claim fails, but not every one passes (inconclusive, not comparable, not tested)
  10 replayed: something differs
  70 internal error"""
EXAMPLES = """examples:
  ampworth run load_sweep                          the demo module on the simulated bench
  ampworth new bench mast_bench.toml               then edit it for your bench
  ampworth check mast_bench.toml
  ampworth run load_sweep --bench mast_bench.toml --module mast_module.toml --points 9
  ampworth judge runs/first --ambient-c 60"""


class Parser(argparse.ArgumentParser):
    """An argument parser whose errors are ours: one line, with the nearest right option."""

    def error(self, message: str) -> NoReturn:
        """Raise BadInput instead of printing the usage."""
        raise BadInput(f"{self.prog}: {message}; `{self.prog} --help` shows what is allowed")

    def parse(self, arguments: Sequence[str]) -> argparse.Namespace:
        """Parse, and say which option an unknown one may have meant."""
        options, unknown = self.parse_known_args(arguments)
        if unknown:
            known = [flag for action in self._actions for flag in action.option_strings]
            near = get_close_matches(unknown[0].partition("=")[0], known, n=1)
            hint = f", did you mean {near[0]}?" if near else ""
            self.error(f"{unknown[0]!r} is not known here{hint}")
        return options


def parser(prog: str, description: str, epilog: str) -> Parser:
    """A parser in the house's layout; abbreviations are off, scripts rely on full names."""
    return Parser(
        prog=prog,
        description=description,
        epilog=epilog,
        allow_abbrev=False,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )


def main(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit code."""
    try:
        check_installation()
        return _dispatch(list(arguments))
    except AmpworthError as error:
        print(f"ampworth: {error}", file=sys.stderr)
        return error.exit_code
    except InstrumentError as error:
        print(f"ampworth: {error}", file=sys.stderr)
        return error.exit_code
    except KeyboardInterrupt:
        print("ampworth: stopped from the keyboard", file=sys.stderr)
        return Stopped.exit_code
    except BrokenPipeError:
        return 0
    except Exception:  # noqa: BLE001 - the last line of defence: say it, with its own exit code
        traceback.print_exc()
        print("ampworth: internal error, please report the lines above", file=sys.stderr)
        return AmpworthError.exit_code


def _dispatch(arguments: list[str]) -> int:
    if not arguments or arguments[0] in ("-h", "--help"):
        print(_overview())
        return 0
    if arguments[0] == "--version":
        from importlib.metadata import version

        print(f"ampworth {version('ampworth')}")
        return 0
    name, *rest = arguments
    if name not in COMMANDS | UNLISTED:
        near = get_close_matches(name, COMMANDS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise BadInput(f"no command {name!r}, there are {', '.join(COMMANDS)}{hint}")
    command = import_module(f"runner.cli.{name.replace('-', '_')}")
    described = parser(f"ampworth {name}", command.__doc__ or "", getattr(command, "EXAMPLES", ""))
    command.configure(described, rest)
    code: int = command.run(described.parse(rest))
    return code


def _overview() -> str:
    rows = "\n".join(f"  {name:<10} {summary}" for name, summary in COMMANDS.items())
    return (
        "usage: ampworth COMMAND ...\n\n"
        "Measures what a DC-DC converter module is really worth.\n\n"
        f"commands:\n{rows}\n\n`ampworth COMMAND --help` tells more.\n\n{EXAMPLES}\n\n{EXIT_CODES}"
    )


def check_installation() -> None:
    """Refuse to run with rooms from different installations. Raises BadInput."""
    homes = {}
    for room in ("runner", "drivers", "sim", "sequences"):
        spec = find_spec(room)
        origin = spec.origin if spec else None
        homes[room] = Path(origin).resolve().parent.parent if origin else None
    if len(set(homes.values())) > 1:
        where = ", ".join(f"{room}: {home}" for room, home in homes.items())
        raise BadInput(
            f"runner, drivers, sim and sequences are not of one installation ({where}); "
            "install ampworth in an environment of its own"
        )


def entry() -> NoReturn:
    """The console command. Never looks for modules in the working folder."""
    if sys.path and sys.path[0] in ("", str(Path.cwd())) and not sys.flags.safe_path:
        sys.path.pop(0)
    streams.ready()
    sys.exit(main(sys.argv[1:]))
