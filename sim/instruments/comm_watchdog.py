"""A box's own watch on its connection: outputs off when no message has come for its time.

Supplies and loads have one. It is looked at whenever anybody looks at the bench, and before
a message feeds it, so that one which comes too late finds the outputs off.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.instruments.commands import SWITCH, Command, Limits, Number
from sim.instruments.hookup import Hookup

USUAL_S = 10.0


class CommWatchdog:
    """Counts the time since the last message; `switch_off` is what it does in the end."""

    def __init__(self, hookup: Hookup, switch_off: Callable[[], None]) -> None:
        self._hookup, self._switch_off = hookup, switch_off
        self.time_s, self.armed = USUAL_S, False
        self._heard_s = 0.0
        hookup.movers.append(self._watch)

    def hear(self) -> None:
        """A message has come."""
        self._heard_s = self._hookup.clock.now_s()

    def arm(self, armed: bool) -> None:
        """Switch it on or off."""
        self.armed = armed

    def set_time(self, time_s: float) -> None:
        """Set how long it waits [s]."""
        self.time_s = time_s

    def reset(self) -> None:
        """Off, as the box comes from its maker."""
        self.time_s, self.armed = USUAL_S, False

    def _watch(self, now_s: float) -> None:
        if self.armed and now_s - self._heard_s > self.time_s:
            self._switch_off()


COMMANDS = (
    Command(
        "SYSTem:COMMunicate:WATChdog:TIMeout",
        Number("S", lambda box: Limits(1.0, 3600.0, USUAL_S, 1)),
        lambda box, time_s: box.comm.set_time(time_s),
        lambda box: box.comm.time_s,
        on_box=True,
    ),
    Command(
        "SYSTem:COMMunicate:WATChdog:STATe",
        SWITCH,
        lambda box, armed: box.comm.arm(armed),
        lambda box: box.comm.armed,
        on_box=True,
    ),
)
