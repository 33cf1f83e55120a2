"""The words of a sequence: the steps it yields and the outcomes it gets back.

Sequences import these names; the engine performs them; the journal stores both
as plain values. Nothing here does I/O, reads a clock or knows an instrument.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field
from typing import Any, Literal, TypeVar

Quantity = Literal["case_temp_c", "hot_spot_temp_c", "ambient_temp_c", "capacitor_temp_c"]
Kind = Literal["fast", "soaked"]
ReadFrom = Literal[
    "",
    "vin_v",
    "iin_a",
    "vout_v",
    "iout_a",
    "ambient_temp_c",
    "case_temp_c",
    "hot_spot_temp_c",
    "capacitor_temp_c",
]


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
    """Move the line to `line_v` [V] with the supply already on.

    At a `rate_v_per_s` [V/s] above 0 in a ramp of small steps, each looked at; at 0 in one.
    Ends when the line stands where it was set; with `wait` off it ends at once, and a line
    that never gets there (a supply in its current limit) is for the sequence to judge.
    """

    line_v: float
    rate_v_per_s: float = 0.0
    wait: bool = True


@dataclass(frozen=True, slots=True)
class Start:
    """The load first, then the supply on at `line_v` [V]: the start-up, followed for `watch_s` [s].

    Begins with the supply off. The load is armed at `iout_a` [A], or at `load_ohm` [ohm] where
    that is given; at neither it stays off. `limit_a` [A] is the supply's current limit, None
    for the greatest allowed. A line or an output that does not come up is no error here, it is
    what is asked; the outcome is a `Trace`. The interlocks hold as ever.
    """

    line_v: float
    iout_a: float = 0.0
    load_ohm: float | None = None
    limit_a: float | None = None
    watch_s: float = 2.0
    every_s: float = 0.02


@dataclass(frozen=True, slots=True)
class Draw:
    """Sink `iout_a` [A] in constant-current mode; switches the load on if it is off."""

    iout_a: float


@dataclass(frozen=True, slots=True)
class Resist:
    """Load the output with `load_ohm` [ohm] in constant-resistance mode; `Draw` goes back to CC.

    The load's least resistance stands for a short circuit. What flows is the module's to limit:
    the interlocks and the load's own trips are what holds it.
    """

    load_ohm: float


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

    With `predict_k` above 0 it ends as soon as the end of the rise is predicted within so many
    kelvin at 95 % (2 u): `Soaked` then tells that end, and what is read after is still on its
    way there. Where no end can be told the soak is waited out. A published rule named is kept:
    it is never cut short. With `prove` the soak is waited out all the same, and `Soaked.proved`
    says whether it ended where it was foretold to.
    """

    quantity: Quantity = "hot_spot_temp_c"
    within_k: float = 1.0
    over_s: float = 300.0
    at_most_s: float = 5400.0
    stop_above_c: float | None = None
    rule: str = "trend"
    predict_k: float = 0.0
    prove: bool = False


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
class Follow:
    """Watch for `duration_s` [s], a reading every `every_s` [s]: the outcome is a `Trace`.

    At most `runner.tracing.MOST_READINGS` readings; a slow bench gives fewer than asked for.
    """

    duration_s: float
    every_s: float = 0.05


@dataclass(frozen=True, slots=True)
class Ask:
    """Have the person at the terminal do or confirm something; the bench is watched meanwhile.

    `typed` is a word that has to be typed exactly, for what cannot be taken back. Where nobody
    can be asked the run is refused before anything is energised. `polarity` tells how the line's
    two leads lie once it is done, for a simulated bench, whose leads nobody swaps: it follows.
    """

    text: str
    typed: str = ""
    polarity: Literal["", "normal", "reversed"] = ""


@dataclass(frozen=True, slots=True)
class Found:
    """A result of the sequence: a `quantity`, its `value`, and the bracket it was found in.

    The name of the quantity ends in its unit, such as `current_limit_a`, which `unit` writes
    as people do. It lies between `low` and `high`, None where nothing bounds it on that side;
    a `value` of None says that there is none, or that it is a word: the `text`. `line_v` [V],
    `iout_a` [A] and `ambient_temp_c` [°C] are where it was found. `rests_on` names the reading
    whose instrument it was found with; a time rests on the clock alone.
    """

    quantity: str
    value: float | None
    low: float | None
    high: float | None
    unit: str
    line_v: float
    iout_a: float
    ambient_temp_c: float | None = None
    text: str = ""
    rests_on: ReadFrom = ""


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
    | Start
    | Draw
    | Resist
    | Release
    | Settle
    | Soak
    | Read
    | SetAmbient
    | Wait
    | Follow
    | Ask
    | Found
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
    capacitor_temp_c: float | None = None


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

    `end_rise_k` and `end_u_k` are the predicted end of the rise that was soaked and its standard
    uncertainty [K], None where the soak was waited out; `end_case_...` and `end_capacitor_...` the
    same of case and capacitor.
    `end_loss_ratio` is the loss there over the loss now. `proved` is None where nothing was to
    be proved. `note` says what else is to be known.
    """

    settled: bool
    stopped: bool
    elapsed_s: float
    change_k: float | None
    reading: Reading
    left_k: float | None = None
    end_rise_k: float | None = None
    end_u_k: float | None = None
    end_loss_ratio: float = 1.0
    end_case_rise_k: float | None = None
    end_case_u_k: float | None = None
    proved: bool | None = None
    note: str = ""
    end_capacitor_rise_k: float | None = None
    end_capacitor_u_k: float | None = None


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
    capacitor_temp_c: float | None = None

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


@dataclass(frozen=True, slots=True)
class Trace:
    """What was read while something was followed: one entry a reading in every tuple.

    `t_s` is on the run's clock, `began_s` the moment on it when the step began to follow: of
    a Start, when the supply was told to switch on. Modes are those of a `Reading`.
    """

    began_s: float
    t_s: tuple[float, ...]
    vin_v: tuple[float, ...]
    iin_a: tuple[float, ...]
    vout_v: tuple[float, ...]
    iout_a: tuple[float, ...]
    supply_mode: tuple[str, ...]
    load_mode: tuple[str, ...]
    hot_spot_temp_c: tuple[float | None, ...]


Outcome = Done | Settled | Soaked | Tared | Point | Trace
T = TypeVar("T")
Part = Generator[Step, Any, T]
"""A part of a sequence that hands a value back to `yield from`."""
Steps = Part[None]
"""What a sequence is: it yields steps and is sent the outcome of each."""
