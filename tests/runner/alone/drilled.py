"""A drill in this process, with a person who confirms what is asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from runner.alone.drill import Drilled, drill
from runner.alone.parts import Part, Planned
from runner.attention import Attention
from runner.files.toml_file import resolve


@dataclass
class Confirming:
    """Types `word` to each question, or what `instead` says of it."""

    word: str = "yes"
    instead: dict[str, str] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)

    def say(self, text: str) -> None:
        pass

    def ask(self, text: str) -> None:
        self.asked.append(text)

    def line(self) -> str | None:
        said = [word for part, word in self.instead.items() if part in self.asked[-1]]
        return said[0] if said else self.word


def do_drill(
    out: Path,
    *,
    bench: str = "demo",
    module: str = "demo",
    person: Confirming | None = None,
    planned: Planned | None = None,
    say: Callable[[str], None] = lambda text: None,
) -> Drilled:
    """A drill into `out`."""
    attention = Attention()
    return drill(bench, module, out, person or Confirming(), planned or Planned(), attention, say)


def part_of(drilled: Drilled, name: str) -> Part:
    """One part of a drill."""
    (found,) = [part for part in drilled.parts if part.name == name]
    return found


def bench_file(folder: Path, found: str, instead: str) -> str:
    """A copy of the demo bench file in which one text stands instead of another."""
    text = resolve("demo", "bench").read_text("utf-8")
    assert found in text
    path = folder / "bench.toml"
    path.write_text(text.replace(found, instead), "utf-8")
    return str(path)
