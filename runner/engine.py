"""Runs a sequence on a bench: step, journal, outcome, until it ends or something ends it.

Called by `run.py`. Whatever happens, it leaves through `safe.leave` and says in the
journal how the run ended. It prints nothing: a listener is told.
"""

from __future__ import annotations

import contextlib
import dataclasses
import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from drivers.errors import InstrumentError
from runner import safe
from runner.attention import AT_THE_JOURNAL, Attention
from runner.bench import Bench
from runner.clock import TwoClocks
from runner.errors import AmpworthError, BadInput, NotSafe, Stopped, StorageError, Tripped
from runner.hand.by_hand import ByHand, HandPerformer
from runner.hand.person import Person
from runner.interlocks import Limit, Watch
from runner.journal import Writer
from runner.past import Past, feed_back, standing_after
from runner.perform import Performer
from runner.plan import LONGEST_S, MOST_STEPS
from runner.ratings import Allowed
from runner.restoring import restore, rewind
from runner.sequence import mistake
from runner.step_checks import is_step, shown, step_mistake
from runner.steps import Outcome, Read, Reading, Step, Steps, Tare
from runner.wire_record import STOP

TAKEN_AGAIN = 3
"""How often readings are taken again; a line that slips more often is kept with what it gave."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Where a run goes on: what it has done, and what was found and done before it does.

    `rewinds` is True for a bench that is a new one, simulated: it does the steps again.
    `about` goes into the journal with it.
    """

    past: Past
    rewinds: bool
    about: Mapping[str, Any]

    def record(self) -> dict[str, Any]:
        """The values of the record that says so."""
        past = self.past
        return {
            "session": past.sessions + 1,
            "from_n": past.from_n,
            "rewound": self.rewinds,
            "ended": past.how,
            **self.about,
        }


@dataclass(frozen=True, slots=True)
class Ending:
    """How a run ended; `way` is what was tried to make the bench safe."""

    name: str
    message: str
    exit_code: int
    way: safe.Way


class Listener(Protocol):
    """Told what happens while it happens; must not block, must not raise."""

    def on_step(self, index: int, step: Step) -> None:
        """A step begins."""
        ...

    def on_reading(self, reading: Reading) -> None:
        """Something was read."""
        ...

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """A step is done."""
        ...

    def on_note(self, text: str) -> None:
        """Something a person should know."""
        ...


class Engine:
    """One run of one sequence."""

    def __init__(
        self,
        bench: Bench,
        allowed: Allowed,
        limits: tuple[Limit, ...],
        journal: Writer,
        attention: Attention,
        listener: Listener,
        vout_set_v: float,
        by_hand: ByHand | None = None,
        person: Person | None = None,
    ) -> None:
        self._bench, self._journal, self._vout_set_v = bench, journal, vout_set_v
        self._attention, self._listener = attention, listener
        watch = Watch(
            bench.look,
            bench.clock,
            limits,
            self._attend,
            listener.on_reading,
            allowed.leasts,
            allowed.rises_after_s,
        )
        self._times = TwoClocks(bench.clock)
        self._index, self._step_n, self._again = -1, 0, ""
        needs = (bench, allowed, watch, self._record_sample, self._record_note, vout_set_v)
        self._performer = (
            Performer(*needs)
            if by_hand is None
            else HandPerformer(by_hand, self._record_hand, *needs)
        )
        if person is not None and by_hand is None:
            self._performer.attend(person, self._record_hand)

    def run(self, steps: Steps, sequence_path: Path, cut: Cut | None = None) -> Ending:
        """Drive the sequence to its end, make the bench safe, journal how it ended.

        With `cut` it goes on where an earlier session was cut.
        """
        failure: BaseException | None = None
        asked = AskedSteps(steps, sequence_path, self._attention)
        try:
            self._drive(asked, None if cut is None else self._go_on(asked, cut))
        except BaseException as error:  # noqa: BLE001 - every way out leads to the safe state
            failure = error
        if isinstance(failure, StorageError):  # no wire tells of it, a replay has to know
            self._attention.noted(STOP, f"{AT_THE_JOURNAL}{failure}")
        way = self._leave(failure)
        ending = self._end(failure, way)
        asked.close()
        return ending

    def _go_on(self, steps: AskedSteps, cut: Cut) -> Outcome | None:
        """Feed the recorded outcomes back and set the bench as it was; give the last outcome.

        What is read and noted meanwhile belongs to no step: it is recorded as `restored`, and
        what is rewound stands in the journal already.
        """
        past, told = cut.past, self._listener.on_outcome
        self._index, self._again = len(past.done) - 1, "rewound" if cut.rewinds else "restored"
        if cut.rewinds:
            outcome = rewind(past, steps.after, self._perform, told)
            self._again = ""
            self._journal.write("resumed", **cut.record())
        else:
            self._journal.write("resumed", **cut.record())
            outcome = feed_back(past, steps.after, told)
            standing = standing_after(past)
            restore(standing, past, self._performer, self._record_note, self._vout_set_v)
        self._again = ""
        return outcome

    def _drive(self, steps: AskedSteps, outcome: Outcome | None) -> None:
        while (step := steps.after(outcome)) is not None:
            self._index += 1
            if self._index >= MOST_STEPS or self._bench.clock.now_s() > LONGEST_S:
                raise BadInput(
                    f"the sequence has no end on this bench: {self._index} steps were done. "
                    "Give its loop a bound"
                )
            self._journal.write(
                "step", index=self._index, step=type(step).__name__, args=plain(step)
            )
            self._step_n = self._journal.count
            self._listener.on_step(self._index, step)
            outcome = self._perform(step)
            # On the disk with the next step's record, before anything else is sent to a box.
            self._journal.write(
                "outcome",
                sync=False,
                index=self._index,
                outcome=type(outcome).__name__,
                values=plain(outcome),
            )
            self._listener.on_outcome(self._index, step, outcome)

    def _perform(self, step: Step) -> Outcome:
        """Do a step; readings during which a box lost step are set aside and taken again."""
        for left in range(TAKEN_AGAIN, -1, -1):
            slips = self._bench.slips
            outcome = self._performer.perform(step)
            if not left or self._bench.slips == slips or not isinstance(step, Read | Tare):
                break
            self._record_invalid("a box lost step with its questions while these were read")
        return outcome

    def _attend(self) -> None:
        """Before every look: whether somebody asks for the end, whether the clock was set."""
        self._attention.check()
        jump = self._times.jump()
        if jump:
            self._record_note(jump)

    def _leave(self, failure: BaseException | None) -> safe.Way:
        """The safe state first, then the journal: a slow or full disk delays nothing."""
        bench = self._bench
        ended_s = round(bench.clock.now_s(), 6)
        way = safe.leave(
            bench.supply,
            bench.load,
            bench.chamber,
            bench.clock,
            emergency=failure is not None,
            iout_set_a=self._performer.state.iout_set_a,
            gone=bench.gone,
            alive=self._attention.beat,
        )
        if isinstance(failure, Tripped):
            self._record(
                "trip",
                quantity=failure.quantity,
                value=failure.value,
                limit=failure.limit,
                source=failure.source,
                tripped_s=ended_s,  # the record itself comes after the way out
            )
        self._record("safe", **way.as_record())
        if way.confirmed:
            with contextlib.suppress(Exception):  # it concerns outputs that are off
                bench.disarm_watchdogs()
        return way

    def _end(self, failure: BaseException | None, way: safe.Way) -> Ending:
        name, message, code = describe(failure)
        if not way.confirmed:
            message = f"{way.instructions()}. The run ended so: {message}"
            code = NotSafe.exit_code
        self._record("end", ending=name, message=message, exit_code=code)
        return Ending(name, message, code, way)

    def _record(self, kind: str, **values: Any) -> None:
        """Journal something on the way out: a full disk must not stop the way out."""
        if self._again == "rewound":  # the run was not gone on with, its journal stays as it was
            return
        try:
            self._journal.write(kind, **values)
        except (StorageError, ValueError) as error:  # ValueError: no number that JSON knows
            self._listener.on_note(str(error))

    def _record_sample(self, reading: Reading) -> None:
        values = {name: getattr(reading, name) for name in READING_FIELDS}
        self._write_of_step("sample", sync=False, index=self._index, **values)

    def _record_invalid(self, why: str) -> None:
        """The samples of the present step do not count: they are taken again."""
        self._write_of_step("invalid", index=self._index, from_n=self._step_n, why=why)
        self._step_n = self._journal.count

    def _record_hand(self, kind: str, **values: Any) -> None:
        """A question, an answer or what was connected, within the present step."""
        self._journal.write(kind, index=self._index, **values)

    def _record_note(self, text: str) -> None:
        self._write_of_step("note", text=text)
        if self._again != "rewound":
            self._listener.on_note(text)

    def _write_of_step(self, kind: str, **values: Any) -> None:
        """Journal what belongs to a step; while the bench is brought back it does not."""
        if self._again != "rewound":
            self._journal.write(self._again or kind, **values)


class AskedSteps:
    """A sequence's generator, with what it does wrong turned into one clear error."""

    def __init__(self, steps: Steps, path: Path, attention: Attention) -> None:
        self._steps, self._path, self._attention = steps, path, attention

    def after(self, outcome: Outcome | None) -> Step | None:
        """The step that follows `outcome`, or None at the end. Raises BadInput."""
        try:
            with self._attention.sequence_thinks():
                step = self._steps.send(outcome)
        except StopIteration:
            return None
        except (AmpworthError, KeyboardInterrupt):
            raise
        except BaseException as error:  # somebody's own code, sys.exit() included
            raise BadInput(mistake(self._path, error)) from error
        if not is_step(step):
            raise BadInput(
                f"{self._where()}: the sequence yielded {shown(step)}; "
                "allowed are the steps of runner.steps, such as Draw(1.5) or Read()"
            )
        wrong = step_mistake(step)
        if wrong:
            raise BadInput(f"{self._where()}: {wrong}")
        return step

    def _where(self) -> str:
        frame = getattr(self._steps, "gi_frame", None)
        return f"{self._path}, line {frame.f_lineno if frame else 0}"

    def close(self) -> None:
        """Let the sequence clean up; the bench is safe already, what it yields is not done."""
        with contextlib.suppress(Exception, SystemExit), self._attention.sequence_thinks():
            self._steps.close()


def describe(failure: BaseException | None) -> tuple[str, str, int]:
    """The ending's name, its message and exit code, from what ended the run."""
    match failure:
        case None:
            return "done", "the sequence came to its end", 0
        case Tripped():
            return "tripped", str(failure), failure.exit_code
        case Stopped():
            return "stopped", str(failure), failure.exit_code
        case KeyboardInterrupt():
            return "stopped", "stopped from the keyboard", Stopped.exit_code
        case InstrumentError():
            return "lost", str(failure), failure.exit_code
        case AmpworthError():
            return "failed", str(failure), failure.exit_code
        case _:
            text = "".join(traceback.format_exception(failure)).strip()
            return "failed", f"internal error, please report it: {text}", 70


def plain(value: Step | Outcome) -> dict[str, Any]:
    """The fields of a step or an outcome as plain values; nested readings too."""
    return dataclasses.asdict(value)


READING_FIELDS = tuple(field.name for field in dataclasses.fields(Reading))
