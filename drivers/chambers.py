"""Chambers that make the ambient: set point, run, stop, air temperature.

Built by `families.chamber`. Every setting is read back. Waiting until the air has
got there is the runner's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from drivers.numbers import number
from drivers.readback import Check, Tolerance, confirm

if TYPE_CHECKING:
    from drivers.link import Link

AIR = Tolerance(0.1, 0.1, "°C")


class ScpiChamber:
    """A chamber; see `roles.Chamber`."""

    queries: tuple[str, ...] = ("MEAS:TEMP?",)

    def __init__(self, link: Link, *, name: str) -> None:
        self.link = link
        self.name = name

    def prepare(self) -> None:
        """Stopped, error queue emptied."""
        self.link.shout("OUTP OFF")
        self._confirm(["*CLS", "OUTP OFF"], [Check("OUTP?", False)], "a stopped chamber")

    def set_temp(self, temp_c: float) -> None:
        """Set the air temperature [°C] and, once the box has taken it, run."""
        level = Check("TEMP?", float(temp_c), number, AIR)
        self._confirm([f"TEMP {temp_c:.9g}"], [level], f"{temp_c:g} °C")
        self._confirm(["OUTP ON"], [level, Check("OUTP?", True)], f"running at {temp_c:g} °C")

    def stop(self) -> None:
        """Stop conditioning; sent even if the box is mute."""
        self.link.shout("OUTP OFF")
        self._confirm(["OUTP OFF"], [Check("OUTP?", False)], "a stopped chamber")

    def measure(self) -> float:
        """Air temperature [°C]."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> float:
        """Turn the reply to `queries` into °C."""
        try:
            (reply,) = replies
            return number(reply)
        except ValueError as fault:
            raise self.link.bad_reply(
                self.queries[0], "; ".join(replies), f"{self.name}: {fault}"
            ) from fault

    def _confirm(self, commands: Sequence[str], checks: Sequence[Check], asked: str) -> None:
        confirm(self.link, commands, checks, name=self.name, asked=asked)
