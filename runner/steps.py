"""The words of a sequence: the steps it yields and the outcomes it gets back.

Sequences import these names; the engine performs them; the journal stores both
as plain values. Nothing here does I/O, reads a clock or knows an instrument.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

Quantity = Literal["case_temp_c", "hot_spot_temp_c", "ambient_temp_c"]
Kind = Literal["fast", "soaked"]


# --------------------------------------------------------------------------- steps


@dataclass(frozen=True, slots=True)
class Tare:
    """Read both currents while nothing flows: supply and load have to be off.

    The mean of `samples` readings `every_s` [s] apart is the offset of each ammeter on its
    range; the reports take it off every later current.
    """

    samples: int = 20
    every_s: float = 0.1


@dataclass(frozen=True, slots=True)
class PowerUp:
    """Load off, limits set and read back, then the supply on at `line_v` [V]."""

    line_v: float


@dataclass(frozen=True, slots=True)
class SetLine:
    """Move the line to `line_v` [V] with the supply already on."""

    line_v: float


@dataclass(frozen=True, slots=True)
class Draw:
    """Sink `iout_a` [A] in constant-current mode; switches the load on if it is off."""

    iout_a: float


@dataclass(frozen=True, slots=True)
class Release:
    """Switch the load off; the supply stays on."""


@dataclass(frozen=True, slots=True)
class Settle:
    """Wait until line, output and input current stop moving: `settle.py` holds the criterion."""

    at_least_s: float = 0.3
    at_most_s: float = 10.0


@dataclass(frozen=True, slots=True)
class Soak:
    """Wait until a temperature rise has moved less than `within_k` [K] over `over_s` [s].

    Judged above ambient where an ambient thermometer exists, so that a drifting room
    does not count. Ends early, `stopped`, once the quantity exceeds `stop_above_c` [°C].
    `rule` names the rule of a published method to be judged by instead (`SOAK_RULES`).
    """

    quantity: Quantity = "hot_spot_temp_c"
    within_k: float = 1.0
    over_s: float = 300.0
    at_most_s: float = 5400.0
    stop_above_c: float | None = None
    rule: str = "trend"


@dataclass(frozen=True, slots=True)
class Read:
    """Take `samples` readings `every_s` [s] apart and average them into a point."""

    kind: Kind = "fast"
    samples: int = 10
    every_s: float = 0.1
    label: str = ""


@dataclass(frozen=True, slots=True)
class SetAmbient:
    """Chamber to `ambient_temp_c` [°C]; wait until the air is within `within_k` [K]."""

    ambient_temp_c: float
    within_k: float = 1.5
    at_most_s: float = 7200.0


@dataclass(frozen=True, slots=True)
class Wait:
    """Let `duration_s` [s] pass; the interlocks are looked at all the while."""

    duration_s: float


@dataclass(frozen=True, slots=True)
class Note:
    """Put a remark of the sequence into the journal."""

    text: str


@dataclass(frozen=True, slots=True)
class GiveUp:
    """End the run here, safely and as failed, for a `reason` in words."""

    reason: str


@dataclass(frozen=True, slots=True)
class PowerDown:
    """Ramp the load down, load off, supply off, and see volts and amps go."""


Step = (
    Tare
    | PowerUp
    | SetLine
    | Draw
    | Release
    | Settle
    | Soak
    | Read
    | SetAmbient
    | Wait
    | Note
    | GiveUp
    | PowerDown
)


# ------------------------------------------------------------------------ outcomes


@dataclass(frozen=True, slots=True)
class Reading:
    """One look at every quantity; `t_s` is on the run's clock, a missing thermometer is None."""

    t_s: float
    vin_v: float
    iin_a: float
    vout_v: float | None
    iout_a: float | None
    ambient_temp_c: float | None = None
    case_temp_c: float | None = None
    hot_spot_temp_c: float | None = None
    supply_mode: str = "CV"
    load_mode: str = "CC"


@dataclass(frozen=True, slots=True)
class Done:
    """A step without a result of its own, with the reading at its end."""

    reading: Reading


@dataclass(frozen=True, slots=True)
class Settled:
    """How a Settle ended; `why` says what still moved, or was too noisy to tell."""

    settled: bool
    elapsed_s: float
    reading: Reading
    why: str = ""


@dataclass(frozen=True, slots=True)
class Soaked:
    """How a Soak ended; `change_k` [K] is what the rise moved over the last `over_s`.

    `left_k` [K] is how far it seems to be from its end, by three equally spaced readings:
    information, not a correction; None where they show no end.
    """

    settled: bool
    stopped: bool
    elapsed_s: float
    change_k: float | None
    reading: Reading
    left_k: float | None = None


@dataclass(frozen=True, slots=True)
class Tared:
    """What the ammeters showed at no current [A]: means, and `sd` by name."""

    samples: int
    iin_a: float
    iout_a: float
    sd: dict[str, float]
    reading: Reading


@dataclass(frozen=True, slots=True)
class Point:
    """The mean of one Read, with the set points it was taken at.

    `sd` holds the sample standard deviation of each measured quantity, by name.
    `flags` are words such as UNSETTLED, LOAD_UNREGULATED, SUPPLY_CC.
    """

    kind: Kind
    label: str
    line_set_v: float
    iout_set_a: float
    t_s: float
    samples: int
    vin_v: float
    iin_a: float
    vout_v: float
    iout_a: float
    ambient_temp_c: float | None
    case_temp_c: float | None
    hot_spot_temp_c: float | None
    supply_mode: str
    load_mode: str
    settled: bool
    dwell_s: float
    sd: dict[str, float] = field(default_factory=dict)
    flags: tuple[str, ...] = ()

    @property
    def pin_w(self) -> float:
        """Input power [W], the product of the means."""
        return self.vin_v * self.iin_a

    @property
    def pout_w(self) -> float:
        """Output power [W], the product of the means."""
        return self.vout_v * self.iout_a

    @property
    def ploss_w(self) -> float:
        """Loss [W]: input less output power."""
        return self.pin_w - self.pout_w

    @property
    def efficiency(self) -> float | None:
        """Output over input power (0..1), or None without input power."""
        return self.pout_w / self.pin_w if self.pin_w > 0.0 else None


Outcome = Done | Settled | Soaked | Tared | Point
T = TypeVar("T")
Part = Generator[Step, Any, T]
"""A part of a sequence that hands a value back to `yield from`."""
Steps = Part[None]
"""What a sequence is: it yields steps and is sent the outcome of each."""
