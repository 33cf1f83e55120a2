"""A bench file and a module file as a command is given them: loaded, with their paths.

Called by the commands; in the order in which `seam.open_seam` takes them.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

from runner.files.bench_file import BenchFile, load_bench_file
from runner.files.module_file import ModuleFile, load_module_file
from runner.files.toml_file import resolve


class Pair(NamedTuple):
    """What `open_seam(*pair)` and `simulated_bench(*pair)` need."""

    bench: BenchFile
    bench_path: Path
    module: ModuleFile
    module_path: Path


def load_pair(bench: str, module: str) -> Pair:
    """Load both; `demo` stands for the shipped ones. Raises BadInput."""
    bench_path, module_path = resolve(bench, "bench"), resolve(module, "module")
    return Pair(load_bench_file(bench_path), bench_path, load_module_file(module_path), module_path)
