"""A chamber: makes the air round the module, first order towards its set point.

`sim.build` makes it; it moves `world.ambient_temp_c` as time passes, whoever looks at the bench.
Switched off it drifts back to the room.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from sim.instruments.accuracy import Range
from sim.instruments.commands import SWITCH, Command, Limits, Number
from sim.instruments.hookup import Hookup
from sim.instruments.scpi import ScpiBox
from sim.instruments.spec import Accuracy, BoxSpec

CONTROL_TIME_CONSTANT_S = 240.0  # air of a small chamber, controlled (judgement)
DRIFT_TIME_CONSTANT_S = 900.0
STEP_K = 0.01  # smaller moves are saved up, so that the bench need not be solved again
SETTLED_K = 1.0
SETTLING = 2  # operation status bit 1, SCPI-1999 20.3
_USUAL = Accuracy(range_max=200.0, offset=0.5)


class ScpiChamber(ScpiBox):
    """Air whose temperature can be set."""

    def __init__(self, spec: BoxSpec, hookup: Hookup, random: Random) -> None:
        self.spec = spec
        self.room_temp_c = hookup.world.ambient_temp_c
        self.air_temp_c = self.room_temp_c
        self._at_s = hookup.clock.now_s()
        self._errors = Range(spec.temp_accuracy or _USUAL, random)
        super().__init__(spec.identity, hookup)
        hookup.movers.append(self.move)
        self.reset()

    def commands(self) -> Sequence[Command]:
        """Return the chamber's dialect."""
        return COMMANDS

    def reset(self) -> None:
        """Stopped, set to the room or the nearest it can make."""
        self.on = False
        self.set_temp_c = self.limits().default

    def limits(self) -> Limits:
        """Return what the air may be set to [°C]."""
        least, most = self.spec.least_temp_c, self.spec.rated_temp_c
        return Limits(least, most, min(max(self.room_temp_c, least), most), 2)

    def move(self, now_s: float) -> None:
        """Let the air move on to `now_s` [s]; the module feels it in small steps."""
        passed_s, self._at_s = now_s - self._at_s, now_s
        goal_c = self.set_temp_c if self.on else self.room_temp_c
        constant_s = CONTROL_TIME_CONSTANT_S if self.on else DRIFT_TIME_CONSTANT_S
        self.air_temp_c = goal_c + (self.air_temp_c - goal_c) * math.exp(-passed_s / constant_s)
        if abs(self.air_temp_c - self.hookup.world.ambient_temp_c) >= STEP_K:
            self.hookup.change_ambient(self.air_temp_c)

    def set_temp(self, temp_c: float) -> None:
        """Set where the air shall go [°C]."""
        self.set_temp_c = temp_c

    def run(self, on: bool) -> None:
        """Start or stop conditioning."""
        self.on = on

    def working(self) -> int:
        """Return the operation condition: still on its way."""
        return SETTLING * (self.on and abs(self.air_temp_c - self.set_temp_c) > SETTLED_K)

    def stick(self) -> list[Callable[[], None]]:
        """Freeze its thermometer at what it reads now; return what ends that."""
        return [self._errors.stick(self.air_temp_c)]

    def measure(self) -> str:
        """Return the air's temperature as the chamber reads it."""
        return f"{self._errors.value(self.air_temp_c):.2f}"


COMMANDS = (
    Command(
        "[SOURce:]TEMPerature[:LEVel][:IMMediate][:AMPLitude]",
        Number("CEL", ScpiChamber.limits),
        ScpiChamber.set_temp,
        lambda box: box.set_temp_c,
    ),
    Command("OUTPut[:STATe]", SWITCH, ScpiChamber.run, lambda box: box.on),
    Command("MEASure[:SCALar]:TEMPerature", answer=ScpiChamber.measure),
    Command("FETCh:TEMPerature", answer=ScpiChamber.measure),
)
