"""The module file: what the module should do, may carry and is claimed to do.

`load_module_file` is called by the commands; sequences see the result as `setup.module`.
Nothing here knows the simulator or an instrument: `[twin]` stays a table, and what
needs the bench as well is checked in `ratings`.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field

from runner.files.claims_file import Claim, EfficiencyCurve, read_curve
from runner.files.mistakes import Mistake, bad_input
from runner.files.toml_file import Section, read, resolve, validate

Text = Annotated[str, Field(min_length=1)]
Volts = Annotated[float, Field(gt=0, le=2000)]
Amps = Annotated[float, Field(gt=0, le=2000)]
Celsius = Annotated[float, Field(ge=-50, le=300)]
Airflow = Literal["", "still", "still, boxed", "fan", "wind"]
Mounting = Literal["", "flat", "upright", "hanging", "on metal", "on a heat sink", "in its box"]
"""What a temperature rise depends on besides the loss; empty where nobody wrote it down."""
NotNegative = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]


class Limits(Section):
    """What this module may carry; a sequence never asks for more."""

    line_abs_max_v: Volts = Field(description="greatest line ever: weakest part on the input")
    iout_max_a: Amps = Field(description="greatest load ever asked for, above the rated one")
    hot_spot_max_temp_c: Celsius = Field(description="of the hottest part; 100 to 110 if unknown")
    case_max_temp_c: Celsius | None = Field(
        default=None, description="of case or board, if limited"
    )
    capacitor_max_temp_c: Celsius | None = Field(
        default=None, description="of the electrolytic's can, the part that ages"
    )
    derating_from_c: Celsius | None = Field(
        default=None, description="a maker's or standard's rule: rated load up to this air"
    )
    derating_to_zero_c: Celsius | None = Field(
        default=None, description="from there in a straight line to no load in this air"
    )
    vout_max_v: Volts | None = Field(default=None, description="interlock: what it feeds bears")
    vout_min_v: Volts | None = Field(default=None, description="interlock, with the supply on")
    ploss_max_w: Positive | None = Field(default=None, description="interlock")
    ploss_jump_max_w: Positive | None = Field(
        default=None, description="interlock: above the loss at the same set points before"
    )
    hot_spot_rise_max_k_per_min: Positive | None = Field(default=None, description="interlock")
    case_rise_max_k_per_min: Positive | None = Field(default=None, description="interlock")
    capacitor_rise_max_k_per_min: Positive | None = Field(default=None, description="interlock")
    rise_judged_after_s: float | None = Field(
        default=None, ge=0, le=86_400, description="set points stand so long before"
    )


# ----------------------------------------------------------------------- protection


class Diode(Section):
    """A diode as the simulator takes it; a missing key has the simulator's default."""

    saturation_a: Positive | None = None
    emission: Positive | None = None
    series_ohm: NotNegative | None = None
    leakage_a: NotNegative | None = None


class NoProtection(Section):
    """Nothing stands in front of the module."""

    kind: Literal["none"] = "none"


class Schottky(Section):
    """A series diode."""

    kind: Literal["schottky"]
    diode: Diode | None = None


class PChannel(Section):
    """A series transistor that opens on reverse polarity."""

    kind: Literal["p-channel"]
    p_channel_ohm: NotNegative | None = None
    leakage_a: NotNegative | None = Field(default=None, description="what it passes backwards")


class FuseAndClamp(Section):
    """A series fuse, then a clamp across the module."""

    kind: Literal["fuse-and-clamp"]
    fuse_ohm: NotNegative | None = Field(default=None, description="cold resistance")
    fuse_a: Positive | None = Field(default=None, description="rated current")
    fuse_a2s: Positive | None = Field(default=None, description="melting integral in A² s")
    clamp: Diode | None = None
    clamp_v: Volts | None = Field(default=None, description="where the clamp begins to conduct")
    clamp_ohm: Positive | None = None


Protection = Annotated[
    NoProtection | Schottky | PChannel | FuseAndClamp, Field(discriminator="kind")
]


# ------------------------------------------------------------------------- the file


class ModuleFile(Section):
    """A whole module file; frozen, and plain JSON through `model_dump(mode="json")`."""

    name: Text
    unit: Text = Field(description="which specimen: a number written on it")
    marking: str = Field(default="", description="what is printed on it, word for word")
    lot: str = ""
    airflow: Airflow = Field(default="", description="the air it is measured in")
    mounting: Mounting = Field(default="", description="how it is mounted when measured")
    line_min_v: Volts
    line_nominal_v: Volts
    line_max_v: Volts
    vout_set_v: Volts = Field(description="what its output is set to")
    vout_tolerance_pct: float = Field(gt=0, le=25, description="how far it may be from that")
    iout_rated_a: Amps = Field(description="the load it is said to carry")
    limits: Limits
    protection: Protection = NoProtection()
    claims: Annotated[tuple[Claim, ...], Field(strict=False)] = ()
    twin: dict[str, Any] = Field(default={}, description="the module as the simulator builds it")

    @property
    def vout_least_v(self) -> float:
        """Lower edge of the output tolerance [V]."""
        return self.vout_set_v * (1.0 - self.vout_tolerance_pct / 100.0)

    @property
    def vout_most_v(self) -> float:
        """Upper edge of the output tolerance [V]."""
        return self.vout_set_v * (1.0 + self.vout_tolerance_pct / 100.0)


def load_module_file(path: str | Path) -> ModuleFile:
    """Read and check a module file (`demo` is the shipped one), its curves included.

    Raises BadInput. A curve's CSV is read here, so that the module as JSON holds it all.
    """
    path = resolve(path, "module")
    module = validate(read(path), ModuleFile, file=path)
    mistakes = list(module_mistakes(module))
    if mistakes:
        raise bad_input(path, mistakes)
    claims = tuple(
        read_curve(claim, path, index) if isinstance(claim, EfficiencyCurve) else claim
        for index, claim in enumerate(module.claims)
    )
    return module.model_copy(update={"claims": claims})


def module_mistakes(module: ModuleFile) -> Iterator[Mistake]:
    """Everything that contradicts itself within one module file."""
    limits = module.limits
    yield from _in_order(
        ("line_min_v", module.line_min_v),
        ("line_nominal_v", module.line_nominal_v),
        ("line_max_v", module.line_max_v),
        ("limits.line_abs_max_v", limits.line_abs_max_v),
    )
    yield from _in_order(
        ("iout_rated_a", module.iout_rated_a), ("limits.iout_max_a", limits.iout_max_a)
    )
    if limits.case_max_temp_c is not None:
        yield from _in_order(
            ("limits.case_max_temp_c", limits.case_max_temp_c),
            ("limits.hot_spot_max_temp_c", limits.hot_spot_max_temp_c),
        )
    yield from _derating_rule(limits)
    if limits.vout_max_v is not None and limits.vout_max_v < module.vout_most_v:
        allowed = f"at least {module.vout_most_v:.4g}, vout_set_v with its tolerance"
        yield Mistake("limits.vout_max_v", repr(limits.vout_max_v), allowed, "raise it")
    if limits.vout_min_v is not None and limits.vout_min_v > module.vout_least_v:
        allowed = f"at most {module.vout_least_v:.4g}, vout_set_v with its tolerance"
        yield Mistake("limits.vout_min_v", repr(limits.vout_min_v), allowed, "lower it")
    for index, claim in enumerate(module.claims):
        for key, found, allowed in claim.mistakes():
            yield Mistake(f"claims[{index}].{key}", found, allowed, f"correct {key}")


def _derating_rule(limits: Limits) -> Iterator[Mistake]:
    """Both ends of a rule or neither, and the load falls with heat."""
    from_c, to_zero_c = limits.derating_from_c, limits.derating_to_zero_c
    if (from_c is None) != (to_zero_c is None):
        missing = "derating_from_c" if from_c is None else "derating_to_zero_c"
        yield Mistake(
            f"limits.{missing}", "nothing", "a temperature in °C", "give both ends of the rule"
        )
    elif from_c is not None and to_zero_c is not None and from_c >= to_zero_c:
        allowed = f"below limits.derating_to_zero_c, which is {to_zero_c!r}"
        yield Mistake("limits.derating_from_c", repr(from_c), allowed, "correct one of the two")


def _in_order(*keys: tuple[str, float]) -> Iterator[Mistake]:
    """Each of these may be at most the next one."""
    for (name, value), (above, most) in pairwise(keys):
        if value > most:
            allowed = f"at most {above}, which is {most!r}"
            yield Mistake(name, repr(value), allowed, "correct one of the two")
