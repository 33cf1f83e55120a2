"""A bench with less than full instruments, as a reconciliation problem.

Supply, module, resistors or another load, whatever was read: `inference` builds its
problem here. Relations: the leads' drops, I = V / R of a resistor bank that heats itself,
power and efficiency. Pure; all in SI units, efficiency as a fraction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from runner.analysis.reconcile import (
    Model,
    Shape,
    Values,
)


@dataclass(frozen=True, slots=True)
class Stated:
    """A value somebody states, with its standard uncertainty (zero: taken as exact)."""

    value: float
    u: float
    shape: Shape = "rectangular"


@dataclass(frozen=True, slots=True)
class Reading:
    """A value read from a display of `instrument`, which names box and range.

    Standard uncertainties: of the gain and of the offset, each one error for all readings
    on this range of this box, and `own_u` of this reading alone, never zero.
    """

    value: float
    gain_u: float
    offset_u: float
    own_u: float
    instrument: str
    shape: Shape = "rectangular"

    def errors(self, name: str) -> tuple[tuple[str, float, Shape], ...]:
        """The errors in it when it is the observation `name`, by name, size and shape."""
        return (
            (f"gain of {self.instrument}", self.gain_u, self.shape),
            (f"offset of {self.instrument}", self.offset_u, self.shape),
            (f"last digit of {name}", self.own_u, "rectangular"),
        )


@dataclass(frozen=True, slots=True)
class Bank:
    """Equal resistors in series and parallel, as a load.

    `resistance_ohm` of one, at `at_temp_c`. The tolerance is taken as shared by all of
    them: resistors of one batch err alike. `thermal_k_per_w` of one body above the air.
    `lead_ohm` is what lies between the module's output terminals and the bank.
    """

    resistance_ohm: Stated
    at_temp_c: float
    coefficient_per_k: Stated
    lead_ohm: Stated
    series: int = 1
    parallel: int = 1
    thermal_k_per_w: Stated | None = None

    @property
    def factor(self) -> float:
        """Resistance of the bank over that of one."""
        return self.series / self.parallel

    @property
    def pieces(self) -> int:
        """How many resistors there are."""
        return self.series * self.parallel

    @property
    def changes_with_heat(self) -> bool:
        """Whether its temperature matters."""
        return self.coefficient_per_k.value != 0.0 or self.coefficient_per_k.u != 0.0


@dataclass(frozen=True, slots=True)
class Situation:
    """One operating point: what was read, what was connected, what is merely assumed."""

    name: str
    readings: Mapping[str, Reading]
    bank: str | None = None
    body_temp_c: Stated | None = None
    ambient_temp_c: Stated | None = None
    assumed_efficiency: Stated | None = None
    assumed_vout_v: Stated | None = None


@dataclass(frozen=True, slots=True)
class SparseBench:
    """Everything known about a bench; `supply_lead_ohm` lies between supply and module."""

    situations: tuple[Situation, ...]
    banks: Mapping[str, Bank] = field(default_factory=dict)
    supply_lead_ohm: Stated = Stated(0.0, 0.0)

    def bank_of(self, situation: Situation) -> Bank | None:
        """The resistors connected then."""
        return self.banks[situation.bank] if situation.bank is not None else None


# ------------------------------------------------------------------------- quantities


@dataclass(frozen=True, slots=True)
class Quantities:
    """The true quantities of one situation, as models of the problem's unknowns."""

    bench: SparseBench
    situation: Situation

    def models(self) -> dict[str, Model]:
        """Every quantity that makes sense here, by name."""
        found: dict[str, Model] = {
            "vin_v": self.vin_v,
            "iin_a": self.iin_a,
            "pin_w": self.pin_w,
            "vout_v": self.vout_v,
            "iout_a": self.iout_a,
            "pout_w": self.pout_w,
            "ploss_w": lambda v: self.pin_w(v) - self.pout_w(v),
            "efficiency": self.efficiency,
        }
        if self.bank is not None:
            found["bank_ohm"] = self.bank_ohm
            if self.bank.changes_with_heat:
                found["body_temp_c"] = self.body_temp_c
        return found

    @property
    def bank(self) -> Bank | None:
        """The resistors connected."""
        return self.bench.bank_of(self.situation)

    def vin_v(self, v: Values) -> Any:
        """At the module's input terminals."""
        return v[at("vin_v", self.situation)]

    def iin_a(self, v: Values) -> Any:
        """Into the module."""
        return v[at("iin_a", self.situation)]

    def vout_v(self, v: Values) -> Any:
        """At the module's output terminals."""
        return v[at("vout_v", self.situation)]

    def iout_a(self, v: Values) -> Any:
        """Out of the module; with resistors I = V / R, so that the voltage counts twice."""
        if self.bank is None:
            return v[at("iout_a", self.situation)]
        return self.vout_v(v) / (self.bank_ohm(v) + self.lead_ohm(v))

    def pin_w(self, v: Values) -> Any:
        """Into the module."""
        return self.vin_v(v) * self.iin_a(v)

    def pout_w(self, v: Values) -> Any:
        """Out of the module."""
        return self.vout_v(v) * self.iout_a(v)

    def efficiency(self, v: Values) -> Any:
        """Power out over power in, between the module's terminals."""
        return self.pout_w(v) / self.pin_w(v)

    def lead_ohm(self, v: Values) -> Any:
        """Between module and resistors; none is known without resistors."""
        if self.bank is None:
            return 0.0
        return stated_in(v, f"lead_ohm of {self.situation.bank}", self.bank.lead_ohm)

    def bank_ohm(self, v: Values) -> Any:
        """The bank as hot as it is: R (1 + alpha (T - T0))."""
        bank = self._needed()
        one = stated_in(v, f"resistance_ohm of {self.situation.bank}", bank.resistance_ohm)
        if not bank.changes_with_heat:
            return bank.factor * one
        name = f"coefficient_per_k of {self.situation.bank}"
        alpha = stated_in(v, name, bank.coefficient_per_k)
        return bank.factor * one * (1.0 + alpha * (self.body_temp_c(v) - bank.at_temp_c))

    def body_temp_c(self, v: Values) -> Any:
        """Of the resistors."""
        return v[at("body_temp_c", self.situation)]

    def thermal_k_per_w(self, v: Values) -> Any:
        """What the resistors' heat and temperature say their thermal resistance is."""
        ambient = self.situation.ambient_temp_c or Stated(25.0, 0.0)
        air_c = stated_in(v, at("ambient_temp_c", self.situation), ambient)
        one_w = self.iout_a(v) ** 2 * self.bank_ohm(v) / self._needed().pieces
        return (self.body_temp_c(v) - air_c) / one_w

    def read(self, role: str) -> Model:
        """What an ideal instrument in a role would show."""
        lead = self.bench.supply_lead_ohm

        def supply_v(v: Values) -> Any:
            return self.vin_v(v) + self.iin_a(v) * stated_in(v, "supply_lead_ohm", lead)

        return {
            "supply_v": supply_v,
            "supply_a": self.iin_a,
            "vin_v": self.vin_v,
            "iin_a": self.iin_a,
            "vout_v": self.vout_v,
            "vload_v": lambda v: self.vout_v(v) - self.iout_a(v) * self.lead_ohm(v),
            "iout_a": self.iout_a,
        }[role]

    def _needed(self) -> Bank:
        if self.bank is None:
            raise ValueError(f"{self.situation.name!r} has no resistors")
        return self.bank


def at(quantity: str, situation: Situation) -> str:
    """The name of a quantity of one situation."""
    return f"{quantity} at {situation.name}"


def stated_in(v: Values, name: str, stated: Stated) -> Any:
    """A stated quantity: an unknown if it has a doubt, else its value."""
    return v[name] if stated.u > 0.0 else stated.value
