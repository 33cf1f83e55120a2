"""A whole simulated bench from its description: world, boxes, devices, clock.

The runner validates `[simulation]` against `Simulation`, makes a `BoxSpec` of every
instrument and calls `build`. Raises ValueError, naming the box, on what cannot be wired.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from random import Random
from typing import TYPE_CHECKING, Annotated, Literal

from annotated_types import Ge, Gt

from sim.clock import Clock, RealClock, VirtualClock
from sim.fault_names import NamedFault
from sim.fault_schedule import FaultSchedule
from sim.instruments.chamber import ScpiChamber
from sim.instruments.hookup import Hookup, OpenTerminals
from sim.instruments.line_supply import LineSupply
from sim.instruments.load import ScpiLoad
from sim.instruments.meter import ScpiMeter
from sim.instruments.spec import Accuracy, BoxSpec
from sim.instruments.supply import STYLES, ScpiSupply, SupplyChannel
from sim.instruments.thermometer import ScpiThermometer
from sim.miswiring import WiringFault, miswired
from sim.module import Twin
from sim.protection import Protection
from sim.seam import Box, Device
from sim.wiring import Wiring, World

if TYPE_CHECKING:
    from sim.visa import ResourceManager

__all__ = ["Accuracy", "BoxSpec", "NamedFault", "SimBench", "Simulation", "build"]

CHANNELS_OF_A_BIG_SUPPLY = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulation:
    """The keys of `[simulation]` in a bench file.

    `reply_s` [s] is what a box takes for a message; `speed` is how much faster than the
    wall a bench in `real_time` runs; `start_utc` is the time of day at its start.
    What is wrong with the wiring, unknown to the bench file: `wiring_faults` by name
    (`sim.miswiring`), an offset [A] on an ammeter or a scale it is out by, and the voltage
    [V] below which the load really holds no current. What will go wrong: `faults`
    (`sim.fault_names`), each at its time.
    """

    seed: int = 1
    start_utc: str = "2026-01-01T00:00:00Z"
    ambient_temp_c: float = 25.0
    supply_lead_ohm: Annotated[float, Ge(0)] = 0.0
    load_lead_ohm: Annotated[float, Ge(0)] = 0.0
    real_time: bool = False
    speed: Annotated[float, Gt(0)] = 1.0
    reply_s: Annotated[float, Ge(0)] = 0.002
    wiring_faults: list[WiringFault] = field(default_factory=list)
    iin_offset_a: float = 0.0
    iout_offset_a: float = 0.0
    iin_scale: Annotated[float, Gt(0)] = 1.0
    iout_scale: Annotated[float, Gt(0)] = 1.0
    load_least_v: Annotated[float, Ge(0)] | None = None
    faults: list[NamedFault] = field(default_factory=list)


class SimBench:
    """A running simulated bench; `close` ends the resource managers it handed out."""

    def __init__(
        self,
        simulation: Simulation,
        clock: Clock,
        world: World,
        devices: dict[str, Device],
        resources: dict[str, str],
        faults: FaultSchedule,
    ) -> None:
        self.simulation = simulation
        self.clock = clock
        self.world = world
        self.devices = devices
        self.resources = resources  # by the name of the instrument
        self.faults = faults
        self._managers: list[ResourceManager] = []

    def resource_manager(self) -> ResourceManager:
        """Return a PyVISA resource manager, in this process, that finds the boxes."""
        from sim import visa  # imports pyvisa: only who asks for it pays for it

        manager = visa.resource_manager(self.devices)
        self._managers.append(manager)
        return manager

    def swap(self, polarity: Literal["normal", "reversed"]) -> None:
        """Lay the supply's leads as a person at a real bench was asked to."""
        self.world.touch()
        self.world.supply.polarity = polarity

    def close(self) -> None:
        """Close every resource manager handed out."""
        while self._managers:
            self._managers.pop().close()


def build(
    simulation: Simulation,
    twin: Twin,
    protection: Protection,
    boxes: Sequence[BoxSpec],
    clock: Clock | None = None,
) -> SimBench:
    """Wire a bench; entries that share a resource become channels of one box."""
    clock = clock or _clock(simulation)
    wiring = Wiring(
        supply_lead_ohm=simulation.supply_lead_ohm, load_lead_ohm=simulation.load_lead_ohm
    )
    world = World(twin, protection, wiring, clock, ambient_temp_c=simulation.ambient_temp_c)
    if "supply-reversed" in simulation.wiring_faults:
        world.supply.polarity = "reversed"
    hookup = Hookup(world, clock)
    boxes = miswired(
        boxes,
        simulation.wiring_faults,
        offsets_a={"iin": simulation.iin_offset_a, "iout": simulation.iout_offset_a},
        scales={"iin": simulation.iin_scale, "iout": simulation.iout_scale},
        load_least_v=simulation.load_least_v,
    )
    _check_names(boxes)
    lock = threading.RLock()
    devices = {}
    for resource, specs in _by_resource(boxes).items():
        box = _box(specs, hookup, simulation.seed)
        devices[resource] = Device(
            resource, box, clock, reply_s=simulation.reply_s, seed=simulation.seed, lock=lock
        )
    faults = FaultSchedule(simulation.faults, world, hookup, clock, devices, boxes, lock)
    for device in devices.values():
        device.due = faults
    resources = {spec.name: spec.resource for spec in boxes}
    return SimBench(simulation, clock, world, devices, resources, faults)


def _clock(simulation: Simulation) -> Clock:
    try:
        start = datetime.fromisoformat(simulation.start_utc)
    except ValueError:
        raise ValueError(
            f"simulation.start_utc: {simulation.start_utc!r} is no time; "
            'write one as "2026-06-21T04:00:00Z"'
        ) from None
    return RealClock(simulation.speed, start) if simulation.real_time else VirtualClock(start)


def _check_names(boxes: Sequence[BoxSpec]) -> None:
    seen: set[str] = set()
    for spec in boxes:
        if spec.name in seen:
            raise ValueError(f"instrument {spec.name!r} is described twice; names must differ")
        seen.add(spec.name)
    for place in ("supply", "load"):
        wired = [s.name for s in boxes if s.wired == place and s.family != "scpi-meter"]
        if len(wired) > 1:
            raise ValueError(f"only one instrument can be the {place}, not {', '.join(wired)}")


def _by_resource(boxes: Sequence[BoxSpec]) -> dict[str, list[BoxSpec]]:
    found: dict[str, list[BoxSpec]] = {}
    for spec in boxes:
        group = found.setdefault(spec.resource, [])
        if group and group[0].family != spec.family:
            raise ValueError(
                f"instrument {spec.name!r}: {spec.resource} is a {group[0].family!r} already "
                f"(instrument {group[0].name!r}), so it cannot be a {spec.family!r} too"
            )
        if any(other.channel == spec.channel for other in group):
            raise ValueError(
                f"instrument {spec.name!r}: channel {spec.channel!r} of {spec.resource} "
                "is taken; give each instrument its own channel"
            )
        group.append(spec)
    return found


def _box(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    family = specs[0].family
    make = FAMILIES.get(family)
    if make is None:
        raise ValueError(
            f"instrument {specs[0].name!r}: no simulated box speaks {family!r}; "
            f"there are {', '.join(sorted(FAMILIES))}"
        )
    return make(specs, hookup, seed)


def _random(seed: int, spec: BoxSpec) -> Random:
    return Random(f"{seed}/{spec.name}")


def _only(specs: list[BoxSpec]) -> BoxSpec:
    if len(specs) > 1:
        names = ", ".join(repr(spec.name) for spec in specs)
        raise ValueError(f"{specs[0].resource} has one channel, but is {names}")
    return specs[0]


def _channels(specs: list[BoxSpec], hookup: Hookup, seed: int, count: int) -> list[SupplyChannel]:
    """Return a supply's channels; those that no entry names have open terminals."""
    named = {spec.channel or 1: spec for spec in specs}
    channels = []
    for number in range(1, max(count, *named) + 1):
        spare = replace(specs[0], name=f"{specs[0].resource} channel {number}", wired="")
        spec = named.get(number, spare)
        own = hookup if spec.wired == "supply" else Hookup(OpenTerminals(), hookup.clock)
        channels.append(SupplyChannel(spec, own, _random(seed, spec)))
    return channels


def _supply(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    family = specs[0].family
    if family == "scpi-supply":
        channels = _channels([replace(_only(specs), channel=1)], hookup, seed, 1)
    else:
        channels = _channels(specs, hookup, seed, CHANNELS_OF_A_BIG_SUPPLY)
    return ScpiSupply(family, _identity(specs), hookup, channels)


def _line_supply(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    return LineSupply(_identity(specs), hookup, _channels(specs, hookup, seed, 1))


def _identity(specs: list[BoxSpec]) -> str:
    return next((spec.identity for spec in specs if spec.identity), "")


def _load(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    spec = _only(specs)
    own = hookup if spec.wired == "load" else Hookup(OpenTerminals(), hookup.clock)
    return ScpiLoad(spec, own, _random(seed, spec))


def _meter(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    return ScpiMeter(_only(specs), hookup, _random(seed, specs[0]))


def _thermometer(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    return ScpiThermometer(specs, hookup, _random(seed, specs[0]))


def _chamber(specs: list[BoxSpec], hookup: Hookup, seed: int) -> Box:
    return ScpiChamber(_only(specs), hookup, _random(seed, specs[0]))


FAMILIES: dict[str, Callable[[list[BoxSpec], Hookup, int], Box]] = {
    **dict.fromkeys(STYLES, _supply),
    "line-supply": _line_supply,
    "scpi-load-function": _load,
    "scpi-load-mode": _load,
    "scpi-meter": _meter,
    "scpi-thermometer": _thermometer,
    "scpi-chamber": _chamber,
}
