"""How a box is hooked up to the bench: the present operating point, and the trips that watch it.

One `Hookup` is shared by all boxes that are wired; a channel with open terminals has one
of its own. Boxes read the world and change it only here, so that a trip acts before any
box, of whoever asks, answers the next message.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from sim.clock import Clock
from sim.wiring import LoadSetting, OperatingPoint, SupplySetting

Watch = Callable[[OperatingPoint], bool]
ROUNDS = 4  # a trip may set off another one; a bench has no longer chain than its boxes


class Bench(Protocol):
    """What of the physics the boxes use: `sim.wiring.World`, or open terminals."""

    supply: SupplySetting
    load: LoadSetting
    ambient_temp_c: float

    def now(self) -> OperatingPoint:
        """Every true quantity at the clock's present."""
        ...

    def touch(self) -> None:
        """Bring the heat to the present; called before any change."""
        ...


class Hookup:
    """The world as the boxes see it, with their trips."""

    def __init__(self, world: Bench, clock: Clock) -> None:
        self.world = world
        self.clock = clock
        self.movers: list[Callable[[float], None]] = []  # what moves by itself, told the time [s]
        self.watches: list[Watch] = []
        self._seen: OperatingPoint | None = None
        self._seen_s = -1.0

    def look(self) -> OperatingPoint:
        """Return the present operating point once every trip has had its say."""
        now_s = self.clock.now_s()
        if self._seen is not None and now_s == self._seen_s:
            return self._seen
        if now_s != self._seen_s:
            self._seen_s = now_s
            for move in self.movers:
                move(now_s)
        point = self.world.now()
        for _ in range(ROUNDS):
            tripped = False
            for watch in self.watches:  # each has its say, also after another has tripped
                tripped |= watch(point)
            if not tripped:
                break
            point = self.world.now()
        self._seen = point
        return point

    def change(self, terminals: object, **settings: Any) -> None:
        """Change what a pair of terminals does, after the past has been brought up to now.

        Sending a box what it does already disturbs nothing.
        """
        if all(getattr(terminals, name) == value for name, value in settings.items()):
            return
        self.world.touch()
        self._seen = None
        for name, value in settings.items():
            setattr(terminals, name, value)

    def forget(self) -> None:
        """Look anew: the bench itself has changed."""
        self._seen = None

    def change_ambient(self, temp_c: float) -> None:
        """Change the temperature round the module [°C]: no setting, so nothing is touched."""
        self._seen = None
        self.world.ambient_temp_c = temp_c


class OpenTerminals:
    """A world in which nothing is connected: for the channels a bench does not use."""

    def __init__(self, ambient_temp_c: float = 25.0) -> None:
        self.supply = SupplySetting()
        self.load = LoadSetting()
        self.ambient_temp_c = ambient_temp_c

    def touch(self) -> None:
        """There is no past to bring up."""

    def now(self) -> OperatingPoint:
        """Return the set voltage at the supply's terminals and nothing anywhere else."""
        on = self.supply.on
        v_v = self.supply.v_set_v if on else 0.0
        return OperatingPoint(
            v_supply_v=v_v,
            v_supply_sense_v=v_v,
            iin_a=0.0,
            vin_v=0.0,
            v_module_v=0.0,
            vout_v=0.0,
            v_load_v=0.0,
            iout_a=0.0,
            supply_mode="CV" if on else "OFF",
            load_regulated=not self.load.on or self.load.level == 0.0,
            module_state="locked-out",
            hot_spot_temp_c=self.ambient_temp_c,
            case_temp_c=self.ambient_temp_c,
            capacitor_temp_c=self.ambient_temp_c,
            ambient_temp_c=self.ambient_temp_c,
            losses_w={},
        )
