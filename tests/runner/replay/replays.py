"""A small run for the replays to work on, and what they look at in a folder."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from runner import journal
from runner.replay.offline import Replayed, replay
from runner.report.tables import write_tables
from tests.runner.live import TWO_POINTS, Live


def same(folder: Path) -> Replayed:
    """A replay that must differ in nothing, to the last line and record."""
    told = replay(folder)
    assert told.differences == () and told.exit_code == 0 and told.until == ""
    recorded = list(journal.read(folder / journal.FILE_NAME))
    assert told.journals.t_s == recorded[-1]["t_s"]
    return told


def in_wire(folder: Path, way: str) -> list[str]:
    """The texts of one way in a wire record."""
    rows = (folder / "wire.log").read_text("utf-8").split("\n")[:-1]
    return [cells[3] for cells in (row.split("\t") for row in rows) if cells[2] == way]


def two_points(live: Live, **how: Any) -> Path:
    folder = live.run(live.sequence(TWO_POINTS), **how).folder
    write_tables(folder)
    return folder


def contents(folder: Path) -> dict[str, str]:
    files = [path for path in folder.rglob("*") if path.is_file()]
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def changed(path: Path, found: str, instead: str) -> None:
    text = path.read_text("utf-8")
    assert found in text
    path.write_text(text.replace(found, instead), "utf-8")
