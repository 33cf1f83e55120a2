"""The table of DEVELOPERS.md that says what becomes of every fault, made by the matrix.

`python -m tests.fault_table` prints it, `--write` puts it into the file; `test_fault_matrix.py`
compares.
"""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

from tests.fault_matrix import ROWS, STEPS, Cell, Row, cell

DEVELOPERS = Path(__file__).parent.parent / "DEVELOPERS.md"
MARKED = re.compile(r"<!-- faults -->\n.*?<!-- end -->", re.S)
GOES_ON, LATER, STAYS_ON = "·", "+", "!"


def table() -> str:
    """Faults down, steps across, as Markdown."""
    head = f"| fault | {' | '.join(STEPS)} | off within |"
    rule = "|---" * (len(STEPS) + 2) + "|"
    return "\n".join([head, rule, *map(line, ROWS)]) + "\n"


def line(row: Row) -> str:
    """One fault: what becomes of it at every step, and the longest time to the output off."""
    cells = [cell(row, step) for step in STEPS]
    return f"| {row.title} | {' | '.join(map(shown, cells))} | {longest(row, cells)} |"


def shown(found: Cell) -> str:
    """The exit code, or that the run goes on."""
    if found.exit_code == 0:
        return GOES_ON
    mark = STAYS_ON if found.supply_on else LATER if found.was_noticed_later else ""
    return f"{found.exit_code}{mark}"


def longest(row: Row, cells: list[Cell]) -> str:
    """The longest time from when the fault could be seen, rounded up [s]."""
    ended = [found for found in cells if found.exit_code != 0]
    times_s = [found.to_off_s for found in ended if found.to_off_s is not None]
    if row.is_slow and ended:
        return "at its limit"
    if not times_s:
        return "cannot be reached" if any(found.supply_on for found in cells) else ""
    return f"{math.ceil(10.0 * max(times_s) - 1e-6) / 10.0:.1f} s"


def expected(text: str) -> str:
    """DEVELOPERS.md with the table made anew."""
    return MARKED.sub(lambda _: f"<!-- faults -->\n{table()}<!-- end -->", text)


if __name__ == "__main__":
    if "--write" in sys.argv:
        DEVELOPERS.write_text(expected(DEVELOPERS.read_text("utf-8")), "utf-8")
    else:
        sys.stdout.write(table())
