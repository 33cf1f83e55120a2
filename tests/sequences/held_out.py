"""Modules nobody has measured before: the demo files with other keys, and what they must show."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Literal

from runner import journal
from runner.analysis.findings import Finding
from runner.files.toml_file import resolve
from runner.report.findings import findings_of
from runner.report.record import gather
from tests.runner.live import Live


def changed(live: Live, kind: Literal["bench", "module"], **keys: Any) -> str:
    """A copy of a demo file with other values; `twin__limit__kind` is kind in [twin.limit]."""
    lines = resolve("demo", kind).read_text("utf-8").splitlines()
    for name, value in keys.items():
        *section, key = name.split("__")
        lines = _with(lines, ".".join(section), key, value)
    path = live.folder / f"{kind}.toml"
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return str(path)


def _with(lines: list[str], section: str, key: str, value: Any) -> list[str]:
    shown = f'"{value}"' if isinstance(value, str) else repr(value)
    now, done, new = "", False, []
    for line in lines:
        header = re.match(r"\[([\w.]+)\]", line)
        now = header[1] if header else now
        if now == section and re.match(rf"{key} *=", line):
            line, done = f"{key} = {shown}", True
        new.append(line)
    assert done, f"[{section}] has no {key}"
    return new


def found(live: Live) -> list[Finding]:
    """What the last run found, as its report has it."""
    path = Path(live.folder / "run" / journal.FILE_NAME)
    return list(findings_of(gather(journal.read(path))))


def named(results: list[Finding], quantity: str) -> Finding:
    """The first result of a name."""
    return next(one for one in results if one.quantity == quantity)


def misses(one: Finding, truth: float) -> float:
    """How far a result is from the truth, in its own expanded uncertainty (95 %)."""
    assert one.measured is not None, one
    return abs(one.measured.value - truth) / one.measured.expanded(0.95, shapes=True).expanded_u
