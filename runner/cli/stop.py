"""Ask a run that goes on somewhere for its safe state, and wait until it was reached.

RUN is its folder, on any machine that sees it. The exit code is 0 once the bench is safe,
6 if an output could not be confirmed off or nobody answered.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

EXAMPLES = """examples:
  ampworth stop runs/first
  ampworth stop /mnt/bench/runs/2026-06-21_040000_load_sweep"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, help="a run folder")


def run(options: argparse.Namespace) -> int:
    """Write the request, wait for the answer, show it."""
    from runner.clock import WallClock
    from runner.live.follow import folder_of_run
    from runner.live.state import Watched
    from runner.live.stop import ask_to_stop, await_safe

    watched = Watched(folder_of_run(options.run))
    for _ in watched.records():
        pass
    ask_to_stop(watched, _who())
    print(f"{options.run}: asked to stop", file=sys.stderr)
    await_safe(watched, WallClock())
    assert watched.state.end is not None and watched.state.safe is not None
    for attempt in watched.state.safe["attempts"]:
        print(f"  {attempt['action']}  {attempt['detail']}".rstrip())
    print(f"{watched.state.end['ending']}: {watched.state.end['message']}")
    print("safe state reached: every output was seen to be off")
    return 0


def _who() -> str:
    import getpass
    import platform

    try:
        return f"{getpass.getuser()} at {platform.node()}"
    except (OSError, KeyError, ImportError):  # no such user here, no user database on this system
        return f"somebody at {platform.node()}"
