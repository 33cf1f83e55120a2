"""Makes a bench safe from outside a run: after a crash, from the watchdog, or by hand.

Opens supply, load and chamber one by one, each when its turn has come, and leaves through
`safe.leave` as every run does; a box that cannot be reached is one that may be on.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from typing import Any

from drivers import families
from drivers.link import Link
from runner import safe
from runner.bench import gone_below, open_link
from runner.files.bench_file import BenchFile
from runner.seam import Seam


class OnDemand:
    """A box that is opened by the first thing it is asked to do: a mute load delays no supply.

    While it cannot be opened whatever is asked of it fails, and says why.
    """

    def __init__(self, name: str, open_box: Callable[[], Any]) -> None:
        self.name, self._open_box = name, open_box
        self._box: Any = None

    @property
    def link(self) -> Any:
        """What can be reopened: the box's link, or this, which tries to open it."""
        return self if self._box is None else self._box.link

    def reopen(self) -> None:
        """Open the box. Raises InstrumentError."""
        self._box = self._open_box()

    def __getattr__(self, asked: str) -> Any:
        def ask(*given: Any) -> Any:
            if self._box is None:
                self.reopen()
            return getattr(self._box, asked)(*given)

        return ask


def make_safe(seam: Seam, file: BenchFile) -> safe.Way:
    """Supply off, then the load, then the chamber; see volts and amps go. Never raises."""
    with ExitStack() as opened:

        def box(name: str | None, make: Callable[..., Any]) -> Any:
            if name is None or name not in file.boxes:  # not on this bench, or worked by hand
                return None
            return OnDemand(name, lambda: _open(seam, file, name, make, opened))

        return safe.leave(
            box(file.roles.supply, families.supply),
            box(file.roles.load, families.load),
            box(file.roles.chamber, _chamber),
            seam.clock,
            emergency=True,
            gone=gone_below(file),
            look_first=True,
        )


def _open(
    seam: Seam, file: BenchFile, name: str, make: Callable[..., Any], opened: ExitStack
) -> Any:
    section = file.boxes[name]
    link = open_link(seam, file, name)
    opened.callback(link.close)
    link.expect(section.identity or "")
    return make(section.family, link, name=name, channel=section.channel)


def _chamber(family: str, link: Link, *, name: str, channel: int | None) -> Any:
    return families.chamber(family, link, name=name)
