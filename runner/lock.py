"""One bench, one runner: a lock on each VISA resource and run folder, held by the system.

It is let go when its holder ends, however it ends, and it names its holder. Simulated
benches in process need none: each has boxes of its own.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from runner.errors import BenchError

FOLDER = "ampworth-locks"
GLANCE_S = 0.25
"""Somebody who only looks whether a lock is held lets it go sooner than this [s]."""


@contextmanager
def hold(resources: Iterable[str], purpose: str) -> Iterator[None]:
    """Hold the lock of every resource. Raises BenchError naming the holder of one that is taken.

    `purpose` says what for: another runner shows it to the person who wants the bench too.
    """
    with ExitStack() as held:
        for resource in sorted(set(resources)):
            held.enter_context(_hold(resource, purpose))
        yield


def is_held(resource: str) -> bool:
    """Whether a process of this computer holds the lock; True where that cannot be told."""
    path = _path(resource)
    if not path.exists():
        return False
    try:
        with FileLock(path, timeout=0, mode=0o666):
            return False
    except (Timeout, OSError):
        return True


@contextmanager
def _hold(resource: str, purpose: str) -> Iterator[None]:
    path = _path(resource)
    try:
        _make_folder(path.parent)
        lock = FileLock(path, timeout=GLANCE_S, mode=0o666)
        lock.acquire()
    except Timeout:
        raise BenchError(
            f"{resource} is in use by {_holder(path)}. Wait for its end, or stop it; "
            "the lock goes with the process that holds it"
        ) from None
    except OSError as error:
        raise BenchError(f"the lock of {resource} cannot be taken: {path}: {error}") from error
    with contextlib.suppress(OSError):
        _holder_path(path).write_text(json.dumps({"pid": os.getpid(), "for": purpose}), "utf-8")
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            _holder_path(path).unlink()
        lock.release()


def _path(resource: str) -> Path:
    """Where the lock lies: of a run folder in it, so that it goes where the folder goes."""
    if Path(resource).is_dir():
        return Path(resource) / ".running.lock"
    name = hashlib.blake2b(resource.upper().encode(), digest_size=10).hexdigest()
    return Path(tempfile.gettempdir()) / FOLDER / f"{name}.lock"


def _make_folder(folder: Path) -> None:
    if not folder.exists():
        folder.mkdir(exist_ok=True)
        with contextlib.suppress(OSError):
            folder.chmod(0o1777)  # every user of this computer shares the bench


def _holder_path(path: Path) -> Path:
    return path.with_suffix(".holder")


def _holder(path: Path) -> str:
    try:
        holder = json.loads(_holder_path(path).read_text("utf-8"))
        return f"process {holder['pid']}, {holder['for']}"
    except (OSError, ValueError, KeyError):
        return "another process"
