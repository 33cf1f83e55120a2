"""What came of a replay beside what came of the run: journals and tables, first differences.

Called by `offline`. Compares exactly, but for times (a version that reads the clock at another
place gives no other result) and the rounding of a fit. It reads files and writes none.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import zip_longest
from math import isclose
from pathlib import Path
from typing import Any

from runner.live.follow import Follower
from runner.live.words import step_text
from runner.recorded import step_of
from runner.report.tables import BUDGET_FILE, DERATING_FILE, EFFICIENCY_FILE, READINGS_FILE

Record = Mapping[str, Any]
Change = tuple[str, str, str]
TABLES = (READINGS_FILE, EFFICIENCY_FILE, DERATING_FILE, BUDGET_FILE)
NOT_COMPARED = frozenset({"format", "given", "inputs_sha256", "run_id", "sum", "versions"})
GUESSED = frozenset({"duration_planned_s", "pace_planned"})
"""Keys of a run record that a version may change: names of files and software, guesses of time."""
TIMES = frozenset({"t_s", "utc", "started_utc", "elapsed_s", "dwell_s"})
"""What is read from the clock. Only another reading of it makes these differ, by little."""
TIMES_WITHIN_S = 0.01
NUMBERS_WITHIN = 1e-9
"""Of a value: a fit rounds otherwise on another processor or with another numpy."""
SHOWN_TO = 120
_PATH = re.compile(r"\S*\.py(?=, line|:)")


@dataclass(frozen=True, slots=True)
class Difference:
    """The first of its kind: what was recorded, what this version gives, where, in which step."""

    of: str
    where: str
    recorded: str
    now: str
    step: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two journals side by side, as far as both go."""

    difference: Difference | None
    records: int
    outcomes: int
    samples: int
    t_s: float


@dataclass(slots=True)
class Times:
    """How far times were apart so far, at most [s]."""

    greatest_s: float = 0.0

    def alike(self, name: str, then: Any, now: Any) -> bool:
        """Whether these are times, near enough to be one."""
        if name not in TIMES:
            return False
        try:
            apart_s = abs(_seconds(now) - _seconds(then))
        except (TypeError, ValueError):
            return False
        if not apart_s <= TIMES_WITHIN_S:
            return False
        self.greatest_s = max(self.greatest_s, apart_s)
        return True


def _seconds(value: Any) -> float:
    if isinstance(value, str) and "T" in value:
        return datetime.fromisoformat(value).timestamp()
    return float(value)


def session(folder: Path) -> Iterator[Record]:
    """Every whole record of a run's first session, those set aside later too. Raises BadInput."""
    follower = Follower(folder)
    while records := follower.poll():
        for record in records:
            if record["kind"] == "resumed":
                return
            yield record


def compare_journals(run: Path, again: Path, times: Times, *, may_be_shorter: bool) -> Comparison:
    """The first record that differs. Raises BadInput for a damaged journal.

    `may_be_shorter`: the replay was ended by its wire, so that records it lacks are no difference.
    """
    records = outcomes = samples = 0
    t_s, step = 0.0, "before the first step"
    for recorded, now in zip_longest(session(run), session(again)):
        if recorded is None or (now is None and may_be_shorter):
            break
        step = _step(recorded) or step
        change = ("", _kind(recorded), "nothing") if now is None else _change(recorded, now, times)
        if change is not None:
            key, then, instead = change
            where = f"journal record {recorded['n'] + 1} ({_kind(recorded)}) {key}".rstrip()
            difference = Difference("journal", where, then, instead, step)
            return Comparison(difference, records, outcomes, samples, t_s)
        records, t_s = records + 1, recorded.get("t_s", t_s)
        outcomes += recorded["kind"] == "outcome"
        samples += recorded["kind"] == "sample"
    return Comparison(None, records, outcomes, samples, t_s)


def _step(record: Record) -> str:
    if record["kind"] != "step":
        return ""
    step = step_of(record)
    return f"step {record['index']} ({record['step'] if step is None else step_text(step)})"


def _kind(record: Record) -> str:
    name = record.get("step") or record.get("outcome")
    return f"{record['kind']} {name}" if name else str(record["kind"])


def _change(recorded: Record, now: Record, times: Times) -> Change | None:
    """Key, then and now of the first value that differs; of run records only what both name."""
    if _kind(recorded) != _kind(now):
        return "", _kind(recorded), _kind(now)
    is_run = recorded["kind"] == "run"
    left_out = NOT_COMPARED | GUESSED if is_run else NOT_COMPARED
    then, again = (
        {key: value for key, value in record.items() if key not in left_out}
        for record in (recorded, now)
    )
    return _first("", then, again, times, common=is_run)


def _first(name: str, then: Any, now: Any, times: Times, *, common: bool) -> Change | None:
    """The first difference within two values of JSON; with `common` in keys that both have."""
    if isinstance(then, dict) and isinstance(now, dict):
        keys = [key for key in then | now if not common or (key in then and key in now)]
        pairs = [(key, then.get(key), now.get(key)) for key in keys]
    elif isinstance(then, list) and isinstance(now, list) and len(then) == len(now):
        pairs = [(str(k), a, b) for k, (a, b) in enumerate(zip(then, now, strict=True))]
    else:
        return None if _alike(name, then, now, times) else ("", _short(then), _short(now))
    for key, a, b in pairs:
        if inner := _first(key, a, b, times, common=common):
            return f"{key}.{inner[0]}".rstrip("."), *inner[1:]
    return None


def _alike(name: str, then: Any, now: Any, times: Times) -> bool:
    if isinstance(then, str) and isinstance(now, str):  # the run's own copy has another path
        then, now = (_PATH.sub("sequence.py", text) for text in (then, now))
    if isinstance(then, float) and isinstance(now, float):
        return isclose(then, now, rel_tol=NUMBERS_WITHIN) or times.alike(name, then, now)
    return (then == now and type(then) is type(now)) or times.alike(name, then, now)


def _short(value: Any) -> str:
    return _cut(repr(value))


def _cut(text: str) -> str:
    return text if len(text) <= SHOWN_TO else f"{text[:SHOWN_TO]}..."


def compare_tables(run: Path, again: Path, times: Times) -> tuple[Difference | None, int]:
    """The first cell that differs, and how many tables were compared: those of the run's folder."""
    compared = 0
    for name in TABLES:
        if not (run / name).is_file():
            continue
        compared += 1
        if difference := _cell(name, run / name, again / name, times):
            return difference, compared
    return None, compared


def _cell(name: str, then: Path, now: Path, times: Times) -> Difference | None:
    if not now.is_file():
        return Difference("tables", name, "a table", "no table", "")
    titles: list[str] = []
    for number, (row, instead) in enumerate(zip_longest(_rows(then), _rows(now)), 1):
        change = None if row == instead else _change_of_rows(titles, row, instead, times)
        if change is not None:
            title, was, new = change
            return Difference("tables", f"{name}, line {number}, {title}", was, new, "")
        titles = titles or _cells(row)
    return None


def _change_of_rows(
    titles: list[str], row: str | None, instead: str | None, times: Times
) -> Change | None:
    """Column and both texts of the first cell that differs in two lines that do."""
    cells, others = _cells(row), _cells(instead)
    if not len(cells) == len(others) == len(titles):
        return "as a whole", _short(row), _short(instead)
    for title, a, b in zip(titles, cells, others, strict=True):
        if a != b and not times.alike(title, a, b):
            return title, _cut(a), _cut(b)
    return None


def _cells(row: str | None) -> list[str]:
    try:
        return [] if row is None else next(csv.reader([row]), [])
    except csv.Error:
        return [row or ""]


def _rows(path: Path) -> Iterator[str]:
    with path.open(newline="", encoding="utf-8", errors="replace") as file:
        yield from file
