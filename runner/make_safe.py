"""Makes a bench safe from outside a run: after a crash, from the watchdog, or by hand.

Opens what can be opened of supply and load, one by one, and leaves through `safe.leave`
as every run does; a box that cannot be reached is one that may be on.
"""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any

from drivers import families
from drivers.errors import InstrumentError
from runner import safe
from runner.bench import gone_below, open_link
from runner.files.bench_file import BenchFile
from runner.seam import Seam


class Unreachable:
    """Stands for a box that cannot be opened: whatever is asked of it fails, and says why."""

    def __init__(self, name: str, why: InstrumentError) -> None:
        self.name, self._why = name, why
        self.link = self

    def __getattr__(self, asked: str) -> Any:
        def fail(*_: object, **__: object) -> None:
            raise self._why

        return fail


def make_safe(seam: Seam, file: BenchFile) -> safe.Way:
    """Switch the supply off, then the load, and see volts and amps go. Never raises."""
    with ExitStack() as opened:
        supply = _open(seam, file, file.roles.supply, families.supply, opened)
        load = None
        if file.roles.load in file.boxes:
            load = _open(seam, file, file.roles.load, families.load, opened)
        return safe.leave(supply, load, None, seam.clock, emergency=True, gone=gone_below(file))


def _open(seam: Seam, file: BenchFile, name: str, make: Any, opened: ExitStack) -> Any:
    section = file.boxes[name]
    try:
        link = open_link(seam, file, name)
        opened.callback(link.close)
        link.expect(section.identity or "")
        return make(section.family, link, name=name, channel=section.channel)
    except InstrumentError as error:
        return Unreachable(name, error)
