"""Who may import whom: read from the imports themselves, and enforced."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
ROOMS = ("drivers", "runner", "sequences", "sim")
KNOW_THE_SIMULATOR = {"runner/seam.py", "runner/cli/sim.py"}
MAY_IMPORT = {
    "runner/cli/": ("runner", "drivers.errors"),
    "runner/files/": ("runner",),
    "runner/alone/": ("runner", "drivers"),
    "runner/replay/": ("runner", "drivers.wire"),
    "runner/hand/": ("runner",),
    "runner/report/": ("runner",),
    "runner/live/": ("runner",),
}
"""The rooms within the runner: the last column of the table in DEVELOPERS.md."""
PRINT = "runner/cli/"
MAY_SLEEP = {"runner/clock.py", "sim/clock.py"}


def files(room: str) -> Iterator[Path]:
    yield from sorted((ROOT / room).rglob("*.py"))


def imported(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found.update(f"{node.module}.{alias.name}" for alias in node.names)
    return found


def ours(path: Path) -> set[str]:
    return {name for name in imported(path) if name.partition(".")[0] in ROOMS}


def within(names: set[str], *prefixes: str) -> bool:
    return all(any(n == p or n.startswith(p + ".") for p in prefixes) for n in names)


ALL = [path for room in ROOMS for path in files(room)]


@pytest.mark.parametrize("path", ALL, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_room_imports_only_what_it_may(path: Path) -> None:
    name, names = str(path.relative_to(ROOT)).replace("\\", "/"), ours(path)
    room = name.partition("/")[0]
    if room in ("drivers", "sim"):
        assert within(names, room)
    elif name.startswith("runner/analysis/"):
        assert within(names, "runner.analysis")
    elif room == "sequences" or name.startswith("runner/examples/"):
        assert all(n == "runner" or n.count(".") == 1 for n in names)
        assert within(names, "runner")
    else:
        assert "sequences" not in {n.partition(".")[0] for n in names}
        assert name in KNOW_THE_SIMULATOR or not any(n.partition(".")[0] == "sim" for n in names)


@pytest.mark.parametrize("path", [*files("runner")], ids=lambda p: str(p.relative_to(ROOT)))
def test_the_rooms_of_the_runner_import_only_what_they_may(path: Path) -> None:
    name, names = str(path.relative_to(ROOT)).replace("\\", "/"), ours(path)
    for room, may in MAY_IMPORT.items():
        if name.startswith(room) and name not in KNOW_THE_SIMULATOR:
            assert within(names, *may)
    if not name.startswith(PRINT):
        assert not any(n == "runner.cli" or n.startswith("runner.cli.") for n in names)


@pytest.mark.parametrize("path", ALL, ids=lambda p: str(p.relative_to(ROOT)))
def test_only_the_command_line_prints_and_only_clocks_sleep(path: Path) -> None:
    name = str(path.relative_to(ROOT)).replace("\\", "/")
    calls = {
        ast.unparse(node.func)
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call)
    }
    assert "print" not in calls or name.startswith(PRINT)
    assert not {"time.sleep", "datetime.now"} & calls or name in MAY_SLEEP


@pytest.mark.parametrize("path", ALL, ids=lambda p: str(p.relative_to(ROOT)))
def test_every_file_opens_with_a_short_docstring_and_stays_short(path: Path) -> None:
    text = path.read_text("utf-8")
    docstring = ast.get_docstring(ast.parse(text), clean=False)
    assert docstring, "says what lives here"
    assert len(docstring.strip().splitlines()) <= 15  # a tree of names and a note
    assert len(text.splitlines()) <= 450
