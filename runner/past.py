"""What a run has done so far, read from its journal: its steps, their outcomes, how it was cut.

For `resume.py`, which goes on from there, and the engine, which feeds the outcomes back.
Reads the journal; opens no instrument.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, field
from pathlib import Path

from runner import journal
from runner.errors import BadInput
from runner.perform import LOW
from runner.recorded import Record, outcome_of, reading_of, step_of
from runner.steps import (
    Ask,
    Draw,
    Follow,
    Outcome,
    PowerDown,
    PowerUp,
    Reading,
    Release,
    Resist,
    SetAmbient,
    SetLine,
    Settle,
    Soak,
    Start,
    Step,
    Wait,
)

LOADS = (Draw, Resist, Release)
MOMENT_S = 2.0
"""Of a wait on the way this much is waited again [s]."""
MOST_LINES = 40
"""So many moves of the line are made again, the last ones."""


@dataclass(frozen=True, slots=True)
class PastStep:
    """A step that was done, with its outcome; both records are as they were written."""

    step: Record
    outcome: Record

    def result(self) -> Outcome:
        """The outcome as a value. Raises BadInput for one that this version does not know."""
        outcome = outcome_of(self.outcome)
        if outcome is None:
            raise BadInput(
                f"step {self.step['index']} has an outcome this version cannot read: "
                f"{self.outcome['outcome']}; resume with the version that made it (run.json)"
            )
        return outcome


@dataclass(slots=True)
class Past:
    """A run up to where it was cut.

    `from_n` is the number of the first record after the last outcome: what follows is done
    again. `t_s` [s] and `utc` are those of the last record, `last` is the last reading, and
    `vout_v` [V] the output at the last outcome, None where that was read while things moved.
    `size` is the journal's when it was read [bytes].
    """

    folder: Path
    run: Record = field(default_factory=dict)
    done: list[PastStep] = field(default_factory=list)
    from_n: int = 1
    t_s: float = 0.0
    utc: str = ""
    last: Reading | None = None
    end: Record | None = None
    sessions: int = 1
    vout_v: float | None = None
    size: int = 0
    _step: Record = field(default_factory=dict)
    _rest: tuple[int, int, float | None] = (0, 1, None)
    _is_on: bool = False

    @property
    def how(self) -> str:
        """How the session before ended, in words."""
        return str(self.end["message"]) if self.end else "the program or its computer died"

    def take(self, record: Record) -> None:
        """Take the next record of the journal."""
        self.t_s, self.utc = record["t_s"], record["utc"]
        match record["kind"]:
            case "run":
                self.run = self.run or record
            case "step":
                self._step = record
            case "outcome":
                self._take_outcome(record)
            case "sample":
                self._see(record)
            case "resumed":
                self.sessions, self.end = record["session"], None
            case "end":
                self.end = record

    def _take_outcome(self, record: Record) -> None:
        if not self._step.get("index") == record["index"] == len(self.done):
            raise BadInput(
                f"{self.folder}: the journal's record {record['n'] + 1} is the outcome of step "
                f"{record['index']}, and {len(self.done)} is the one that follows; nothing can be "
                "resumed from that"
            )
        self.done.append(PastStep(self._step, record))
        self.from_n = record["n"] + 1
        rests = self._step.get("step") in AT_REST
        self.vout_v = _vout_v(record["values"]) if rests else None
        self._see(record["values"].get("reading"))
        if self._rests():
            self._rest = (len(self.done), self.from_n, self.vout_v)

    def _rests(self) -> bool:
        """Whether the bench could stay as the last step left it: off, or the output held.

        A step that gives a row is never done again.
        """
        name = self._step["step"]
        if name in ("PowerUp", "Start", "PowerDown"):
            self._is_on = name != "PowerDown"
        if not self._is_on or name in ROWS:
            return True
        return self.is_held

    @property
    def is_held(self) -> bool:
        """Whether the output is known to have been held at the last outcome."""
        vout_set_v = self.run.get("module", {}).get("vout_set_v", 0.0)
        return self.vout_v is not None and self.vout_v >= LOW * vout_set_v

    def go_back(self) -> None:
        """Back to the last outcome the bench could stay at: what came since is done again.

        On a real bench time has passed. A short, a dip or a move of the line that was cut in two
        is measured once more from its beginning; it is never held to be brought back.
        """
        count, self.from_n, self.vout_v = self._rest
        del self.done[count:]

    def _see(self, values: Record | None) -> None:
        self.last = (reading_of(values) if values else None) or self.last


def _vout_v(values: Record) -> float | None:
    """The output at the end of a step, as its outcome holds it: a reading, a mean, a trace."""
    found = (values.get("reading") or values).get("vout_v")
    last = found[-1] if isinstance(found, list) and found else found
    return last if isinstance(last, int | float) else None


AT_REST = ("Settle", "Soak", "Read", "Wait", "Follow")
"""Steps at whose end line, load and module have had their time."""
ROWS = ("Read", "Found", "Tare")
"""Steps that give a row of a table, or an offset that every later row rests on."""
NEEDED = ("parameters", "inputs_sha256", "identities")


def past_of(folder: Path) -> Past:
    """Read a run's journal. Raises BadInput where there is nothing to go on from."""
    past, path = Past(folder), folder / journal.FILE_NAME
    if path.is_symlink():
        raise BadInput(f"{path}: is a link; resume the run where its journal is, it is written to")
    past.size = path.stat().st_size if path.is_file() else 0
    for record in journal.read(path):
        past.take(record)
    if not past.run:
        raise BadInput(
            f"{folder}: the journal holds no whole run record: nothing was measured, nothing is "
            "lost. Start the run again in a new folder"
        )
    if past.run.get("is_drill"):
        raise BadInput(f"{folder}: is a drill's; a drill is done again, not resumed")
    for key in NEEDED:
        if key not in past.run:
            raise BadInput(
                f"{path}: the run record has no {key}; an older version made it. Start a new run"
            )
    return past


def feed_back(
    past: Past,
    after: Callable[[Outcome | None], Step | None],
    told: Callable[[int, Step, Outcome], None] = lambda index, step, outcome: None,
    outcome_of_step: Callable[[PastStep, Step], Outcome] = lambda one, step: one.result(),
) -> Outcome | None:
    """Give a fresh sequence its recorded outcomes; return the last, for it to go on from.

    `outcome_of_step` gives them: the record, or what doing the step again comes to. Raises
    BadInput at the first step that is not the recorded one.
    """
    outcome: Outcome | None = None
    for one in past.done:
        step = _same(past, one, after(outcome))
        outcome = outcome_of_step(one, step)
        told(one.step["index"], step, outcome)
    return outcome


def _same(past: Past, one: PastStep, step: Step | None) -> Step:
    """The step the sequence asks for. Raises BadInput unless it is the one that was done."""
    then = step_of(one.step)
    if step is not None and then is not None and _plain(then) == _plain(step):
        return step
    raise BadInput(
        f"{past.folder}: cannot be resumed: at step {one.step['index']} the run did "
        f"{then if then is not None else one.step['step']}, the sequence now asks for "
        f"{'its end' if step is None else step}. Something it depends on has changed; put that "
        "back, or start a new run"
    )


def _plain(step: Step) -> object:
    """A step as JSON gives it back: its name and its arguments, tuples as lists."""
    return json.loads(json.dumps([type(step).__name__, asdict(step)]))


@dataclass(slots=True)
class Standing:
    """What the steps so far have left set; everything is off at the start.

    `path` is what led from the supply's last switching on to here: a module that hangs between
    on and off stands as it was led. `asked` and `leads` are what a person did last, and did
    last with the line's leads.
    """

    path: list[Step] = field(default_factory=list)
    air: SetAmbient | None = None
    rest: Settle | None = None
    soak: Soak | None = None
    asked: Ask | None = None
    leads: Ask | None = None

    def take(self, step: Step) -> None:
        """Take over what a step sets; whatever moves line or load ends a rest and a soak."""
        match step:
            case SetAmbient():
                self.air = step
            case Ask():
                self.asked = step
                self.leads = step if step.polarity else self.leads
            case Settle():
                self.rest = step
            case Soak():
                self.soak = step
            case PowerUp() | Start():
                self.path = []
                self._moved(step)
            case SetLine() | Draw() | Resist() | Release():
                self._moved(step)
            case Wait(lasts_s) | Follow(lasts_s):
                self._lasted(lasts_s)
            case PowerDown():
                self.path, self.rest, self.soak = [], None, None

    def _moved(self, step: Step) -> None:
        """A load that another follows with the line where it was leads nowhere."""
        path, moment = self.path, list[Step]()
        if isinstance(step, LOADS):
            if path and isinstance(path[-1], Wait):
                moment.append(path.pop())
            if path and isinstance(path[-1], LOADS):
                path.pop()
        path += [*moment, step]
        lines = [k for k, one in enumerate(self.path) if isinstance(one, SetLine)]
        if len(lines) > MOST_LINES:
            del self.path[lines[0]]
        self.rest = self.soak = None

    def _lasted(self, lasts_s: float) -> None:
        """A moment at a line is kept, a short one: the module starts, or stops, in it."""
        if self.path and not isinstance(self.path[-1], Wait):
            self.path.append(Wait(min(lasts_s, MOMENT_S)))


def standing_after(past: Past) -> Standing:
    """What was set when the run was cut, by the steps that were done."""
    standing = Standing()
    for one in past.done:
        step = step_of(one.step)
        if step is not None:
            standing.take(step)
    return standing
