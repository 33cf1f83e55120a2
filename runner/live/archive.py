"""The run folders below one folder, found by looking, never by joining what a client sent.

For the page. A name is looked up among the folders that a scan found, so no path can lead
outside; links are not followed. Reads only, but for the stop request.
"""

from __future__ import annotations

import os
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from runner import journal
from runner.attention import STOP_FILE
from runner.errors import BadInput
from runner.live.follow import glance
from runner.live.state import CUT_OFF, ODD, VERDICTS_FILE, Watched, verdicts_of, was_cut

DEPTH = 4
"""How many folders deep runs are looked for."""
MOST_RUNS = 20_000
SCAN_EVERY_S = 2.0
KEPT_OPEN = 16
"""Runs whose state is kept; another one is read anew."""


@dataclass(frozen=True, slots=True)
class Listed:
    """One run in the list."""

    name: str
    started_utc: str
    sequence: str
    module: str
    unit: str
    phase: str
    message: str
    verdicts: str


class Archive:
    """The runs below `root`. Safe to ask from several threads."""

    def __init__(self, root: Path) -> None:
        if not root.is_dir():
            raise BadInput(f"{root}: there is no such folder; name the folder the runs are in")
        self.root = root.resolve()
        self._lock = threading.Lock()
        self._folders: dict[str, Path] = {}
        self._scanned_s = float("-inf")
        self._open: OrderedDict[str, LockedRun] = OrderedDict()
        self._listed: dict[str, tuple[object, Listed]] = {}
        self._newest_first: list[Listed] = []
        self._listed_s = float("-inf")

    def folders(self) -> dict[str, Path]:
        """Every run folder by its name: its path below the root, with slashes."""
        with self._lock:
            if time.monotonic() - self._scanned_s > SCAN_EVERY_S:
                self._folders = {
                    path.relative_to(self.root).as_posix(): path for path in _runs(self.root)
                }
                self._scanned_s = time.monotonic()
            return self._folders

    def listed(self) -> list[Listed]:
        """Every run, the newest first; looked up no more often than the folders are."""
        folders = self.folders()
        with self._lock:
            if time.monotonic() - self._listed_s > SCAN_EVERY_S:
                found = [self._list(name, path) for name, path in folders.items()]
                found.sort(key=lambda one: (one.started_utc, one.name), reverse=True)
                self._newest_first, self._listed_s = found, time.monotonic()
            return self._newest_first

    def run(self, name: str) -> LockedRun | None:
        """The run of that name, or None."""
        path = self.folders().get(name)
        if path is None or not path.resolve().is_relative_to(self.root):
            return None
        with self._lock:
            kept = self._open.pop(name, None) or LockedRun(name, Watched(path))
            self._open[name] = kept
            while len(self._open) > KEPT_OPEN:
                self._open.popitem(last=False)
        return kept

    def forget(self, name: str) -> None:
        """Read this run anew the next time: its journal was replaced."""
        with self._lock:
            self._open.pop(name, None)

    def _list(self, name: str, path: Path) -> Listed:
        stamp = (_stamp(path / journal.FILE_NAME), _stamp(path / VERDICTS_FILE))
        kept = self._listed.get(name)
        if kept is None or kept[0] != stamp or kept[1].phase in ("running", "stopping"):
            kept = (stamp, _listed(name, path))
            self._listed[name] = kept
        return kept[1]


class LockedRun:
    """A run that several threads may look at, one at a time."""

    def __init__(self, name: str, watched: Watched) -> None:
        self.name, self.watched = name, watched
        self.lock = threading.Lock()
        self.looked_s = float("-inf")


def _runs(folder: Path, depth: int = DEPTH) -> Iterator[Path]:
    for found, path in enumerate(_below(folder, depth)):
        if found >= MOST_RUNS:
            return
        yield path


def _below(folder: Path, depth: int) -> Iterator[Path]:
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError:  # not ours to read
        return
    names = {entry.name for entry in entries if entry.is_file(follow_symlinks=False)}
    if journal.FILE_NAME in names:
        yield folder
        return
    for entry in entries:
        if depth and entry.is_dir(follow_symlinks=False) and _is_shown(entry.name):
            yield from _below(Path(entry.path), depth - 1)


def _is_shown(name: str) -> bool:
    """Names that can be shown and sent back; a hidden folder is somebody else's."""
    return not name.startswith(".") and name.isprintable()


def _listed(name: str, path: Path) -> Listed:
    """A run for the list; one that cannot be read must not take the others with it."""
    try:
        return _line(name, path)
    except BadInput as error:
        return Listed(name, "", "", "", "", "damaged", _without(path, error), "")
    except ODD as error:
        said = f"this version cannot read its journal ({type(error).__name__})"
        return Listed(name, "", "", "", "", "damaged", said, "")


def _line(name: str, path: Path) -> Listed:
    ends = glance(path)
    verdicts = verdicts_of(path)
    tally = verdicts.tally() if verdicts else ""
    if ends.first is None or ends.last is None:
        return Listed(name, "", "", "", "", "getting ready", "", tally)
    run, last = ends.first, ends.last
    ended = last.get("kind") == "end"
    module = run.get("module") or {}
    stopping = "stopping" if (path / STOP_FILE).exists() else "running"
    stopping = CUT_OFF if was_cut(path, run) else stopping
    return Listed(
        name,
        str(run.get("utc", "")),
        str(run.get("sequence", "")),
        str(module.get("name", "")),
        str(module.get("unit") or ""),
        str(last["ending"]) if ended else stopping,
        str(last["message"]) if ended else f"last record {last.get('utc', '')}",
        tally,
    )


def _stamp(path: Path) -> tuple[int, int] | None:
    """What changes when a file does."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_size, status.st_mtime_ns


def _without(path: Path, error: BadInput) -> str:
    """The message without the path of this machine."""
    return str(error).replace(f"{path}{os.sep}", "")
