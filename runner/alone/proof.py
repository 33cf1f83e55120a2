"""May this bench be left alone? A drill passed today, enough room on the disk, enough time.

Asked by `run --unattended` before anything is opened; `execute` then compares who answers
with who answered in the drill. `drill.py` makes the folders that are looked for here. A
journal's chain shows a slip or an edit; it is no seal against somebody who makes a new one.
"""

from __future__ import annotations

import hashlib
import shlex
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from runner import journal
from runner.clock import WallClock, stamp
from runner.errors import BadInput, BenchError, StorageError
from runner.run_folder import LEAST_FREE_BYTES

DRILL = "drill"
DRILLS = Path("drills")
VALID_FOR = timedelta(hours=24)
"""A drill is of today if it ended no longer ago: a night has two dates."""
CLOCK_SLACK = timedelta(minutes=1)
BYTES_PER_S = 10_000
"""What a run writes at most, all of it [bytes/s]: 9 kB/s in quick points, 1 kB/s in soaks."""
PASSED = "passed"
PARTS = (
    "person",
    "fuse",
    "disk and time",
    "boxes",
    "thermometers",
    "limits",
    "interlock",
    "stop",
    "watchdog",
)
"""What a drill is made of; a part that a bench has not says so."""


@dataclass(frozen=True, slots=True)
class Drill:
    """A drill that was passed, as its journal says."""

    folder: Path
    ended: datetime
    journal_sha256: str
    inputs_sha256: Mapping[str, str]
    identities: Mapping[str, str]

    def as_record(self) -> dict[str, Any]:
        """What the header of a run says of the drill it relies on."""
        return {
            "folder": str(self.folder.absolute()),
            "ended_utc": stamp(self.ended),
            "journal_sha256": self.journal_sha256,
        }


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a drill has to be of: these two files, by the bytes they have now."""

    bench_path: Path
    module_path: Path

    @property
    def command(self) -> str:
        """The command that makes one."""
        return shlex.join(
            ["ampworth", "drill", str(self.bench_path), "--module", str(self.module_path)]
        )

    def shortcoming(self, drill: Drill, now: datetime) -> str:
        """Why a drill does not serve; empty where it does."""
        for name, path in (("bench", self.bench_path), ("module", self.module_path)):
            if drill.inputs_sha256.get(name) != sha256_of(path):
                return f"it was made with another {name} file, or {path} was changed since"
        if drill.ended > now + CLOCK_SLACK:
            return f"it ended at {stamp(drill.ended)}, which is yet to come: set the clock right"
        if now - drill.ended > VALID_FOR:
            hours = (now - drill.ended) / timedelta(hours=1)
            return f"it ended {hours:.1f} h ago, at most {VALID_FOR / timedelta(hours=1):g} h count"
        return ""


def sha256_of(path: Path) -> str:
    """Of a file's bytes. Raises BadInput."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as error:
        raise BadInput(f"{path}: cannot be read: {error.strerror}") from error


def drill_relied_on(
    wanted: Wanted, given: Path | None, now: datetime, below: Path = DRILLS
) -> Drill:
    """The drill of `given`, or the newest below ./drills that serves.

    Raises BadInput, saying what is missing and which command makes it.
    """
    reasons = []
    for folder in [given] if given is not None else _newest_first(below):
        try:
            drill = read_drill(folder)
            reason = wanted.shortcoming(drill, now)
        except BadInput as error:
            reason = str(error)
        else:
            if not reason:
                return drill
            reason = f"{folder}: {reason}"
        reasons.append(reason)
    found = reasons[0] if reasons else f"found none below {below.absolute()}"
    raise BadInput(
        f"--unattended: this bench may be left alone only after a drill passed within "
        f"{VALID_FOR / timedelta(hours=1):g} h, with the same bench file, module file and "
        f"instruments; {found}. Do one: {wanted.command}"
    )


def _newest_first(below: Path) -> list[Path]:
    found = [path.parent for path in below.glob(f"*/{journal.FILE_NAME}")]
    return sorted(found, key=lambda folder: folder.name, reverse=True)


def read_drill(folder: Path) -> Drill:
    """A drill from its journal, every checksum followed. Raises BadInput unless it was passed."""
    try:
        return _passed_drill(folder, list(journal.read(folder / journal.FILE_NAME)))
    except (KeyError, TypeError, ValueError) as error:
        raise BadInput(
            f"{folder}: this version cannot read the drill's records: {error!r}"
        ) from error


def _passed_drill(folder: Path, records: list[dict[str, Any]]) -> Drill:
    first, last = (records[0], records[-1]) if records else ({}, {})
    if first.get("is_drill") is not True:
        raise BadInput(f"{folder}: is no folder of a drill")
    if last["kind"] != "end":
        raise BadInput(f"{folder}: this drill was cut off before its end")
    if last["ending"] != PASSED:
        raise BadInput(f"{folder}: this drill was not passed: {last['message']}")
    parts = {record["part"]: record for record in records if "part" in record}
    for name in PARTS:
        if name not in parts or parts[name]["state"] == "failed":
            raise BadInput(f"{folder}: this drill has no part {name!r} that was passed")
        _check_run(folder, parts[name])
    return Drill(
        folder,
        datetime.fromisoformat(last["utc"]),
        sha256_of(folder / journal.FILE_NAME),
        first["inputs_sha256"],
        last["identities"],
    )


def _check_run(folder: Path, part: Mapping[str, Any]) -> None:
    """The run that a part relies on has the journal it had."""
    if part["run"] and sha256_of(folder / part["run"] / journal.FILE_NAME) != part["run_sha256"]:
        raise BadInput(f"{folder}: the journal of its run {part['run']!r} was changed since")


def check_identities(drill: Drill | None, identities: Mapping[str, str]) -> None:
    """Refuse boxes that are not those of the drill. Raises BenchError, with nothing energised."""
    if drill is None:
        return
    for name, identity in identities.items():
        then = drill.identities.get(name)
        if then != identity:
            raise BenchError(
                f"{name}: {identity!r} answers, in the drill {drill.folder} it was {then!r}. "
                "Do a drill with the boxes that are there now"
            )


def check_time(duration_s: float, within_h: float | None) -> None:
    """Refuse a run that is planned for longer than there is. Raises BadInput."""
    if within_h is not None and duration_s > 3600.0 * within_h:
        raise BadInput(
            f"--within-h {within_h:g}: the run is planned for {duration_s / 3600.0:.2f} h; give "
            "it more time, or ask the sequence for less"
        )


def check_room(folder: Path, duration_s: float) -> str:
    """Say what room there is for a planned run [s]. Raises StorageError where it is too little."""
    place = next(path for path in [folder.absolute(), *folder.absolute().parents] if path.exists())
    free = shutil.disk_usage(place).free
    need = LEAST_FREE_BYTES + int(BYTES_PER_S * duration_s)
    said = f"{free / 1e6:.0f} MB are free at {place}, {need / 1e6:.0f} MB may be needed"
    if free < need:
        raise StorageError(f"{said}; make room or choose another disk with --out")
    return said


def leave_alone(
    wanted: Wanted,
    out: Path | None,
    duration_s: float,
    *,
    given: Path | None,
    within_h: float | None,
    stays_on: bool,
) -> Drill | None:
    """Refuse a planned run [s] that must not be left alone; give the drill it relies on.

    None where nothing outlives the process, so that nothing is energised, and none is given.
    Raises BadInput or StorageError.
    """
    check_time(duration_s, within_h)
    check_room(out if out is not None else Path.cwd(), duration_s)
    if given is None and not stays_on:
        return None
    return drill_relied_on(wanted, given, WallClock().utc())
