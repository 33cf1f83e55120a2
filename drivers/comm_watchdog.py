"""A box's own watch on its connection: outputs off when nobody has spoken to it for a time.

Built by `families.comm_watchdog`; any message to the box feeds it. It is the one protection
that works when computer, cable and watchdog process are gone together. The words are data;
a box that has no such commands is one that says so, and nothing is made up for it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.numbers import number
from drivers.readback import Check, Tolerance, confirm, confirm_if_there

if TYPE_CHECKING:
    from drivers.link import Link

WITHIN = Tolerance(0.1, 1.0, "s")
"""Boxes count such times in tenths of a second or in whole ones."""


@dataclass(frozen=True, slots=True)
class WatchdogWords:
    """What a family is told and asked; the tree is where SCPI keeps what concerns the line."""

    set_time: str = "SYST:COMM:WATC:TIM {:.9g}"
    time: str = "SYST:COMM:WATC:TIM?"
    arm: str = "SYST:COMM:WATC:STAT ON"
    disarm: str = "SYST:COMM:WATC:STAT OFF"
    armed: str = "SYST:COMM:WATC:STAT?"


class CommWatchdog:
    """The watchdog of one box, or the want of one where `words` is None."""

    def __init__(self, link: Link, words: WatchdogWords | None, *, name: str, time_s: float):
        self.name, self.time_s = name, time_s
        self._link, self._words = link, words
        self._is_armed = False

    def arm(self) -> bool:
        """Set its time [s], switch it on and read both back; False where the box has none."""
        words = self._words
        if words is None:
            return False
        self._is_armed = confirm_if_there(
            self._link,
            [words.set_time.format(self.time_s), words.arm],
            [Check(words.time, self.time_s, number, WITHIN), Check(words.armed, True)],
            name=self.name,
            asked=f"outputs off after {self.time_s:g} s without a message",
        )
        return self._is_armed

    def disarm(self) -> None:
        """Switch it off and read that back: who works at the panel next must not be surprised."""
        if self._words is not None and self._is_armed:
            confirm(
                self._link,
                [self._words.disarm],
                [Check(self._words.armed, False)],
                name=self.name,
                asked="no watch on the connection",
            )
