"""Follow a run from its folder until it ends; any machine that sees the folder will do.

A live block on a terminal, a plain log elsewhere, as beside the bench. The exit code is the
run's own. Ctrl-C ends the watching alone (130), the run goes on.
"""

from __future__ import annotations

import argparse
import json
import sys
from contextlib import ExitStack
from pathlib import Path

from runner.cli.screen import LiveBlock, PlainLog, Progress, display
from runner.interlocks import Limit
from runner.live.follow import folder_of_run
from runner.live.state import CUT_OFF, Watched
from runner.pace import Pace
from runner.recorded import Record, outcome_of, reading_of, step_of
from runner.steps import Reading, Step

EXAMPLES = """examples:
  ampworth watch runs/first
  ampworth watch runs/first --json          what is known now, as JSON; does not wait"""
LOOK_EVERY_S = 0.25
NO_LONGER_WATCHED = 130


def configure(parser: argparse.ArgumentParser, arguments: list[str]) -> None:
    """Declare the options."""
    parser.add_argument("run", type=Path, help="a run folder")
    parser.add_argument(
        "--json", action="store_true", help="the state now as JSON, without waiting"
    )


def run(options: argparse.Namespace) -> int:
    """Follow, and end as the run ends."""
    watched = Watched(folder_of_run(options.run))
    if options.json:
        for _ in watched.records():
            pass
        print(json.dumps(watched.as_data(), indent=2, ensure_ascii=False))
        return 0
    try:
        _follow(watched)
    except KeyboardInterrupt:
        print(f"no longer watching {options.run}; the run goes on", file=sys.stderr)
        return NO_LONGER_WATCHED
    return _say_the_end(watched)


def _follow(watched: Watched) -> None:
    """Tell the display what the journal tells, until the run has ended."""
    from runner.clock import WallClock

    clock = WallClock()
    with ExitStack() as stack:
        shown, phase = None, ""
        while watched.state.end is None:
            for record in watched.records():
                if shown is not None:
                    shown.take(record)
                elif record["kind"] == "run":
                    listener = display(_progress(record))
                    stack.enter_context(listener)
                    shown = Shown(listener)
            if shown is not None and watched.phase != phase:
                phase = watched.phase
                if phase == CUT_OFF:
                    listener.on_note(
                        f"the runner has died; `ampworth resume {watched.folder}` goes on with it"
                    )
            if watched.state.end is None:
                clock.sleep(LOOK_EVERY_S)


def _progress(run: Record) -> Progress:
    """What the display needs of the run record."""
    return Progress(
        f"{run['sequence']}: {run['module']['name']} on {run['bench']['name']}",
        run["points_planned"],
        Pace(**run.get("pace_planned", {"left_s": ()})),
        tuple(Limit(**limit) for limit in run.get("limits", ())),
    )


class Shown:
    """A display that is told records instead of events."""

    def __init__(self, listener: PlainLog | LiveBlock) -> None:
        self._listener = listener
        self._step: Step | None = None

    def take(self, record: Record) -> None:
        """Tell the display what a record says."""
        listener = self._listener
        match record["kind"]:
            case "step":
                self._step = step_of(record)
                if self._step is not None:
                    listener.on_step(record["index"], self._step)
            case "sample":
                self._tell_reading(reading_of(record))
            case "outcome":
                self._tell_outcome(record)
            case "note":
                listener.on_note(record["text"])
            case "resumed":
                listener.on_note(f"resumed, after: {record['ended']}")
            case "invalid":
                listener.on_note(f"readings taken again: {record['why']}")

    def _tell_reading(self, reading: Reading | None) -> None:
        if reading is not None:
            self._listener.on_reading(reading)

    def _tell_outcome(self, record: Record) -> None:
        outcome = outcome_of(record)
        if outcome is None or self._step is None:
            return
        self._tell_reading(getattr(outcome, "reading", None))
        self._listener.on_outcome(record["index"], self._step, outcome)


def _say_the_end(watched: Watched) -> int:
    """How it ended, on standard error like the display; returns the run's exit code."""
    end, safe = watched.state.end, watched.state.safe
    assert end is not None
    print(f"{end['ending']}: {end['message']}", file=sys.stderr)
    if safe is not None and safe["confirmed"]:
        print("safe state reached: every output was seen to be off", file=sys.stderr)
    code: int = end["exit_code"]
    return code
