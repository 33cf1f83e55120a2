"""Which resistor stands for a load current, what it then carries, and for how long.

Pure. Made from the bench file and the module file by `run`; asked by the plan on paper and
by the steps worked by hand. A resistor's current follows from its voltage: nothing here
pretends to measure it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf

from runner.errors import BadInput
from runner.files.bench_file import BenchFile, Resistor, ResistorBankSection
from runner.files.module_file import ModuleFile

NOTICE_S = 10.0
NOTICE_SHARE = 0.4
"""So long before its time is up a resistor is asked off: 10 s, or this share of a short time."""
LEAST_USE_S = 10.0
"""A resistor that may stay on for less than this can be neither connected nor read in time."""


@dataclass(frozen=True, slots=True)
class Choice:
    """One resistor across the module's output, or None for nothing connected.

    `ohm` includes leads and clips, `iout_a` and `power_w` are at the module's set output;
    `may_stay_s` holds up to its output tolerance. `ohm_limit` is the limit of error of the
    resistor [ohm]: tolerance, and temperature coefficient times its own heating.
    """

    resistor: Resistor | None
    ohm: float = inf
    iout_a: float = 0.0
    power_w: float = 0.0
    may_stay_s: float = inf
    ohm_limit: float = 0.0

    @property
    def called(self) -> str:
        """What a person reads of it."""
        return self.resistor.called if self.resistor else "nothing"

    @property
    def use_s(self) -> float:
        """How long it may be used before it is asked off [s]."""
        return self.may_stay_s - min(NOTICE_S, NOTICE_SHARE * self.may_stay_s)

    def power_at(self, vout_v: float) -> float:
        """The power in the resistor itself at an output voltage [V], in W."""
        if self.resistor is None:
            return 0.0
        return (vout_v / self.ohm) ** 2 * self.resistor.resistance_ohm


OPEN = Choice(None)


@dataclass(frozen=True, slots=True)
class Bank:
    """What can be connected on this bench to this module, by rising current."""

    choices: tuple[Choice, ...]

    def nearest(self, iout_a: float) -> Choice:
        """What comes nearest to a current [A]; nothing connected for 0 A alone."""
        if iout_a <= 0.0:
            return OPEN
        return min(self.choices, key=lambda choice: abs(choice.iout_a - iout_a))


def check_stay(choice: Choice, step: str, took_s: float) -> None:
    """Refuse a step that lasts longer than its resistor may be used. Raises BadInput."""
    if took_s > choice.use_s:
        raise BadInput(
            f"{step} takes about {took_s:.3g} s with {choice.called} connected, which may stay on "
            f"for {choice.may_stay_s:g} s at {choice.power_w:.3g} W and is asked off after "
            f"{choice.use_s:.3g} s: use a resistor of greater rated_w there, ask for a smaller "
            "load, or leave that step out (a soak: --soak no, or a smaller --soak-a)"
        )


def bank_of(bench: BenchFile, module: ModuleFile, iout_max_a: float) -> Bank | None:
    """The resistors of a bench that this module may be loaded with; None for an electronic load.

    `iout_max_a` is the greatest current anything allows. Raises BadInput if none is left.
    """
    section = bench.load
    if not isinstance(section, ResistorBankSection):
        return None
    choices = sorted(_choices(section, module), key=lambda choice: choice.iout_a)
    usable = tuple(choice for choice in choices if choice.iout_a <= iout_max_a)
    if usable:
        return Bank(usable)
    tried = ", ".join(
        f"{resistor.called}: {module.vout_set_v**2 / resistor.resistance_ohm:.3g} W of "
        f"{resistor.limit_w:g} W"
        for resistor in section.resistors
    )
    raise BadInput(
        f"instruments.{bench.roles.load}.resistors: found none that may be connected to "
        f"{module.vout_set_v:g} V ({tried}); allowed: power within rated_w, or greatest_w for at "
        f"least {LEAST_USE_S:g} s of use, and at most {iout_max_a:g} A; add a greater resistor"
    )


def _choices(section: ResistorBankSection, module: ModuleFile) -> Iterator[Choice]:
    lead_ohm = section.lead_resistance_ohm or 0.0
    for resistor in section.resistors:
        least_ohm = resistor.resistance_ohm * (1.0 - resistor.tolerance_pct / 100.0)
        most_w = (module.vout_most_v / (least_ohm + lead_ohm)) ** 2 * least_ohm
        ohm = resistor.resistance_ohm + lead_ohm
        iout_a = module.vout_set_v / ohm
        power_w = iout_a**2 * resistor.resistance_ohm
        limit_ohm = _ohm_limit(resistor, power_w)
        choice = Choice(resistor, ohm, iout_a, power_w, _may_stay_s(resistor, most_w), limit_ohm)
        if choice.use_s >= LEAST_USE_S:
            yield choice


def _may_stay_s(resistor: Resistor, power_w: float) -> float:
    """How long it may carry a power [s]: the stated overload time whatever lies above rated."""
    if power_w <= resistor.rated_w:
        return inf
    if resistor.greatest_w_for_s is None or power_w > resistor.limit_w:
        return 0.0
    return resistor.greatest_w_for_s


def _ohm_limit(resistor: Resistor, power_w: float) -> float:
    """Tolerance and own heating as limits [ohm]; the body's rise goes with the power."""
    hot_by_k = resistor.hot_by_k * power_w / resistor.rated_w
    share = resistor.tolerance_pct / 100.0 + resistor.temp_coefficient_ppm_per_k * 1e-6 * hot_by_k
    return resistor.resistance_ohm * share
