"""How a sequence declares its options, and what it is told about module and bench.

Imported by sequences; the command line turns each declared parameter into an option.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runner.files.bench_file import BenchFile
    from runner.files.module_file import ModuleFile


@dataclass(frozen=True, slots=True)
class Option:
    """One parameter of a sequence, used as `Annotated[float, Option(...)]`: help, unit, bounds."""

    help: str
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Setup:
    """What a sequence may know before it starts: the module file and the bench file."""

    module: ModuleFile
    bench: BenchFile
