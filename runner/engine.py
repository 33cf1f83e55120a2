"""Runs a sequence on a bench: step, journal, outcome, until it ends or something ends it.

Called by `run.py`. Whatever happens, it leaves through `safe.leave` and says in the
journal how the run ended. It prints nothing: a listener is told.
"""

from __future__ import annotations

import contextlib
import dataclasses
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from drivers.errors import InstrumentError
from runner import safe
from runner.attention import Attention
from runner.bench import Bench
from runner.errors import AmpworthError, BadInput, NotSafe, Stopped, StorageError, Tripped
from runner.hand.by_hand import ByHand, HandPerformer
from runner.interlocks import Limit, Watch
from runner.journal import Writer
from runner.perform import Performer
from runner.plan import LONGEST_S, MOST_STEPS
from runner.ratings import Allowed
from runner.sequence import mistake
from runner.step_checks import is_step, shown, step_mistake
from runner.steps import Outcome, Reading, Step, Steps


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
    ) -> None:
        self._bench, self._journal = bench, journal
        self._attention, self._listener = attention, listener
        watch = Watch(bench.look, bench.clock, limits, attention.check, listener.on_reading)
        self._index = -1
        needs = (bench, allowed, watch, self._record_sample, self._record_note, vout_set_v)
        self._performer = (
            Performer(*needs)
            if by_hand is None
            else HandPerformer(by_hand, self._record_hand, *needs)
        )

    def run(self, steps: Steps, sequence_path: Path) -> Ending:
        """Drive the sequence to its end, make the bench safe, journal how it ended."""
        failure: BaseException | None = None
        asked = AskedSteps(steps, sequence_path, self._attention)
        try:
            self._drive(asked)
        except BaseException as error:  # noqa: BLE001 - every way out leads to the safe state
            failure = error
        way = self._leave(failure)
        ending = self._end(failure, way)
        asked.close()
        return ending

    def _drive(self, steps: AskedSteps) -> None:
        outcome: Outcome | None = None
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
            self._listener.on_step(self._index, step)
            outcome = self._performer.perform(step)
            # On the disk with the next step's record, before anything else is sent to a box.
            self._journal.write(
                "outcome",
                sync=False,
                index=self._index,
                outcome=type(outcome).__name__,
                values=plain(outcome),
            )
            self._listener.on_outcome(self._index, step, outcome)

    def _leave(self, failure: BaseException | None) -> safe.Way:
        """The safe state first, then the journal: a slow or full disk delays nothing."""
        bench = self._bench
        way = safe.leave(
            bench.supply,
            bench.load,
            bench.chamber,
            bench.clock,
            emergency=failure is not None,
            iout_set_a=self._performer.state.iout_set_a,
            gone=bench.gone,
        )
        if isinstance(failure, Tripped):
            self._record(
                "trip",
                quantity=failure.quantity,
                value=failure.value,
                limit=failure.limit,
                source=failure.source,
            )
        self._record("safe", **way.as_record())
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
        try:
            self._journal.write(kind, **values)
        except (StorageError, ValueError) as error:  # ValueError: no number that JSON knows
            self._listener.on_note(str(error))

    def _record_sample(self, reading: Reading) -> None:
        values = {name: getattr(reading, name) for name in READING_FIELDS}
        self._journal.write("sample", sync=False, index=self._index, **values)

    def _record_hand(self, kind: str, **values: Any) -> None:
        """A question, an answer or what was connected, within the present step."""
        self._journal.write(kind, index=self._index, **values)

    def _record_note(self, text: str) -> None:
        self._journal.write("note", text=text)


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
