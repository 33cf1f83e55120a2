"""A run on the twin first: how long it takes, how near it comes to every rating, what would trip.

Called by the `rehearse` command. The run is `run.execute` on a simulated bench made of the
bench file's own boxes; here is what that bench is made of and what is told of the run.
Nothing real is opened, and nothing is kept but what is returned.
"""

from __future__ import annotations

import re
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from runner import journal
from runner.attention import Attention
from runner.audit import AUDIT
from runner.engine import Ending, Listener
from runner.errors import BadInput, StorageError, Tripped
from runner.files.bench_file import AnyInstrument, BenchFile
from runner.files.toml_file import resolve
from runner.hand.person import Agreeing
from runner.heights import Height, Moment, Peak, heights, quantities, ratings
from runner.options import Setup
from runner.run import Job, execute
from runner.steps import (
    Draw,
    Outcome,
    Point,
    PowerDown,
    PowerUp,
    Reading,
    Release,
    Resist,
    SetLine,
    Start,
    Step,
)


@dataclass(frozen=True, slots=True)
class Trip:
    """What would trip, and the step it would end the run in."""

    quantity: str
    value: float | str
    limit: float | str
    source: str
    moment: Moment


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """What a run on the twin tells of the run to come; `flags` counts the points of each flag."""

    duration_s: float
    steps: int
    points_planned: int
    points: int
    flagged: int
    flags: Mapping[str, int]
    heights: tuple[Height, ...]
    trip: Trip | None
    ending: Ending
    notes: tuple[str, ...]

    @property
    def over(self) -> tuple[Height, ...]:
        """Every limit that was passed."""
        return tuple(height for height in self.heights if height.is_over)

    @property
    def at(self) -> tuple[Height, ...]:
        """Every rating that was reached, and not passed for certain."""
        return tuple(height for height in self.heights if height.is_at)

    @property
    def exit_code(self) -> int:
        """The ending's own; of a run that ended well but passed a rating, that of a trip."""
        return self.ending.exit_code or (Tripped.exit_code if self.over else 0)


def stage(job: Job) -> Job:
    """The same job on a simulated bench of the same boxes, on a clock that need not be waited for.

    What `[simulation]` does not say is taken from the rest of the bench file. Raises BadInput
    without a [twin], and for a bench worked by hand.
    """
    file, module = job.setup.bench, job.setup.module
    if file.by_hand:
        raise BadInput(
            f"{job.bench_path}: names boxes worked by hand ({', '.join(file.by_hand)}), and a twin "
            "has no hands: rehearse with a bench file that names boxes of the same ratings in "
            "their place; `ampworth run` checks this one on paper before it asks for anything"
        )
    if not module.twin:
        raise BadInput(
            f"{job.module_path}: found no [twin] table, and without one there is nothing to "
            f"rehearse on; copy the one of the demo module ({resolve('demo', 'module')}) and put "
            "in what is known of this module, or rehearse with --module demo"
        )
    leads = {
        "supply_lead_ohm": file.supply.lead_resistance_ohm or 0.0,
        "load_lead_ohm": getattr(file.load, "lead_resistance_ohm", None) or 0.0,
    }
    twin = file.model_copy(
        update={
            "name": f"twin of {file.name}",
            "visa": "simulated",
            "instruments": _within_reach(file.instruments),
            "simulation": leads | file.simulation | {"real_time": False},
        }
    )
    return replace(job, setup=Setup(module, twin))


def _within_reach(instruments: Mapping[str, AnyInstrument]) -> dict[str, AnyInstrument]:
    """The boxes at addresses that the simulator knows: a serial port by number, no VXI or PXI."""
    reached: dict[str, str] = {}
    staged = {}
    for name, section in instruments.items():
        resource = getattr(section, "resource", "")
        kind = re.match(r"(?i)ASRL(?!\d+::)|VXI|PXI", resource)
        if kind is None:
            staged[name] = section
            continue
        number = 200 + len(reached)  # a box of several channels stays one box
        own = f"ASRL{number}::INSTR" if kind[0].upper() == "ASRL" else f"GPIB{number}::1::INSTR"
        address = reached.setdefault(resource, own)
        staged[name] = section.model_copy(update={"resource": address})
    return staged


def rehearse(staged: Job, attention: Attention, listener: Listener) -> Rehearsal:
    """Run a staged job in a temporary folder and tell what it came to.

    `listener` hears the run as it would hear any. Raises what `run.execute` raises.
    """
    heard = Heard(listener, staged.setup.bench)
    with _temporary_folder() as folder:
        done = execute(staged, folder / "run", attention, heard, Agreeing())
        records = list(journal.read(done.folder / journal.FILE_NAME))
    return _told(staged, heard, records, done.ending)


@contextmanager
def _temporary_folder() -> Iterator[Path]:
    """A folder that is gone afterwards. Raises StorageError where none can be made or filled."""
    where = "set TMPDIR to a folder on a disk that has room: a rehearsal writes only there"
    try:
        temporary = tempfile.TemporaryDirectory(prefix="ampworth-rehearsal-")
    except OSError as error:
        raise StorageError(f"no temporary folder can be made: {error}; {where}") from error
    with temporary as name:
        try:
            yield Path(name)
        except StorageError as error:
            raise StorageError(f"{error}; {where}") from error


class Heard:
    """Keeps the greatest of every quantity and what became of the points; passes all on."""

    def __init__(self, listener: Listener, bench: BenchFile) -> None:
        self._listener = listener
        self._line_ohm = bench.supply.lead_resistance_ohm or 0.0
        self.now = Moment(-1, None, 0.0, 0.0, 0.0)
        self.peaks: dict[str, Peak] = {}
        self.points: list[Point] = []

    def on_step(self, index: int, step: Step) -> None:
        """A step begins."""
        now = self.now
        line_v = step.line_v if isinstance(step, PowerUp | SetLine | Start) else now.line_set_v
        iout_a = step.iout_a if isinstance(step, Draw | Start) else now.iout_set_a
        if isinstance(step, Release | Resist | PowerUp | PowerDown):
            iout_a = 0.0
        if isinstance(step, PowerDown):
            line_v = 0.0
        self.now = Moment(index, step, line_v, iout_a, now.t_s)
        self._listener.on_step(index, step)

    def on_reading(self, reading: Reading) -> None:
        """Something was read."""
        self.now = replace(self.now, t_s=reading.t_s)
        for quantity, value in quantities(reading, self._line_ohm):
            self.reached(quantity, value)
        self._listener.on_reading(reading)

    def reached(self, quantity: str, value: float) -> None:
        """A quantity has this value now."""
        peak = self.peaks.get(quantity)
        if peak is None or value > peak.value:
            self.peaks[quantity] = Peak(value, self.now)

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """A step is done."""
        if isinstance(outcome, Point) and outcome.label != AUDIT:
            self.points.append(outcome)
        self._listener.on_outcome(index, step, outcome)

    def on_note(self, text: str) -> None:
        """Something a person should know."""
        self._listener.on_note(text)


def _told(job: Job, heard: Heard, records: list[dict[str, Any]], ending: Ending) -> Rehearsal:
    trip = next((_trip(record, heard) for record in records if record["kind"] == "trip"), None)
    rated = ratings(job.setup.bench, job.setup.module)
    return Rehearsal(
        duration_s=records[-1]["t_s"],
        steps=heard.now.index + 1,
        points_planned=job.plan.points,
        points=len(heard.points),
        flagged=sum(1 for point in heard.points if point.flags),
        flags=Counter(flag for point in heard.points for flag in point.flags),
        heights=tuple(heights(heard.peaks, rated, job.limits)),
        trip=trip,
        ending=ending,
        notes=tuple(record["text"] for record in records if record["kind"] == "note"),
    )


def _trip(record: Mapping[str, Any], heard: Heard) -> Trip:
    """The trip of a journal; what it was reached at was never handed to a listener."""
    value = record["value"]
    if isinstance(value, float):
        heard.reached(record["quantity"], value)
    return Trip(record["quantity"], value, record["limit"], record["source"], heard.now)
