"""Started by a run, not by a person: makes the bench safe when the run dies, hangs or fails to."""

from __future__ import annotations

import argparse
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from runner.safe import Way

EXAMPLES = """examples:
  ampworth run load_sweep --bench mast_bench.toml     starts one where instruments are real"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("bench", help="a bench file")
    parser.add_argument("--run", type=Path, help="the run folder, for who is told")


def run(options: argparse.Namespace) -> int:
    """Load everything beforehand, wait, act."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    from contextlib import closing

    from runner.errors import NotSafe
    from runner.files.pair import load_pair
    from runner.make_safe import make_safe
    from runner.notify import tell
    from runner.seam import open_seam
    from runner.watchdog import UNCONFIRMED, await_silence, patience_s

    pair = load_pair(options.bench, "demo")
    with closing(open_seam(*pair)) as seam:
        timeouts_s = [section.timeout_s for section in pair.bench.boxes.values()]
        # Unbuffered: the thread that listens must hold no lock of a buffer when this ends.
        heard = open(sys.stdin.fileno(), "rb", buffering=0, closefd=False)  # noqa: SIM115
        reason = await_silence(heard, patience_s(timeouts_s))
        if not reason:
            return 0
        way = make_safe(seam, pair.bench)
    print(f"watchdog: {reason}", file=sys.stderr)
    for attempt in way.attempts:
        print(f"  {attempt.action}: {attempt.done} {attempt.detail}", file=sys.stderr)
    print("every output is off" if way.confirmed else way.instructions(), file=sys.stderr)
    if reason != UNCONFIRMED:  # a runner that lives tells it itself
        note = tell(pair.bench.notify, pair.bench_path, _lost(options.run, reason, way))
        if note:
            print(f"note: {note}", file=sys.stderr)
    return 0 if way.confirmed else NotSafe.exit_code


def _lost(folder: Path | None, reason: str, way: Way) -> dict[str, Any]:
    from runner.notify import message

    off = "every output is off" if way.confirmed else way.instructions()
    said = message("lost-contact", folder, _sequence_of(folder), f"{reason}; {off}")
    return said | {"unconfirmed": way.unconfirmed}


def _sequence_of(folder: Path | None) -> str:
    """The run's sequence as its summary says, "" where there is none yet."""
    from runner.errors import BadInput
    from runner.run_folder import read_summary

    try:
        return "" if folder is None else str(read_summary(folder).get("sequence", ""))
    except BadInput:
        return ""
