"""The folder of one run: copies of its inputs, `run.json`, the journal, the wire, the tables.

`run.py` makes it; reports read it. Nothing in it is needed from anywhere else.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

from runner.errors import BadInput, StorageError
from runner.journal import FILE_NAME

LEAST_FREE_BYTES = 50_000_000


def create(out: Path | None, name: str, now: datetime) -> Path:
    """Make the folder of a run: `out`, or a dated one under ./runs. Raises BadInput, StorageError.

    A folder that already holds something is refused, so that no evidence is overwritten.
    """
    folder = (out if out is not None else _dated(name, now)).absolute()
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise BadInput(
                f"--out {folder}: exists already; name a new folder, a run is never replaced"
            )
        folder.mkdir(parents=True, exist_ok=True)
        (folder / "inputs").mkdir()
    except OSError as error:
        raise StorageError(
            f"--out {folder}: the folder cannot be made: {error.strerror}; "
            "choose one that this user may write"
        ) from error
    free = shutil.disk_usage(folder).free
    if free < LEAST_FREE_BYTES:
        discard(folder)
        raise StorageError(
            f"{folder}: {free / 1e6:.0f} MB are free, a run wants at least "
            f"{LEAST_FREE_BYTES / 1e6:.0f} MB; make room or choose another disk with --out"
        )
    return folder


def _dated(name: str, now: datetime) -> Path:
    stem = f"{now:%Y-%m-%d_%H%M%S}_{name}"
    candidates = [Path("runs") / stem, *(Path("runs") / f"{stem}_{k}" for k in range(2, 1000))]
    return next(path for path in candidates if not path.exists())


def wire_name(session: int) -> str:
    """The wire record of a session: a run that is resumed begins another one."""
    return "wire.log" if session == 1 else f"wire-{session}.log"


def has_begun(folder: Path) -> bool:
    """True once the journal holds something."""
    path = folder / FILE_NAME
    return path.is_file() and path.stat().st_size > 0


def discard(folder: Path) -> None:
    """Remove the folder of a run that never began: nothing was measured, nothing is lost."""
    shutil.rmtree(folder, ignore_errors=True)


def keep_input(folder: Path, path: Path, name: str) -> str:
    """Copy an input into the folder and return its SHA-256. Raises StorageError."""
    try:
        content = path.read_bytes()
        (folder / "inputs" / name).write_bytes(content)
    except OSError as error:
        raise StorageError(
            f"{path} cannot be copied to {folder / 'inputs' / name}: {error.strerror}"
        ) from error
    return hashlib.sha256(content).hexdigest()


def write_summary(folder: Path, values: dict[str, Any]) -> None:
    """(Re)write run.json as a whole. Raises StorageError."""
    target, draft = folder / "run.json", folder / "run.json.new"
    try:
        draft.write_text(json.dumps(values, indent=2, ensure_ascii=False) + "\n", "utf-8")
        draft.replace(target)
    except OSError as error:
        raise StorageError(f"{target}: cannot be written: {error.strerror}") from error


def read_summary(folder: Path) -> dict[str, Any]:
    """run.json as a dict. Raises BadInput when this is no run folder."""
    try:
        values: dict[str, Any] = json.loads((folder / "run.json").read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise BadInput(f"{folder}: is no run folder: run.json cannot be read ({error})") from error
    return values
