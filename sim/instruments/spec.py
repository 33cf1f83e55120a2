"""What the bench file says of a box: ratings, stated accuracy, and what its leads go to.

`sim.build` is handed these by whoever reads the bench file; the boxes are made from them.
Nothing here draws an error or obeys a command.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Wire = Literal[
    "supply",
    "load",
    "vin",
    "iin",
    "vout",
    "iout",
    "case",
    "capacitor",
    "hot_spot",
    "ambient",
    "chamber",
    "",
]

LostSensor = Literal["off", "open"]
"""How a temperature sensor is lost: it falls off into the air, or its wire breaks."""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Stated accuracy of one range, in the unit of the quantity [V], [A] or [K].

    The limits of error are reading_pct % of the reading + range_pct % of the range + offset.
    """

    range_max: float
    reading_pct: float = 0.0
    range_pct: float = 0.0
    offset: float = 0.0

    def floor(self) -> float:
        """Return the part of the limits that does not depend on the reading."""
        return self.range_pct / 100.0 * self.range_max + self.offset

    def limit(self, reading: float) -> float:
        """Return the greatest error [same unit] the maker allows at `reading`."""
        return self.reading_pct / 100.0 * abs(reading) + self.floor()


@dataclass(frozen=True, slots=True)
class BoxSpec:
    """One instrument of the bench file; several may share a resource, each with its channel.

    Ratings in [V], [A], [W], [°C]; `wired` names the place its terminals go to, "" for none.
    What is wrong with it, unknown to who reads it: `sense_missing` (it senses at its own
    terminals whatever it is told), `reversed_leads` of a voltmeter, `offset_a` [A] on its
    current and `scale_a` times it.
    """

    name: str
    resource: str
    family: str
    channel: int | None = None
    identity: str = ""
    rated_v: float = 0.0
    rated_a: float = 0.0
    rated_w: float = 0.0
    least_v: float = 0.0
    remote_sense: bool = False
    sensor: str = ""
    shunt_ohm: float | None = None
    output_resistance_ohm: float = 0.001
    least_temp_c: float = -40.0
    rated_temp_c: float = 180.0
    voltage_accuracy: tuple[Accuracy, ...] = ()
    current_accuracy: tuple[Accuracy, ...] = ()
    temp_accuracy: Accuracy | None = None
    wired: Wire = ""
    sense_missing: bool = False
    reversed_leads: bool = False
    offset_a: float = 0.0
    scale_a: float = 1.0
