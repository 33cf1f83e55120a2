"""What is known of a run that is followed, as plain data.

`RunState` takes journal records one by one; `Watched` feeds it from a run folder and adds
what lies beside the journal: a stop request, verdicts. Points are those of the reports.
Memory is bounded, however long the run: a trace is thinned, the log keeps its end.
"""

from __future__ import annotations

import csv
import platform
from collections import deque
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from runner.attention import STOP_FILE
from runner.clock import WallClock
from runner.errors import BadInput
from runner.interlocks import Limit, Margin, margins
from runner.live.follow import Follower
from runner.live.words import point_text, soaked_text, step_text
from runner.lock import is_held
from runner.pace import Pace
from runner.recorded import Record, outcome_of, reading_of, step_of
from runner.report.record import Gathering
from runner.steps import (
    Ask,
    Draw,
    Found,
    Outcome,
    Point,
    PowerUp,
    Reading,
    Resist,
    SetLine,
    Soak,
    Soaked,
    Start,
    Step,
    Tared,
)

LOG_LINES = 400
TRACE_READINGS = 600
VERDICTS_FILE = "verdicts.csv"
MOST_VERDICTS = 500
ODD = (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""What a record raises that is whole and holds something that none of ours holds."""
CUT_OFF = "cut off"
"""The phase of a run whose runner died: `ampworth resume` goes on with it."""


@dataclass(frozen=True, slots=True)
class LogLine:
    """One thing that happened."""

    t_s: float
    utc: str
    text: str


class Trace:
    """Readings over time, thinned so that there are never more than `most`."""

    def __init__(self, most: int = TRACE_READINGS) -> None:
        self.readings: list[Reading] = []
        self._most, self._apart_s = most, 0.5

    def add(self, reading: Reading) -> None:
        """Keep a reading, if it is far enough from the last one kept."""
        if self.readings and reading.t_s - self.readings[-1].t_s < self._apart_s:
            return
        self.readings.append(reading)
        if len(self.readings) > self._most:
            self._apart_s *= 2.0
            kept, self.readings = self.readings, []
            for one in kept:
                self.add(one)


class RunState:
    """What the journal says so far."""

    def __init__(self) -> None:
        self._gathering = Gathering()
        self._pace = Pace(())
        self._limits: tuple[Limit, ...] = ()
        self._step_began_s = 0.0
        self._step: Step | None = None
        self._took_a_point = False
        self.index, self.step_text = -1, "getting ready"
        self.t_s, self.utc = 0.0, ""
        self.reading: Reading | None = None
        self.trace = Trace()
        self.log: deque[LogLine] = deque(maxlen=LOG_LINES)
        self.safe: Record | None = None

    @property
    def run(self) -> Record:
        """The run record; empty until there is one."""
        return self._gathering.found.run

    @property
    def points(self) -> list[Point]:
        """The points so far, as the reports use them."""
        return [numbered.point for numbered in self._gathering.found.points]

    @property
    def trips(self) -> list[Record]:
        """The trips."""
        return self._gathering.found.trips

    @property
    def end(self) -> Record | None:
        """The record of the ending, once there is one."""
        return self._gathering.found.end

    @property
    def points_planned(self) -> int:
        """Points the plan has."""
        return int(self.run.get("points_planned", 0))

    @property
    def left_s(self) -> float | None:
        """About how long it still takes [s]; None when it has ended or the plan is not known."""
        if self.end is not None or not self.run.get("pace_planned"):
            return None
        return self._pace.left_s(self.index, self.t_s - self._step_began_s)

    def margins(self) -> list[Margin]:
        """How near the last reading is to each interlock limit, the nearest first."""
        if self.reading is None:
            return []
        return sorted(margins(self._limits, self.reading), key=lambda margin: -margin.used)

    def take(self, record: Record) -> None:
        """Take the next record of the journal. Raises BadInput for one that cannot be read."""
        points = len(self._gathering.found.points)
        self._gathering.take(record)
        self._took_a_point = len(self._gathering.found.points) > points
        self.t_s, self.utc = record["t_s"], record["utc"]
        match record["kind"]:
            case "run":
                self._begin(record)
            case "step":
                self._take_step(record)
            case "sample":
                self._take_reading(reading_of(record))
            case "outcome":
                self._take_outcome(outcome_of(record))
            case "note":
                self._say(f"note: {record['text']}")
            case "trip":
                self._say(f"TRIP: {_trip_text(record)}")
            case "resumed":
                self.safe = None
                self._say(f"resumed, after: {record['ended']}")
            case "invalid":
                self._say(f"readings taken again: {record['why']}")
            case "safe":
                self._take_safe(record)
            case "end":
                self.step_text = "ended"
                self._say(f"{record['ending']}: {record['message']}")

    def _begin(self, record: Record) -> None:
        self._pace = Pace(**record.get("pace_planned", {"left_s": ()}))
        self._limits = tuple(Limit(**limit) for limit in record.get("limits", ()))
        self._say(f"{record['sequence']} begins")

    def _take_step(self, record: Record) -> None:
        self.index, self._step_began_s = record["index"], record["t_s"]
        self._step = step_of(record)
        self.step_text = step_text(self._step) if self._step else str(record["step"]).lower()
        if isinstance(self._step, PowerUp | SetLine | Start | Draw | Resist | Soak | Ask | Found):
            self._say(self.step_text)

    def _take_reading(self, reading: Reading | None) -> None:
        if reading is not None:
            self.reading = reading
            self.trace.add(reading)

    def _take_outcome(self, outcome: Outcome | None) -> None:
        self._take_reading(getattr(outcome, "reading", None))
        match outcome:
            case Point() if self._took_a_point:
                numbered = self._gathering.found.points[-1]
                self._say(point_text(numbered.number, numbered.point).strip())
            case Soaked():
                self._pace.soaked(self.index, outcome.elapsed_s)
                self._say(soaked_text(outcome))
            case Tared():
                self._say(f"ammeters tared over {outcome.samples} samples")

    def _take_safe(self, record: Record) -> None:
        self.safe = record
        self.step_text = "leaving"
        for attempt in record["attempts"]:
            done = "" if attempt["done"] else "NOT DONE: "
            self._say(f"{done}{attempt['action']} {attempt['detail']}".strip())
        self._say("safe state reached" if record["confirmed"] else "SAFE STATE NOT CONFIRMED")

    def _say(self, text: str) -> None:
        self.log.append(LogLine(self.t_s, self.utc, text))


def _trip_text(record: Record) -> str:
    value, limit = _figure(record["value"]), _figure(record["limit"])
    return f"{record['quantity']} is {value}, limit {limit} ({record['source']})"


def _figure(value: float | str) -> str:
    return f"{value:.6g}" if isinstance(value, float) else str(value)


@dataclass(frozen=True, slots=True)
class Verdicts:
    """verdicts.csv as it stands: its header and its rows as text."""

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    def tally(self) -> str:
        """How often each verdict was given; empty when there is no such column."""
        if "verdict" not in self.header:
            return ""
        column = self.header.index("verdict")
        words = [row[column] for row in self.rows if len(row) > column]
        return ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(words))


def verdicts_of(folder: Path) -> Verdicts | None:
    """The verdicts of a run, or None where it was not judged."""
    path = folder / VERDICTS_FILE
    if path.is_symlink() or not path.is_file():
        return None
    try:
        with path.open(encoding="utf-8", newline="") as file:
            header, *rows = islice(csv.reader(file), MOST_VERDICTS)
    except (OSError, ValueError, csv.Error):
        return None
    return Verdicts(tuple(header), tuple(tuple(row) for row in rows))


def was_cut(folder: Path, run: Record) -> bool:
    """Whether the runner is known to be dead: it ran on this computer and holds no lock."""
    return run.get("computer") == platform.node() and not is_held(str(folder.resolve()))


class Watched:
    """A run folder that is followed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.follower = Follower(folder)
        self.state = RunState()

    def look(self) -> int:
        """Take what is new, at most one chunk; return how many records that were.

        Raises BadInput when the journal is damaged.
        """
        records = self.follower.poll()
        for record in records:
            self._take(record)
        return len(records)

    def records(self) -> Iterator[Record]:
        """Take what is new, all of it, handing each record on once it is taken."""
        while True:
            for record in self.follower.poll():
                self._take(record)
                yield record
            if not self.follower.behind_bytes:
                return

    def _take(self, record: Record) -> None:
        try:
            self.state.take(record)
        except ODD as error:
            raise BadInput(
                f"{self.follower.path}, line {record['n'] + 1}: this version cannot read the "
                f"record ({type(error).__name__}: {error}); was it written by a newer one?"
            ) from error

    @property
    def stop_requested(self) -> bool:
        """Whether somebody asked for the end."""
        return (self.folder / STOP_FILE).exists()

    @property
    def silent_min(self) -> int:
        """Whole minutes since the journal last grew, by the clocks of this machine and its disk."""
        try:
            written_s = self.follower.path.stat().st_mtime
        except OSError:
            return 0
        return max(0, int((WallClock().utc().timestamp() - written_s) / 60.0))

    @property
    def phase(self) -> str:
        """getting ready, running, stopping, or how it ended."""
        state = self.state
        if state.end is not None:
            return str(state.end["ending"])
        if not state.run:
            return "getting ready"
        if was_cut(self.folder, state.run):
            return CUT_OFF
        return "stopping" if self.stop_requested else "running"

    def as_data(self) -> dict[str, Any]:
        """All of it as plain values for a script."""
        state, verdicts = self.state, verdicts_of(self.folder)
        run, safe, end = state.run, state.safe, state.end
        return {
            "phase": self.phase,
            "run_id": run.get("run_id"),
            "sequence": run.get("sequence"),
            "module": run.get("module", {}).get("name"),
            "unit": run.get("module", {}).get("unit"),
            "bench": run.get("bench", {}).get("name"),
            "step": state.step_text,
            "points": len(state.points),
            "points_planned": state.points_planned,
            "reading": asdict(state.reading) if state.reading else None,
            "margins": [
                {"quantity": m.limit.quantity, "value": m.value, "most": m.limit.most}
                | {"used": m.used, "source": m.limit.source}
                for m in state.margins()
            ],
            "gone_s": state.t_s,
            "left_s": state.left_s,
            "last_utc": state.utc,
            "stop_requested": self.stop_requested,
            "safe": {"confirmed": safe["confirmed"], "unconfirmed": safe["unconfirmed"]}
            if safe
            else None,
            "ending": end["ending"] if end else None,
            "message": end["message"] if end else None,
            "exit_code": end["exit_code"] if end else None,
            "verdicts": asdict(verdicts) if verdicts else None,
        }
