"""Goes on with a run that was cut: the same inputs, the same bench, made safe first.

Called by the `resume` command. Everything that can be refused is refused before a box is
opened; the journal is the run's own and is continued, so every output is made from it as ever.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from runner import sequence
from runner.attention import STOP_FILE, Attention
from runner.clock import Later
from runner.engine import AskedSteps, Cut, Ending, Listener
from runner.errors import BadInput, BenchError, NotSafe
from runner.files.toml_file import resolve
from runner.hand.person import Person
from runner.journal import FILE_NAME
from runner.make_safe import make_safe
from runner.past import Past, feed_back, past_of
from runner.run import Job, Run, drive, ended, opened, prepare, through, versions
from runner.safe import Way
from runner.seam import Seam

INPUTS = {"bench": "bench.toml", "module": "module.toml", "sequence": "sequence.py"}


@dataclass(frozen=True, slots=True)
class Resumption:
    """A run that may be gone on with: nothing is opened yet."""

    job: Job
    past: Past


def prepare_again(folder: Path, attention: Attention, *, after_trip: bool = False) -> Resumption:
    """Load the run's inputs and prove that they are still the same. Raises BadInput."""
    past = past_of(folder)
    _check_may_go_on(past, after_trip)
    given = {kind: _same_input(past, kind) for kind in INPUTS}
    loaded = sequence.load(given["sequence"])
    values = {
        p.name: _value(past.run["parameters"].get(p.name, p.default)) for p in loaded.parameters
    }
    job = prepare(loaded, values, given["bench"], given["module"], attention)
    if job.by_hand:
        raise BadInput(
            f"{folder}: a bench that a person works by hand cannot be resumed: nobody can say "
            "what has stayed connected. Start a new run"
        )
    _check_same_files(past, job)
    feed_back(past, AskedSteps(loaded.start(job.setup, values), loaded.path, attention).after)
    return Resumption(job, past)


def resume(
    again: Resumption, attention: Attention, listener: Listener, person: Person | None = None
) -> Run:
    """Make the bench safe, bring it back to where the run was cut, and go on.

    Raises NotSafe when an output could not be confirmed off first, and BenchError for a bench
    with other instruments; then the journal is as it was.
    """
    job, past = again.job, again.past
    folder, header = past.folder, _header(past)
    attention.obey(folder / STOP_FILE)
    ways: list[Way] = []
    rewinds = False

    def before(seam: Seam) -> Seam:
        nonlocal rewinds
        _check_still(past)
        rewinds = seam.rewinds and not job.asks  # how long a person takes cannot be repeated
        if seam.stays_on:
            ways.append(make_safe(seam, job.setup.bench))
            _check_safe(ways[0], listener)
        return seam if rewinds else replace(seam, clock=_later(seam, past))

    with opened(job, folder, attention, before, past.sessions + 1) as (bench, journal, watchdog):
        _check_identities(past, bench.identities)
        if not rewinds:
            past.go_back()
        cut = Cut(
            past,
            rewinds=rewinds,
            about={"made_safe": ways[0].as_record() if ways else None, "versions": versions()},
        )

        def run() -> Ending:
            return drive(job, bench, journal, attention, listener, person, cut)

        ending = through(folder, header, bench, watchdog, listener, run)
    return ended(folder, ending, watchdog, listener)


def _check_may_go_on(past: Past, after_trip: bool) -> None:
    ending = past.end["ending"] if past.end else ""
    if ending == "done":
        raise BadInput(
            f"{past.folder}: the run came to its end; there is nothing to resume. "
            "`ampworth report` makes its tables"
        )
    if ending == "tripped" and not after_trip:
        raise BadInput(
            f"{past.folder}: the run was ended by an interlock: {past.how}. Find out why first; "
            "when that is mended, resume with --after-trip"
        )


def _check_still(past: Past) -> None:
    """Raise BadInput where somebody else went on with the run since its journal was read."""
    if (past.folder / FILE_NAME).stat().st_size != past.size:
        raise BadInput(
            f"{past.folder}: the run went on while it was looked at; is somebody else resuming it? "
            "See how it ended, and resume again if that is still wanted"
        )


def _check_same_files(past: Past, job: Job) -> None:
    """Raise BadInput where a file that an input names has changed, such as a claim's curve."""
    for kind, file in (("module", job.setup.module), ("bench", job.setup.bench)):
        then, now = past.run.get(kind), file.model_dump(mode="json")
        change = _change(then, now, kind) if then else ""
        if change:
            raise BadInput(
                f"{past.folder}: what the {kind} file says has changed since the run began, though "
                f"the file itself has not: {change}. Put back what it refers to, resume with the "
                "version that made the run (run.json), or start a new run"
            )


def _change(then: Any, now: Any, where: str) -> str:
    """The first value that differs, in words; what only a later version knows is no change."""
    if isinstance(then, dict) and isinstance(now, dict):
        pairs = [(then[key], now.get(key), f"{where}.{key}") for key in then]
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        pairs = [(then[k], now[k], f"{where}[{k}]") for k in range(len(then))]
    else:
        return "" if then == now else f"{where} was {then!r:.80}, it is {now!r:.80}"
    return next((change for pair in pairs if (change := _change(*pair))), "")


def _same_input(past: Past, kind: str) -> str:
    """How to ask for an input again; the run's own copy where the file is no longer there.

    The journal knows each by its SHA-256; the copy in the run folder is only needed where the
    file itself is gone. Raises BadInput where it is another, with the first line that differs.
    """
    kept = past.folder / "inputs" / INPUTS[kind]
    given = str(past.run.get("given", {}).get(kind, kept))
    path, wanted = _path(given, kind), past.run["inputs_sha256"].get(kind)
    then = _bytes(kept)
    is_kept = then is not None and _sha256(then) == wanted
    if not path.is_file():
        if is_kept:
            return str(kept)
        lost = "gone" if then is None else "no longer the one of the run (by its SHA-256)"
        raise BadInput(
            f"{path}: the {kind} file of the run is gone, and its copy {kept} is {lost}. "
            "Restore either, or start a new run"
        )
    now = _bytes(path)
    if now is None:
        raise BadInput(f"{path}: the {kind} file cannot be read; resume as a user who may")
    if _sha256(now) == wanted:
        return given
    change = f": {_difference(then, now)}" if is_kept and then is not None else ""
    back = f"{kept} is the run's own copy" if is_kept else f"the run's own copy {kept} is lost too"
    raise BadInput(
        f"{path}: the {kind} file has changed since the run began{change}. "
        f"Put it back ({back}), or start a new run"
    )


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except OSError:
        return None


def _sha256(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _path(given: str, kind: str) -> Path:
    if kind == "sequence":
        return sequence.shipped().get(given, Path(given))
    return resolve(given, "bench" if kind == "bench" else "module")


def _difference(then: bytes, now: bytes) -> str:
    """The first line that differs, in words."""
    before, after = (text.decode("utf-8", "replace").splitlines() for text in (then, now))
    for number in range(max(len(before), len(after))):
        was = before[number] if number < len(before) else "(no such line)"
        new = after[number] if number < len(after) else "(no such line)"
        if was != new:
            return f"line {number + 1} was {was.strip()!r}, it is {new.strip()!r}"
    return "its line ends"


def _value(recorded: Any) -> Any:
    return tuple(recorded) if isinstance(recorded, list) else recorded


def _header(past: Past) -> dict[str, Any]:
    """The run record without what the journal adds to every record."""
    return {k: v for k, v in past.run.items() if k not in ("n", "kind", "t_s", "utc", "sum")}


def _later(seam: Seam, past: Past) -> Later:
    """The run's clock goes on: what passed meanwhile by the time of day has passed."""
    gap_s = (seam.clock.utc() - datetime.fromisoformat(past.utc)).total_seconds()
    return Later(seam.clock, past.t_s + max(0.0, gap_s))


def _check_safe(way: Way, listener: Listener) -> None:
    for attempt in way.attempts:
        if attempt.detail:
            listener.on_note(f"{attempt.action}: {attempt.detail}")
    if not way.confirmed:
        raise NotSafe(f"{way.instructions()}. Nothing was resumed")


def _check_identities(past: Past, identities: dict[str, str]) -> None:
    for name, then in past.run["identities"].items():
        now = identities.get(name)
        if now != then:
            raise BenchError(
                f"instrument {name!r} was {then!r} when the run began, it is {now!r}; a run is "
                "resumed on the same bench only. Connect the same box, or start a new run"
            )
