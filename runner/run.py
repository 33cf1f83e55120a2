"""One run from its inputs to its tables: check, walk on paper, open, run, write.

Called by the `run` command. Everything that can be refused is refused before a folder
is made, and everything that can fail is tried before anything is energised.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

from runner import pace, run_folder
from runner.alone.proof import Drill, check_identities
from runner.attention import STOP_FILE, Attention
from runner.bench import Bench, open_bench
from runner.clock import WallClock, stamp
from runner.engine import AskedSteps, Cut, Ending, Engine, Listener
from runner.errors import StorageError
from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.module_file import ModuleFile, load_module_file
from runner.files.toml_file import resolve
from runner.hand.by_hand import ByHand
from runner.hand.eyes import Eye, eyes_of
from runner.hand.person import HAND_CAUTIONS, Person, check_asked, check_attended
from runner.hand.resistor_bank import Bank, bank_of
from runner.interlocks import Limit
from runner.journal import FORMAT, Journal
from runner.lock import hold
from runner.options import Setup
from runner.plan import Plan, walk
from runner.ratings import Allowed, allowed, check, interlocks
from runner.seam import Seam, open_seam
from runner.sequence import Sequence, shipped
from runner.watchdog import Watchdog
from runner.wire_record import NotedPerson, WireRecord

Before = Callable[[Seam], Seam]
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
    bank: Bank | None = None
    eyes: tuple[Eye, ...] = ()
    drill: Drill | None = None

    @property
    def by_hand(self) -> bool:
        """True where a person has to be at the bench."""
        return self.bank is not None or bool(self.eyes)

    @property
    def asks(self) -> bool:
        """True where somebody has to be there: to work the bench, or to be asked by a step."""
        return self.by_hand or bool(self.plan.asks)

    def given(self) -> dict[str, str]:
        """How this job is asked for again: what ships by its name, files by their path."""
        sequence, shipped_path = self.sequence, shipped().get(self.sequence.name)
        return {
            "sequence": sequence.name if sequence.path == shipped_path else str(sequence.path),
            "bench": _named(self.bench_path, "bench"),
            "module": _named(self.module_path, "module"),
        }


def _named(path: Path, kind: Literal["bench", "module"]) -> str:
    return "demo" if path == resolve("demo", kind) else str(path.resolve())


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
    bank, eyes = bank_of(setup.bench, setup.module, may.iout_max_a), eyes_of(setup.bench)
    plan = walk(steps.after, may, setup.module.vout_set_v, bank, len(eyes))
    limits = interlocks(setup.bench, setup.module)
    return Job(
        sequence, values, setup, bench_path, module_path, may, plan, limits, warnings, bank, eyes
    )


def execute(
    job: Job,
    out: Path | None,
    attention: Attention,
    listener: Listener,
    person: Person | None = None,
) -> Run:
    """Open the bench, run the sequence, leave it safe. Returns the folder and the ending.

    A bench worked by hand needs the `person` who works it; without one it is refused.
    Raises AmpworthError or InstrumentError when the run could not begin; then there is no
    folder either.
    """
    check_attended(job.setup.bench, job.bench_path, "" if person else "the run is unattended")
    check_asked(job.plan.asks, job.sequence.name, "" if person else "the run is unattended")
    folder = run_folder.create(out, job.sequence.name, WallClock().utc())
    attention.obey(folder / STOP_FILE)
    try:
        with opened(job, folder, attention) as (bench, journal, watchdog):
            check_identities(job.drill, bench.identities)
            header = header_of(job, folder, bench)
            journal.write("run", **header)

            def run() -> Ending:
                return drive(job, bench, journal, attention, listener, person)

            ending = through(folder, header, bench, watchdog, listener, run)
    except BaseException:
        if not run_folder.has_begun(folder):
            run_folder.discard(folder)
        raise
    return ended(folder, ending, watchdog, listener)


def through(
    folder: Path,
    header: dict[str, Any],
    bench: Bench,
    watchdog: Watchdog | None,
    listener: Listener,
    run: Callable[[], Ending],
) -> Ending:
    """Run to the end with the summary before and after it, and say what is not off."""
    run_folder.write_summary(folder, header | {"ending": None})
    ending = guarded(watchdog, run)
    if not ending.way.confirmed:  # said before the watchdog takes its time to try
        listener.on_note(ending.way.instructions())
    close(folder, header, ending, bench, listener)
    return ending


def ended(folder: Path, ending: Ending, watchdog: Watchdog | None, listener: Listener) -> Run:
    """The run, once its bench is closed; what the watchdog did about it is said."""
    if watchdog is not None and not ending.way.confirmed:
        listener.on_note(f"the watchdog tried it too: {watchdog.said()}")
    return Run(folder, ending)


def guarded(watchdog: Watchdog | None, run: Callable[[], Ending]) -> Ending:
    """Run; from here the watchdog stands down only if every output was seen to be off."""
    if watchdog is None:
        return run()
    watchdog.may_stand_down = False
    ending = run()
    watchdog.may_stand_down = ending.way.confirmed
    return ending


@contextmanager
def opened(
    job: Job,
    folder: Path,
    attention: Attention,
    before: Before = lambda seam: seam,
    session: int = 1,
) -> Iterator[tuple[Bench, Journal, Watchdog | None]]:
    """The open bench, the open journal and the watchdog of a run; closes all.

    A bench whose outputs outlive this process is locked and guarded. The links are closed
    before the watchdog is let go, so that it finds the boxes free if it has to act. `before`
    is done with the seam before the bench is opened; a `session` after the first goes on with
    the journal and has a wire record of its own.
    """
    file, watchdog = job.setup.bench, None
    with ExitStack() as stack:
        seam = stack.enter_context(
            closing(open_seam(file, job.bench_path, job.setup.module, job.module_path))
        )
        stack.enter_context(hold([str(folder.resolve())], f"run in {folder.resolve()}"))
        if seam.stays_on:
            stack.enter_context(hold(file.resources, f"run in {folder.resolve()}"))
            watchdog = stack.enter_context(
                closing(Watchdog(job.bench_path, folder / "watchdog.log"))
            )
            attention.beat = watchdog.beat
            watchdog.may_stand_down = session == 1  # what an earlier one left may be on
        seam = before(seam)
        wire_path = folder / run_folder.wire_name(session)
        wire = stack.enter_context(closing(WireRecord(wire_path, seam.clock)))
        seam, attention.noted = replace(seam, clock=wire.clock), wire.outside
        bench = stack.enter_context(open_bench(seam, file, job.allowed.greatest(), wire))
        journal = stack.enter_context(closing(Journal(folder, seam.clock, go_on=session > 1)))
        yield bench, journal, watchdog


def drive(
    job: Job,
    bench: Bench,
    journal: Journal,
    attention: Attention,
    listener: Listener,
    person: Person | None = None,
    cut: Cut | None = None,
) -> Ending:
    """Run the sequence on the open bench, from its beginning or from where it was cut."""
    listener.on_note(bench.cautions)
    person = None if person is None else NotedPerson(person, attention.noted)
    by_hand = ByHand(person, job.bank, job.eyes) if person and job.by_hand else None
    if by_hand is not None:
        listener.on_note(HAND_CAUTIONS)
    engine = Engine(
        bench,
        job.allowed,
        job.limits,
        journal,
        attention,
        listener,
        job.setup.module.vout_set_v,
        by_hand,
        person,
    )
    return engine.run(job.sequence.start(job.setup, job.values), job.sequence.path, cut)


def header_of(job: Job, folder: Path, bench: Bench) -> dict[str, Any]:
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
        "given": job.given(),
        "parameters": dict(job.values),
        "started_utc": stamp(bench.clock.utc()),
        "computer": platform.node(),
        "inputs_sha256": inputs,
        "versions": versions(),
        "identities": bench.identities,
        "sources": bench.leads.sources,
        "points_planned": job.plan.points,
        "duration_planned_s": round(job.plan.duration_s, 1),
        "pace_planned": pace.as_record(job.plan.durations_s),
        "limits": [asdict(limit) for limit in job.limits],
        "greatest": job.allowed.greatest(),
        "drill": None if job.drill is None else job.drill.as_record(),
        "module": _plain(job.setup.module),
        "bench": _plain(job.setup.bench),
    }


def versions() -> dict[str, str]:
    """What a run is made with: this program and the packages its readings went through."""
    return {name: version(name) for name in PACKAGES}


def _run_id(job: Job, bench: Bench) -> str:
    return f"{bench.clock.utc():%Y%m%dT%H%M%S}-{job.sequence.name}"


def _plain(file: BenchFile | ModuleFile) -> dict[str, Any]:
    values: dict[str, Any] = file.model_dump(mode="json")
    return values


def close(
    folder: Path, header: dict[str, Any], ending: Ending, bench: Bench, listener: Listener
) -> None:
    """Write the summary; of a run that did not end well the ending matters more than that."""
    summary = header | {
        "ended_utc": stamp(bench.clock.utc()),
        "ending": ending.name,
        "message": ending.message,
        "exit_code": ending.exit_code,
        "safe": ending.way.as_record(),
    }
    try:
        run_folder.write_summary(folder, summary)
    except StorageError as error:
        if not ending.exit_code:
            raise
        listener.on_note(str(error))
