"""Brings the named faults of a bench about: by the clock, by a count of messages, or at once.

`sim.build` makes one for a bench from `[simulation]`; tests call `switch_on`. Every device
asks it before it obeys a message. What breaks in the module breaks at its time to the
microsecond; what happens to a box shows with the first message after it.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from sim.clock import Clock
from sim.fault_names import NamedFault, mistake
from sim.faults import Fault
from sim.faults import Kind as WireKind
from sim.instruments.chamber import ScpiChamber
from sim.instruments.hookup import Hookup
from sim.instruments.line_supply import LineSupply
from sim.instruments.load import ScpiLoad
from sim.instruments.meter import ScpiMeter
from sim.instruments.spec import BoxSpec, LostSensor
from sim.instruments.supply import ScpiSupply, SupplyChannel
from sim.instruments.thermometer import CHANNELS, ScpiThermometer
from sim.seam import Device
from sim.wiring import World

Undo = Callable[[], None]
ON_WIRE: Mapping[str, WireKind] = {
    "reply-late": "late",
    "half-line": "half-line",
    "garbage": "garbage",
    "previous-reply": "previous",
    "mute": "no-reply",
    "hangs": "hangs",
    "clips": "clips",
    "errors-flood": "error",
}
DIP_S = 0.5
"""How long a mains dip lasts that is not told how long [s]."""


@dataclass(slots=True)
class _Waiting:
    """A fault that has not struck yet, whose messages it counts, and how many came."""

    fault: NamedFault
    resource: str
    seen: int = 0


class FaultSchedule:
    """The faults to come and the faults that last, of one bench."""

    def __init__(
        self,
        faults: Sequence[NamedFault],
        world: World,
        hookup: Hookup,
        clock: Clock,
        devices: Mapping[str, Device],
        specs: Sequence[BoxSpec],
        lock: threading.RLock,
    ) -> None:
        self.pending = False
        self._lock = lock
        self._world, self._hookup, self._clock = world, hookup, clock
        self._devices = devices
        self._specs = {spec.name: spec for spec in specs}
        self._waiting: list[_Waiting] = []
        self._lasting: list[tuple[float, Undo]] = []
        self._ways: dict[str, Callable[[NamedFault, float], Sequence[Undo]]] = {
            **dict.fromkeys(ON_WIRE, self._spoil_wire),
            "disconnects": self._disconnect,
            "restarts": self._restart,
            "readback-stuck": self._stick,
            "thermometer-off": self._lose_sensor,
            "thermometer-open": self._lose_sensor,
            "supply-trips": self._drop_out,
            "load-drops-out": self._drop_out,
            "module-dies-open": self._kill,
            "module-dies-short": self._kill,
            "heat-sink-off": self._heat,
            "thermal-runaway": self._heat,
            "fuse-opens": self._open_fuse,
            "mains-dip": self._dip,
        }
        for k, fault in enumerate(faults):
            self._expect(fault, f"simulation.faults[{k}]")

    def switch_on(self, fault: NamedFault) -> None:
        """Add a fault; one whose time has passed strikes now. Raises ValueError."""
        with self._lock:
            at_s = max(fault.at_s, self._clock.now_s())
            self._expect(replace(fault, at_s=at_s), fault.name)
            self.strike()

    def strike(self, resource: str = "") -> None:
        """Bring about what is due; a message has come to the box at `resource`."""
        with self._lock:
            self._strike(self._clock.now_s(), resource)

    def _strike(self, now_s: float, resource: str) -> None:
        due = [one for one in self._waiting if self._is_due(one, now_s, resource)]
        self._waiting = [one for one in self._waiting if one not in due]
        for one in sorted(due, key=lambda one: one.fault.at_s):
            self._begin(one.fault, now_s if one.fault.after_messages else one.fault.at_s)
        over = [undo for until_s, undo in self._lasting if until_s <= now_s]
        self._lasting = [(until_s, undo) for until_s, undo in self._lasting if until_s > now_s]
        for undo in over:
            undo()
        self.pending = bool(self._waiting or self._lasting)

    def _expect(self, fault: NamedFault, where: str) -> None:
        sensors = [name for name, spec in self._specs.items() if _has_sensor(spec)]
        wrong = mistake(fault, list(self._specs), sensors)
        if wrong is not None:
            key, found, allowed = wrong
            raise ValueError(f"{where}.{key}: found {found}; allowed: {allowed}")
        heard = fault.instrument or next(
            name for name, spec in self._specs.items() if spec.wired == "supply"
        )
        self._waiting.append(_Waiting(fault, self._specs[heard].resource))
        self.pending = True

    @staticmethod
    def _is_due(one: _Waiting, now_s: float, resource: str) -> bool:
        if now_s < one.fault.at_s:
            return False
        if one.seen >= one.fault.after_messages:
            return one.fault.after_messages == 0 or resource == one.resource
        one.seen += resource == one.resource
        return False

    def _begin(self, fault: NamedFault, at_s: float) -> None:
        undos = self._ways[fault.name](fault, at_s)
        if fault.for_s is not None:
            self._lasting += [(at_s + fault.for_s, undo) for undo in undos]

    # -------------------------------------------------------------------- on the wire

    def _device(self, fault: NamedFault) -> Device:
        return self._devices[self._specs[fault.instrument].resource]

    def _spoil_wire(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        device, level = self._device(fault), fault.strength
        spoiling = Fault(
            ON_WIRE[fault.name],
            fault.in_message,
            times=fault.messages or 0,
            delay_s=level,
            most=level,
            many=max(1, round(level)),
        )
        device.faults.switch_on(spoiling)
        return [lambda: device.faults.switch_off(spoiling)]

    def _disconnect(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        until_s = inf if fault.for_s is None else at_s + fault.for_s
        self._device(fault).cut(max(0.0, until_s - self._clock.now_s()))
        return ()

    # ---------------------------------------------------------------------- in a box

    def _restart(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        self._device(fault).box.power_cycle()
        return () if fault.for_s is None else self._disconnect(fault, at_s)

    def _stick(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        spec, box = self._specs[fault.instrument], self._device(fault).box
        if isinstance(box, ScpiThermometer):
            return box.stick(spec.channel or CHANNELS[0])
        if isinstance(box, ScpiSupply | LineSupply):
            channel: SupplyChannel = box.channels[(spec.channel or 1) - 1]
            return channel.stick()
        assert isinstance(box, ScpiLoad | ScpiMeter | ScpiChamber)
        return box.stick()

    def _lose_sensor(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        spec, box = self._specs[fault.instrument], self._device(fault).box
        how: LostSensor = "off" if fault.name == "thermometer-off" else "open"
        if isinstance(box, ScpiThermometer):
            return [box.lose_sensor(spec.channel or CHANNELS[0], how)]
        assert isinstance(box, ScpiMeter)
        return [box.lose_sensor(how)]

    def _drop_out(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        place = "supply" if fault.name == "supply-trips" else "load"
        for spec in self._specs.values():
            box = self._devices[spec.resource].box
            if spec.wired == place and isinstance(box, ScpiLoad):
                box.fail()
            elif spec.wired == place and isinstance(box, ScpiSupply | LineSupply):
                box.channels[(spec.channel or 1) - 1].fail()
        return ()

    def _dip(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        """Every output goes at once; the boxes are away until they have started again."""
        self._world.touch(at_s)
        self._world.supply.on = self._world.load.on = False
        away_s = at_s + (fault.for_s or DIP_S) - self._clock.now_s()
        for device in self._devices.values():
            device.box.power_cycle()
            device.cut(max(0.0, away_s))
        self._hookup.forget()
        return ()

    # ------------------------------------------------------- in the module and round it

    def _kill(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        self._world.touch(at_s)
        self._world.dead = "open" if fault.name == "module-dies-open" else "short"
        self._hookup.forget()
        return ()

    def _open_fuse(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        self._world.touch(at_s)
        self._world.fuse.open = True
        self._hookup.forget()
        return ()

    def _heat(self, fault: NamedFault, at_s: float) -> Sequence[Undo]:
        """The heat that was there stays, and so do the time constants: what fell off held it."""
        world, times = self._world, fault.strength
        world.touch(at_s)
        heat = world.twin.heat
        if fault.name == "heat-sink-off":
            changed = replace(heat, case_k_per_w=heat.case_k_per_w * times)
        else:
            changed = replace(heat, loss_growth_per_k=heat.loss_growth_per_k * times)
        world.twin = replace(world.twin, heat=changed)
        self._hookup.forget()
        return ()


def _has_sensor(spec: BoxSpec) -> bool:
    places = ("case", "capacitor", "hot_spot", "ambient", "chamber")
    return spec.wired in places and spec.family != "scpi-chamber"
