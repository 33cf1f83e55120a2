"""One run from its inputs to its tables: check, walk on paper, open, run, write.

Called by the `run` command. Everything that can be refused is refused before a folder
is made, and everything that can fail is tried before anything is energised.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any

from runner import run_folder
from runner.attention import Attention
from runner.bench import Bench, open_bench
from runner.bench_file import BenchFile, load_bench_file
from runner.clock import WallClock, stamp
from runner.engine import AskedSteps, Ending, Engine, Listener
from runner.interlocks import Limit
from runner.journal import FORMAT, Journal
from runner.module_file import ModuleFile, load_module_file
from runner.options import Setup
from runner.plan import Plan, walk
from runner.ratings import Allowed, allowed, check, interlocks
from runner.seam import open_seam
from runner.sequence import Sequence
from runner.toml_file import resolve

PACKAGES = ("ampworth", "pyvisa", "pyvisa-py", "pyvisa-sim", "pyserial", "numpy")


@dataclass(frozen=True, slots=True)
class Job:
    """A run that has been checked: nothing is opened yet."""

    sequence: Sequence
    values: Mapping[str, Any]
    setup: Setup
    bench_path: Path
    module_path: Path
    allowed: Allowed
    plan: Plan
    limits: tuple[Limit, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Run:
    """A run that has ended."""

    folder: Path
    ending: Ending


def prepare(
    sequence: Sequence, values: Mapping[str, Any], bench: str, module: str, attention: Attention
) -> Job:
    """Load and check everything, and walk the sequence on paper. Raises BadInput."""
    bench_path, module_path = resolve(bench, "bench"), resolve(module, "module")
    setup = Setup(load_module_file(module_path), load_bench_file(bench_path))
    warnings = check(setup.bench, setup.module, bench_path, module_path)
    may = allowed(setup.bench, setup.module)
    steps = AskedSteps(sequence.start(setup, values), sequence.path, attention)
    plan = walk(steps.after, may, setup.module.vout_set_v)
    limits = interlocks(setup.bench, setup.module)
    return Job(sequence, values, setup, bench_path, module_path, may, plan, limits, warnings)


def execute(job: Job, out: Path | None, attention: Attention, listener: Listener) -> Run:
    """Open the bench, run the sequence, leave it safe. Returns the folder and the ending.

    Raises AmpworthError or InstrumentError when the run could not begin; then there is no
    folder either.
    """
    folder = run_folder.create(out, job.sequence.name, WallClock().utc())
    try:
        with _opened(job, folder) as (bench, journal):
            header = _header(job, folder, bench)
            journal.write("run", **header)
            run_folder.write_summary(folder, header | {"ending": None})
            ending = _engine(job, bench, journal, attention, listener)
            _close(folder, header, ending, bench)
    except BaseException:
        if not run_folder.has_begun(folder):
            run_folder.discard(folder)
        raise
    return Run(folder, ending)


@contextmanager
def _opened(job: Job, folder: Path) -> Iterator[tuple[Bench, Journal]]:
    """The open bench and the open journal of a run; closes both."""
    file = job.setup.bench
    seam = open_seam(file, job.bench_path, job.setup.module, job.module_path)
    with (
        closing(seam),
        closing(run_folder.WireRecord(folder / "wire.log", seam.clock)) as wire,
        open_bench(seam, file, job.allowed.greatest(), wire) as bench,
        closing(Journal(folder, seam.clock)) as journal,
    ):
        yield bench, journal


def _engine(
    job: Job, bench: Bench, journal: Journal, attention: Attention, listener: Listener
) -> Ending:
    listener.on_note(bench.cautions)
    engine = Engine(
        bench,
        job.allowed,
        job.limits,
        journal,
        attention,
        listener,
        job.setup.module.vout_set_v,
    )
    return engine.run(job.sequence.start(job.setup, job.values), job.sequence.path)


def _header(job: Job, folder: Path, bench: Bench) -> dict[str, Any]:
    """What the run record says: inputs, versions, identities, parameters, provenance."""
    inputs = {
        "bench": run_folder.keep_input(folder, job.bench_path, "bench.toml"),
        "module": run_folder.keep_input(folder, job.module_path, "module.toml"),
        "sequence": run_folder.keep_input(folder, job.sequence.path, "sequence.py"),
    }
    return {
        "format": FORMAT,
        "run_id": _run_id(job, bench),
        "sequence": job.sequence.name,
        "parameters": dict(job.values),
        "started_utc": stamp(bench.clock.utc()),
        "inputs_sha256": inputs,
        "versions": {name: version(name) for name in PACKAGES},
        "identities": bench.identities,
        "sources": bench.leads.sources,
        "points_planned": job.plan.points,
        "duration_planned_s": round(job.plan.duration_s, 1),
        "module": _plain(job.setup.module),
        "bench": _plain(job.setup.bench),
    }


def _run_id(job: Job, bench: Bench) -> str:
    return f"{bench.clock.utc():%Y%m%dT%H%M%S}-{job.sequence.name}"


def _plain(file: BenchFile | ModuleFile) -> dict[str, Any]:
    values: dict[str, Any] = file.model_dump(mode="json")
    return values


def _close(folder: Path, header: dict[str, Any], ending: Ending, bench: Bench) -> None:
    summary = header | {
        "ended_utc": stamp(bench.clock.utc()),
        "ending": ending.name,
        "message": ending.message,
        "exit_code": ending.exit_code,
        "safe": ending.way.as_record(),
    }
    run_folder.write_summary(folder, summary)
