"""Write a commented starter: a bench, a module, a sequence or readings to infer from.

For Linux also the systemd units of a run with nobody there: `service` does one run, `timer`
says when, `boot-service` makes the bench safe whenever the computer starts.
"""

from __future__ import annotations

import argparse
from pathlib import Path

EXAMPLES = """examples:
  ampworth new bench mast_bench.toml
  ampworth new module mast_module.toml
  ampworth new sequence my_sequence.py
  ampworth new inference mast_readings.toml
  ampworth new service ampworth-run.service"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument(
        "kind",
        choices=("bench", "module", "sequence", "inference", "service", "timer", "boot-service"),
    )
    parser.add_argument("file", type=Path, help="where to write it; never replaces a file")


def run(options: argparse.Namespace) -> int:
    """Write the starter."""
    from runner.files.starters import write_starter

    path = write_starter(options.kind, options.file)
    following = {
        "bench": f"edit it, then: ampworth check {path}",
        "module": f"edit it, then: ampworth run load_sweep --module {path}",
        "sequence": f"edit it, then: ampworth run {path}",
        "inference": f"edit it, then: ampworth infer {path}",
        "service": "edit it; its first lines say how it is put in place",
        "timer": f"edit OnCalendar, then: systemctl enable --now {path.name}",
        "boot-service": f"edit it, then: systemctl enable {path.name}",
    }
    print(f"{path} written; {following[options.kind]}")
    return 0
