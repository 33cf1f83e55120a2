"""The parts of a drill, each a function from the bench to what was seen.

Called by `drill.py`, in the order of the two tables at the end: what can be looked at with
everything off, then what energises, at the module's least line and without load.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import ExitStack, closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Literal

from runner import journal
from runner.alone import runs
from runner.alone.proof import check_room, check_time
from runner.attention import Attention
from runner.bench import TEMPERATURES
from runner.check import Findings, check_bench
from runner.hand.answers import Unclear, number
from runner.hand.person import Asking
from runner.journal import Journal
from runner.lock import hold
from runner.ratings import FUSE_LOAD
from runner.run import Job, Run
from runner.seam import open_seam, outlives
from runner.steps import Reading

BAND_K = 5.0
"""How far apart thermometers may be when all is cold (common practice, no source)."""
ROOM_C = (-10.0, 50.0)
"""A bench that is cold reads within these, whatever the room."""
WORD = "yes"
CONFIRM = {
    "tray and cover": "module, leads and load stand in a tray that does not burn, with a cover "
    "that does not burn over them and nothing flammable near",
    "smoke alarm": "a smoke alarm hangs in the room, was tested, and somebody would hear it",
    "mains switch": "one mains switch takes the power from the whole bench, and can be reached "
    "without reaching over it",
}

State = Literal["passed", "failed", "not here"]


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the drill: what was seen, and the run folder that shows it."""

    name: str
    state: State
    seen: str
    run: str = ""
    exit_code: int = 0


@dataclass(frozen=True, slots=True)
class Planned:
    """The run that the bench will be left alone with, and what it may take."""

    job: Job | None = None
    within_h: float | None = None
    room_temp_c: float | None = None
    band_k: float = BAND_K


@dataclass(slots=True)
class At:
    """What the parts work with: the checked job, the journal, the person, who is listened to."""

    job: Job
    folder: Path
    book: Journal
    asking: Asking
    planned: Planned
    say: Callable[[str], None]
    attention: Attention
    findings: Findings | None = None
    identities: dict[str, str] = field(default_factory=dict)


def _person(at: At) -> Part:
    for about, text in CONFIRM.items():
        if not _is_confirmed(at, about, f"{text}: type {WORD} if it is so, no if not:"):
            return Part("person", "failed", f"{about}: the person says that it is not so")
    return Part("person", "passed", f"confirmed at the terminal: {', '.join(CONFIRM)}")


def _is_confirmed(at: At, about: str, text: str) -> bool:
    def understand(raw: str) -> bool:
        word = raw.strip().lower()
        if word not in (WORD, "no"):
            raise Unclear(f"{raw.strip()!r} is not taken here: type {WORD} or no, in full")
        return word == WORD

    return at.asking.ask(about, text, understand)


def _fuse(at: At) -> Part:
    """The supply's current limit stays below the fuse, or the supply feeds a fire past it."""
    limit_a, fuse_a = at.job.allowed.supply_limit_a, at.job.setup.bench.limits.fuse_a
    source = "as the bench file declares"
    if fuse_a is None:
        text = "the bench file names no fuse (limits.fuse_a). What is the fuse in the line, in A?"
        fuse_a = at.asking.ask("fuse", text, lambda raw: number(raw, "A"))
        source = "as the person says"
    seen = f"the supply's limit of {limit_a:g} A, the fuse of {fuse_a:g} A {source}"
    if limit_a > FUSE_LOAD * fuse_a * (1.0 + 1e-9):
        allowed_a = FUSE_LOAD * fuse_a
        return Part(
            "fuse",
            "failed",
            f"{seen}: allowed is at most {allowed_a:.3g} A; lower "
            "limits.iin_max_a of the bench file, or put fuse_a there",
        )
    return Part("fuse", "passed", seen)


def _room(at: At) -> Part:
    """Disk and time for the run that is planned, or for a night of 12 h."""
    job, planned = at.planned.job, at.planned
    if job is None:
        hours = planned.within_h or 12.0
        said = check_room(at.folder, 3600.0 * hours)
        return Part(
            "disk and time", "passed", f"{said} in {hours:g} h; no run was named with --for"
        )
    check_time(job.plan.duration_s, planned.within_h)
    said = check_room(at.folder, job.plan.duration_s)
    hours = job.plan.duration_s / 3600.0
    within = "" if planned.within_h is None else f" of {planned.within_h:g} h there are"
    text = f"{said}; {job.sequence.name} is planned for {hours:.2f} h{within}"
    return Part("disk and time", "passed", text)


def _boxes(at: At) -> Part:
    """Every box answers, is the one the bench file names, and can be read."""
    file, job = at.job.setup.bench, at.job
    with ExitStack() as stack:
        seam = stack.enter_context(
            closing(open_seam(file, job.bench_path, job.setup.module, job.module_path))
        )
        if seam.stays_on:
            stack.enter_context(hold(file.resources, f"drill in {at.folder}"))
        at.findings = check_bench(seam, file, job.allowed.greatest())
    wrong = [f"{box.name}: {box.problem}" for box in at.findings.boxes if box.problem]
    if wrong or not at.findings.is_complete:
        return Part("boxes", "failed", "; ".join(wrong) or at.findings.problem)
    seen = ", ".join(f"{box.name} {box.identity}" for box in at.findings.boxes)
    return Part("boxes", "passed", f"each answers as expected: {seen}")


def _thermometers(at: At) -> Part:
    name = "thermometers"
    rest = at.findings.at_rest if at.findings is not None else None
    if rest is None:
        return Part(name, "failed", "the bench could not be read")
    file = at.job.setup.bench
    there = [spot for spot in TEMPERATURES if file.thermometer(spot) is not None]
    return judged_thermometers(there, rest, at.planned.room_temp_c, at.planned.band_k)


def judged_thermometers(
    there: Iterable[str], rest: Reading, room_temp_c: float | None, band_k: float
) -> Part:
    """Of a reading with all cold: each within `band_k` [K] of the room, or of each other.

    `there` names the thermometers of the bench: one that gives nothing is open, or lost.
    """
    name, found = "thermometers", dict(_temperatures(rest))
    lost = [spot for spot in there if spot not in found]
    if lost:
        return Part(name, "failed", f"{', '.join(lost)} reads nothing: open, or not connected")
    if not found:
        return Part(name, "not here", "no thermometer: no temperature is watched on this bench")
    seen = ", ".join(f"{spot} {temp_c:.1f} °C" for spot, temp_c in found.items())
    wild = [spot for spot, temp_c in found.items() if not ROOM_C[0] <= temp_c <= ROOM_C[1]]
    if wild:
        return Part(name, "failed", f"{seen}: {', '.join(wild)} is no temperature of a cold bench")
    if room_temp_c is None and len(found) == 1:
        return Part(
            name,
            "failed",
            f"{seen}: one alone proves nothing; give --room-temp-c as read "
            "from another thermometer",
        )
    temps_c = list(found.values()) + ([] if room_temp_c is None else [room_temp_c])
    apart_k = max(temps_c) - min(temps_c)
    if room_temp_c is not None:
        apart_k = max(abs(temp_c - room_temp_c) for temp_c in found.values())
        seen += f", the room {room_temp_c:g} °C as the person says"
    if apart_k > band_k:
        return Part(
            name,
            "failed",
            f"{seen}: {apart_k:.1f} K apart, at most {band_k:g} K; let it "
            "cool down, or see which one is off",
        )
    return Part(name, "passed", f"{seen}: {apart_k:.1f} K apart, at most {band_k:g} K")


def _temperatures(rest: Reading) -> Iterator[tuple[str, float]]:
    for spot in TEMPERATURES:
        temp_c: float | None = getattr(rest, f"{spot}_temp_c")
        if temp_c is not None:
            yield spot, temp_c


# --------------------------------------------------------------- the parts that energise


def _limits(at: At) -> Part:
    """The limits are set, read back by the drivers, and the bench runs and ends well."""
    run, job = runs.run(at.job, at.folder, "limits", at.say, hold_s=2.0), at.job
    may = job.allowed
    records = list(journal.read(run.folder / journal.FILE_NAME))
    at.identities = dict(records[0]["identities"])
    if run.ending.exit_code:
        return _failed("limits", run)
    missing = [r["text"] for r in records if r["kind"] == "note" and "not available" in r["text"]]
    seen = (
        f"set and read back: supply {may.supply_limit_a:.4g} A, trips at {may.supply_trip_v:.4g} V "
        f"and {may.supply_trip_a:.4g} A; load trips at {may.load_trip_a:.4g} A and "
        f"{may.load_trip_w:.4g} W{_own_watches(job)}"
    )
    if missing:
        text = "; ".join(missing)
        question = f"{text}. Leave the bench alone without? Type {WORD} or no:"
        if not _is_confirmed(at, "missing protection", question):
            return Part("limits", "failed", f"{text}, and the person does not accept it", "limits")
        seen += f"; {text} (accepted by the person)"
    return Part("limits", "passed", seen, "limits")


def _own_watches(job: Job) -> str:
    """The watch that each box keeps on its own connection, if it was asked to."""
    boxes = job.setup.bench.boxes.items()
    times_s = {name: getattr(box, "comm_watchdog_s", None) for name, box in boxes}
    asked = [
        f"; {name} told to go off after {s:g} s of silence" for name, s in times_s.items() if s
    ]
    return "".join(asked)


def _interlock(at: At) -> Part:
    """An interlock that lies below the line trips at once, and the output goes off."""
    limit_v = 0.5 * at.job.setup.module.line_min_v
    low = replace(at.job, limits=runs.lowered(at.job.limits, "vin_v", limit_v))
    run = runs.run(low, at.folder, "interlock", at.say, hold_s=2.0)
    if run.ending.name != "tripped" or not run.ending.way.confirmed:
        return _failed("interlock", run)
    seen = f"lowered to {limit_v:g} V for once: {run.ending.message}; every output seen off"
    return Part("interlock", "passed", seen, "interlock")


def _stop(at: At) -> Part:
    """The stop file, as `ampworth stop` writes it, brings the safe state."""
    run, took_s = runs.run_and_stop(at.job, at.folder, "stop", at.say)
    if run.ending.name != "stopped" or not run.ending.way.confirmed or took_s is None:
        return _failed("stop", run)
    seen = f"pressed with the output on; every output seen off after {took_s:.1f} s"
    return Part("stop", "passed", seen, "stop")


def _watchdog(at: At) -> Part:
    """The runner is killed, its beat stops, and another process drops the output."""
    if not outlives(at.job.setup.bench):
        return Part(
            "watchdog",
            "not here",
            "this bench is simulated in the runner's process and dies with it: there is no "
            "watchdog to provoke, and this drill proves nothing about real boxes",
        )
    seen = runs.kill_and_see(at.job, at.folder, "watchdog", at.attention)
    return Part("watchdog", "passed", seen, "watchdog")


def _failed(name: str, run: Run) -> Part:
    ending = run.ending
    return Part(
        name, "failed", f"the run ended {ending.name}: {ending.message}", name, ending.exit_code
    )


DEAD: dict[str, Callable[[At], Part]] = {
    "person": _person,
    "fuse": _fuse,
    "disk and time": _room,
    "boxes": _boxes,
    "thermometers": _thermometers,
}
ENERGISED: dict[str, Callable[[At], Part]] = {
    "limits": _limits,
    "interlock": _interlock,
    "stop": _stop,
    "watchdog": _watchdog,
}
