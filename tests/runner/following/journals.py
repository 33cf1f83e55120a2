"""A short journal that grows, for tests of what follows it."""

from __future__ import annotations

from contextlib import closing
from pathlib import Path
from typing import Any

from runner import journal
from tests.runner.fakes import StepClock

READING: dict[str, Any] = {
    "vin_v": 24.0,
    "iin_a": 0.85,
    "vout_v": 9.0,
    "iout_a": 2.0,
    "ambient_temp_c": 25.0,
    "case_temp_c": 40.0,
    "hot_spot_temp_c": 55.0,
    "supply_mode": "CV",
    "load_mode": "CC",
}
RUN: dict[str, Any] = {
    "format": 1,
    "run_id": "20260621T040000-own",
    "sequence": "own",
    "started_utc": "2026-06-21T04:00:00.000Z",
    "points_planned": 2,
    "duration_planned_s": 100.0,
    "pace_planned": {"left_s": [100.0, 40.0, 0.0], "every": 1},
    "limits": [{"quantity": "vout_v", "most": 10.0, "source": "the bench file"}],
    "module": {"name": "mast regulator", "unit": "unit 1"},
    "bench": {"name": "boathouse bench"},
}
SAFE = {"emergency": False, "confirmed": True, "unconfirmed": [], "attempts": []}
END = {"ending": "done", "message": "the sequence came to its end", "exit_code": 0}


def write(folder: Path, *records: tuple[str, dict[str, Any]]) -> Path:
    """A journal of these records in `folder`; returns its path."""
    folder.mkdir(parents=True, exist_ok=True)
    clock = StepClock()
    with closing(journal.Journal(folder, clock)) as own:
        for kind, values in records:
            clock.sleep(1.0)
            own.write(kind, **values)
    return folder / journal.FILE_NAME


def short(**run: Any) -> list[tuple[str, dict[str, Any]]]:
    """A run that draws once and ends."""
    return [
        ("run", RUN | run),
        ("step", {"index": 0, "step": "Draw", "args": {"iout_a": 2.0}}),
        ("sample", {"index": 0, **READING}),
        ("note", {"text": "a heron looks in at 24 °C"}),
        ("safe", SAFE),
        ("end", END),
    ]


def going(**run: Any) -> list[tuple[str, dict[str, Any]]]:
    """The same run before its end."""
    return short(**run)[:-2]
