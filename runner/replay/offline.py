"""Replays a run offline: its own sequence and files on the recorded wire, with this version.

Called by the `replay` command. The run's folder is only read; the replay's own journal and
tables go to a temporary folder, or to one that is named.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from runner import run_folder
from runner.attention import Attention
from runner.bench import open_bench
from runner.clock import Clock, WallClock
from runner.errors import AmpworthError, BadInput, StorageError
from runner.journal import FILE_NAME, Journal, read
from runner.live.follow import folder_of_run
from runner.live.words import step_text
from runner.replay.outputs import (
    Comparison,
    Difference,
    Times,
    compare_journals,
    compare_tables,
    session,
)
from runner.replay.recorded_lines import recorded_lines
from runner.replay.stand_ins import (
    RecordedAttention,
    RecordedPerson,
    recorded_seam,
)
from runner.replay.tape import Halt, Mismatch, Reason, RecordEnds, Tape
from runner.report.tables import tables_of
from runner.run import Job, close, drive, header_of, prepare, versions
from runner.sequence import Sequence, load
from runner.steps import Outcome, Reading, Step

DIFFERS = 10
"""Exit code of a replay in which something differs."""
INPUTS = {"bench": "bench.toml", "module": "module.toml", "sequence": "sequence.py"}


@dataclass(frozen=True, slots=True)
class Recorded:
    """A run as its folder holds it; `end` is the record of its ending, None where there is none."""

    folder: Path
    run: Mapping[str, Any]
    end: Mapping[str, Any] | None
    was_resumed: bool


@dataclass(frozen=True, slots=True)
class Replayed:
    """What came of a replay.

    `until` says why it went no further than the record, empty for a whole run. `times_apart_s` [s]
    is the greatest difference of times that count as the same, `took_s` [s] what the replay took.
    """

    recorded: Recorded
    journals: Comparison
    lines: int
    sent: int
    tables: int
    differences: tuple[Difference, ...]
    until: str
    notes: tuple[str, ...]
    times_apart_s: float
    took_s: float

    @property
    def exit_code(self) -> int:
        """0 for the same."""
        return DIFFERS if self.differences else 0


def recorded_run(folder: Path) -> Recorded:
    """Look into a run's folder. Raises BadInput where there is nothing to replay."""
    folder_of_run(folder)
    first = last = None
    for record in session(folder):
        first, last = first or record, record
    if first is None or not {"sequence", "parameters", "inputs_sha256"} <= first.keys():
        raise BadInput(
            f"{folder}: the journal holds no run record: nothing was measured, there is nothing "
            "to replay; is this the folder of a run?"
        )
    end = last if last is not None and last["kind"] == "end" else None
    return Recorded(folder, first, end, (folder / run_folder.wire_name(2)).exists())


def sequence_of(recorded: Recorded, other: str | None = None) -> tuple[Sequence, dict[str, Any]]:
    """The run's sequence, or another version of it, with the run's parameters. Raises BadInput."""
    sequence = load(other or str(recorded.folder / "inputs" / INPUTS["sequence"]))
    given = recorded.run["parameters"]
    values = {
        p.name: tuple(given[p.name]) if p.many and p.name in given else given.get(p.name, p.default)
        for p in sequence.parameters
    }
    return replace(sequence, name=recorded.run["sequence"]), values


def check_out(folder: Path, out: Path | None) -> None:
    """Refuse to write into the folder of the run. Raises BadInput."""
    if out is not None and out.resolve().is_relative_to(folder.resolve()):
        raise BadInput(
            f"--out {out}: lies within the run's own folder, which is evidence; name a new folder, "
            "a run is never replaced"
        )


def changed_inputs(recorded: Recorded) -> list[str]:
    """Which of the run's copies are no longer what the journal says they were."""
    notes = []
    for kind, name in INPUTS.items():
        path = recorded.folder / "inputs" / name
        content = path.read_bytes() if path.is_file() else b""
        if hashlib.sha256(content).hexdigest() != recorded.run["inputs_sha256"].get(kind):
            notes.append(f"inputs/{name} was changed after the run (its SHA-256 is another one)")
    return notes


def replay(folder: Path, out: Path | None = None, other_sequence: str | None = None) -> Replayed:
    """Replay the run of `folder`; `out` keeps what the replay makes.

    Raises BadInput where the folder holds no run that can be replayed, or this version refuses
    its files; Stopped when the replay itself is stopped.
    """
    wall, recorded = WallClock(), recorded_run(folder)
    check_out(folder, out)
    inputs = folder / "inputs"
    sequence, values = sequence_of(recorded, other_sequence)
    bench, module = (str(inputs / INPUTS[kind]) for kind in ("bench", "module"))
    job = prepare(sequence, values, bench, module, Attention())
    tape = Tape(recorded_lines(folder / run_folder.wire_name(1)))
    with _folder(out, job, wall) as again:
        heard = Heard()
        reason = _perform(job, again, tape, heard)
        return _told(recorded, again, tape, heard, reason, wall)


class Heard:
    """A listener that knows the present step."""

    def __init__(self) -> None:
        self.step = "before the first step"

    def on_step(self, index: int, step: Step) -> None:
        """A step begins."""
        self.step = f"step {index} ({step_text(step)})"

    def on_reading(self, reading: Reading) -> None:
        """Something was read."""

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        """A step is done."""

    def on_note(self, text: str) -> None:
        """Something a person should know."""


@contextmanager
def _folder(out: Path | None, job: Job, clock: Clock) -> Iterator[Path]:
    """Where the replay writes: `out`, or a folder that is gone afterwards."""
    if out is not None:
        yield run_folder.create(out, job.sequence.name, clock.utc())
        return
    try:
        temporary = tempfile.TemporaryDirectory(prefix="ampworth-replay-")
    except OSError as error:
        raise StorageError(
            f"no temporary folder can be made: {error}; set TMPDIR to a folder on a disk that has "
            "room, or name one with --out"
        ) from error
    with temporary as name:
        (Path(name) / "inputs").mkdir()
        yield Path(name)


def _perform(job: Job, folder: Path, tape: Tape, heard: Heard) -> Reason | None:
    """Run on the tape as `run.execute` does on a bench; what ended it, None for its own end."""
    seam, attention = recorded_seam(tape), RecordedAttention(tape)
    try:
        with attention.listening():
            with ExitStack() as stack:
                bench = stack.enter_context(
                    open_bench(seam, job.setup.bench, job.allowed.greatest(), tape)
                )
                journal = stack.enter_context(closing(Journal(folder, seam.clock)))
                header = header_of(job, folder, bench)
                journal.write("run", **header)
                run_folder.write_summary(folder, header | {"ending": None})
                ending = drive(job, bench, journal, attention, heard, RecordedPerson(tape))
                close(folder, header, ending, bench, heard)
            left = tape.next_of_a_link()
            return None if left is None else Mismatch(left, "nothing more")
    except Halt as halt:
        return halt.reason


def _told(
    recorded: Recorded, again: Path, tape: Tape, heard: Heard, reason: Reason | None, wall: Clock
) -> Replayed:
    if isinstance(reason, AmpworthError):
        raise reason
    until = _until(recorded, reason)
    differences = []
    if isinstance(reason, Mismatch) and not until:
        where = f"wire.log, line {reason.recorded.number}" if reason.recorded else "wire.log"
        said = str(reason.recorded) if reason.recorded else "nothing more"
        differences.append(Difference("wire", where, said, reason.now, heard.step))
    times = Times()
    journals = compare_journals(recorded.folder, again, times, may_be_shorter=reason is not None)
    if journals.difference:
        differences.append(journals.difference)
    notes, tables = [*changed_inputs(recorded), *_other_versions(recorded)], 0
    if reason is None and not recorded.was_resumed:
        tables_of(read(again / FILE_NAME), again)
        in_tables, tables = compare_tables(recorded.folder, again, times)
        if in_tables:
            differences.append(in_tables)
        if not tables:
            notes.append("the run's folder holds no tables to compare with")
    return Replayed(
        recorded,
        journals,
        tape.last,
        tape.sent,
        tables,
        tuple(differences),
        until,
        tuple(notes),
        times.greatest_s,
        wall.now_s(),
    )


def _until(recorded: Recorded, reason: Reason | None) -> str:
    """Why a replay went no further though nothing differs; empty where that is not so.

    Raises BadInput where the wire ends before the run did: such a record was cut.
    """
    end = recorded.end
    later = "; the run was resumed later, this is its first session" if recorded.was_resumed else ""
    if reason is None:
        return later.removeprefix("; ")
    if not isinstance(reason, RecordEnds):
        return ""
    if reason.why:
        return f"up to line {reason.last} of wire.log: {reason.why}{later}"
    if end is not None:
        raise BadInput(
            f"{recorded.folder / run_folder.wire_name(1)}: ends with line {reason.last}, but the "
            f"journal goes on to the run's end ({end['ending']}): the record was cut. Up to there "
            "this version sends the same lines; restore the file from a copy to replay the rest"
        )
    return f"up to line {reason.last} of wire.log, where the run was cut{later}"


def _other_versions(recorded: Recorded) -> list[str]:
    then, now = recorded.run.get("versions", {}), versions()
    changed = [
        f"{name} {then.get(name, 'none')} then, {now[name]} now"
        for name in now
        if then.get(name) != now[name]
    ]
    return [f"versions: {', '.join(changed)}"] if changed else []
