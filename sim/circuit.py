"""The values of the bench as a circuit: what is connected, what is set, what results.

Plain data for operating.py, reversal.py and wiring.py, and what the boxes set and read;
nothing here computes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal, NamedTuple

from annotated_types import Ge

from sim.load_line import LoadSetting
from sim.module import Twin
from sim.protection import Protection

SupplyMode = Literal["CV", "CC", "OFF"]
ModuleMode = Literal["on", "idle", "dead-open", "dead-short"]


@dataclass(slots=True)
class SupplySetting:
    """What the supply has been told; `polarity` is how its leads are clipped on."""

    v_set_v: float = 0.0
    i_limit_a: float = 0.0
    on: bool = False
    output_resistance_ohm: float = 0.0
    remote_sense: bool = False
    polarity: Literal["normal", "reversed"] = "normal"


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """Lead resistances, both wires of a pair together [ohm]."""

    supply_lead_ohm: Annotated[float, Ge(0)] = 0.0
    load_lead_ohm: Annotated[float, Ge(0)] = 0.0


@dataclass(frozen=True, slots=True)
class Circuit:
    """Everything that is connected, with its present settings."""

    twin: Twin
    protection: Protection
    wiring: Wiring
    supply: SupplySetting
    load: LoadSetting


@dataclass(frozen=True, slots=True)
class Demand:
    """The module at one input voltage: what it takes, gives and loses.

    `losses_w` are at the reference temperature; `ripple_w` [W] is lost in the protection.
    """

    iin_a: float = 0.0
    vout_v: float = 0.0
    iout_a: float = 0.0
    load_regulated: bool = True
    state: str = "locked-out"
    losses_w: dict[str, float] = field(default_factory=dict)
    ripple_w: float = 0.0


class Terminals(NamedTuple):
    """The quantities that instruments see, in volts and amperes."""

    v_supply_v: float = 0.0
    iin_a: float = 0.0
    vin_v: float = 0.0
    v_module_v: float = 0.0
    vout_v: float = 0.0
    iout_a: float = 0.0
    v_load_v: float = 0.0
    clamp_a: float = 0.0


@dataclass(frozen=True, slots=True)
class Steady:
    """A whole bench at rest."""

    at: Terminals
    supply_mode: SupplyMode
    module: Demand


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Every true quantity of the bench at one moment.

    `v_supply_sense_v` is where the supply regulates. Currents count as the supply gives
    and the load takes them; with the supply clipped on reversed, `vin_v` and `v_module_v`
    are negative. `losses_w` holds the power lost in each part [W].
    """

    v_supply_v: float
    v_supply_sense_v: float
    iin_a: float
    vin_v: float
    v_module_v: float
    vout_v: float
    v_load_v: float
    iout_a: float
    supply_mode: SupplyMode
    load_regulated: bool
    module_state: str
    hot_spot_temp_c: float
    case_temp_c: float
    capacitor_temp_c: float
    ambient_temp_c: float
    losses_w: dict[str, float]
