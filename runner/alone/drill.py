"""Proves on the bench of today that it may be left alone, part by part, in a journal of its own.

Called by the `drill` command. What energises is a run like any other, of `hold.py`, in a
folder below the drill's. Nothing is energised before everything that can be seen with all
off has passed, and the first part that fails after that ends the drill. `proof.py` reads
what is written here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from datetime import datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

from drivers.errors import InstrumentError
from runner import journal, run_folder
from runner.alone.parts import DEAD, ENERGISED, At, Part, Planned
from runner.alone.proof import DRILL, DRILLS, PASSED, sha256_of
from runner.attention import Attention
from runner.clock import WallClock, stamp
from runner.errors import AmpworthError, BadInput, BenchError, Stopped
from runner.hand.person import Asking, Person
from runner.journal import FORMAT, Journal
from runner.run import Job, prepare
from runner.seam import CAUTIONS, SIMULATED, outlives
from runner.sequence import load

SEQUENCE = Path(__file__).with_name("hold.py")


@dataclass(frozen=True, slots=True)
class Drilled:
    """A drill that has ended."""

    folder: Path
    parts: tuple[Part, ...]
    ending: str
    message: str
    exit_code: int


def drill(
    bench: str,
    module: str,
    out: Path | None,
    person: Person,
    planned: Planned,
    attention: Attention,
    say: Callable[[str], None],
) -> Drilled:
    """Do every part, journal what was seen, and say whether the bench may be left alone.

    `say` is told each part as it is done. Raises BadInput or StorageError where the drill could
    not begin; whatever goes wrong later is a part that failed.
    """
    sequence = load(str(SEQUENCE))
    job = prepare(sequence, sequence.values({}), bench, module, attention)
    if job.by_hand:
        raise BadInput(
            f"{job.bench_path}: names boxes worked by hand ({', '.join(job.setup.bench.by_hand)}); "
            "such a bench cannot be left alone, and no drill makes it so"
        )
    clock = WallClock()
    folder = run_folder.create(
        out or _dated(job.setup.bench.name, clock.utc()), sequence.name, clock.utc()
    )
    say(CAUTIONS if outlives(job.setup.bench) else SIMULATED)
    with closing(Journal(folder, clock)) as book:
        header = _header(job, folder, planned, clock.utc())
        book.write("run", **header)

        def pause() -> None:
            attention.check()
            clock.sleep(0.1)

        asking = Asking(person, clock, pause, book.write)
        at = At(job, folder, book, asking, planned, say, attention)
        parts, failure = _all_parts(at)
        done = _ended(folder, parts, failure)
        book.write(
            "end",
            ending=done.ending,
            message=done.message,
            exit_code=done.exit_code,
            identities=at.identities,
        )
    summary = {"ending": done.ending, "message": done.message, "exit_code": done.exit_code}
    run_folder.write_summary(folder, header | {"ended_utc": stamp(clock.utc())} | summary)
    return done


def _dated(bench_name: str, now: datetime) -> Path:
    """A new folder below ./drills, named by time and bench."""
    name = re.sub(r"[^A-Za-z0-9]+", "_", bench_name).strip("_").lower() or "bench"
    stem = f"{now:%Y-%m-%d_%H%M%S}_{name}"
    candidates = (DRILLS / f"{stem}{f'_{k}' if k > 1 else ''}" for k in range(1, 1000))
    return next(path for path in candidates if not path.exists())


def _header(job: Job, folder: Path, planned: Planned, now: datetime) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "run_id": f"{now:%Y%m%dT%H%M%S}-{DRILL}",
        "sequence": DRILL,
        "is_drill": True,
        "parameters": {"room_temp_c": planned.room_temp_c, "band_k": planned.band_k},
        "started_utc": stamp(now),
        "inputs_sha256": {
            "bench": run_folder.keep_input(folder, job.bench_path, "bench.toml"),
            "module": run_folder.keep_input(folder, job.module_path, "module.toml"),
            "sequence": run_folder.keep_input(folder, job.sequence.path, "sequence.py"),
        },
        "versions": {"ampworth": version("ampworth")},
        "points_planned": 0,
        "planned_for": None if planned.job is None else planned.job.sequence.name,
        "module": job.setup.module.model_dump(mode="json"),
        "bench": job.setup.bench.model_dump(mode="json"),
    }


def _ended(folder: Path, parts: list[Part], failure: BaseException | None) -> Drilled:
    failed = [part for part in parts if part.state == "failed"]
    if failure is not None:
        return Drilled(folder, tuple(parts), "stopped", str(failure), Stopped.exit_code)
    if failed:
        code = max((part.exit_code for part in failed), default=BenchError.exit_code)
        names = ", ".join(part.name for part in failed)
        text = "; ".join(part.seen for part in failed)
        message = f"not passed: {names}: {text}"
        return Drilled(folder, tuple(parts), "failed", message, code)
    left_out = [part.name for part in parts if part.state == "not here"]
    without = f"; without {', '.join(left_out)}, which this bench has not" if left_out else ""
    return Drilled(folder, tuple(parts), PASSED, f"every part was passed{without}", 0)


def _all_parts(at: At) -> tuple[list[Part], BaseException | None]:
    """Every part in order; the dead ones all, the others until one fails."""
    parts: list[Part] = []
    try:
        for name, look in DEAD.items():
            parts.append(_done(at, name, look))
        for name, look in ENERGISED.items():
            if any(part.state == "failed" for part in parts):
                break
            parts.append(_done(at, name, look))
    except Stopped as stopped:
        return parts, stopped
    return parts, None


def _done(at: At, name: str, look: Callable[[At], Part]) -> Part:
    """One part, journalled and told; an error in it is a part that failed."""
    try:
        part = look(at)
    except Stopped:
        raise
    except (AmpworthError, InstrumentError) as error:
        part = Part(name, "failed", str(error), exit_code=error.exit_code)
    if part.state == "failed" and not part.exit_code:
        part = replace(part, exit_code=BenchError.exit_code)
    run_journal = at.folder / part.run / journal.FILE_NAME
    text = f"{part.state}: {part.name}: {part.seen}"
    at.book.write(
        "note",  # so that whoever follows runs can show a drill
        text=text,
        part=part.name,
        state=part.state,
        seen=part.seen,
        run=part.run,
        run_sha256=sha256_of(run_journal) if part.run else "",
    )
    at.say(text)
    return part
