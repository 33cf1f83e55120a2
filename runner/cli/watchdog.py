"""Started by a run, not by a person: makes the bench safe when the run dies, hangs or fails to."""

from __future__ import annotations

import argparse
import signal
import sys

EXAMPLES = """examples:
  ampworth run load_sweep --bench mast_bench.toml     starts one where instruments are real"""


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("bench", help="a bench file")


def run(options: argparse.Namespace) -> int:
    """Load everything beforehand, wait, act."""
    from contextlib import closing

    from runner.errors import NotSafe
    from runner.files.pair import load_pair
    from runner.make_safe import make_safe
    from runner.seam import open_seam
    from runner.watchdog import await_silence, patience_s

    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    pair = load_pair(options.bench, "demo")
    with closing(open_seam(*pair)) as seam:
        timeouts_s = [section.timeout_s for section in pair.bench.boxes.values()]
        reason = await_silence(sys.stdin.buffer, patience_s(timeouts_s))
        if not reason:
            return 0
        way = make_safe(seam, pair.bench)
    print(f"watchdog: {reason}", file=sys.stderr)
    for attempt in way.attempts:
        print(f"  {attempt.action}: {attempt.done} {attempt.detail}", file=sys.stderr)
    print("every output is off" if way.confirmed else way.instructions(), file=sys.stderr)
    return 0 if way.confirmed else NotSafe.exit_code
