"""The inference file: what is known on a bench with less than full instruments.

`load_infer_file` is called by `runner.infer` for the `infer` command. Keys, units and
bounds are here, and what contradicts itself within one file; no arithmetic.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from runner.files.bench_file import CurrentAccuracy, VoltageAccuracy
from runner.files.mistakes import Mistake, bad_input, dotted
from runner.files.toml_file import Section, read, validate

Text = Annotated[str, Field(min_length=1)]
Volts = Annotated[float, Field(gt=0, le=2000)]
Amps = Annotated[float, Field(gt=0, le=2000)]
Ohms = Annotated[float, Field(ge=0, le=10)]
Celsius = Annotated[float, Field(ge=-50, le=600)]
Percent = Annotated[float, Field(gt=0, le=20)]

READINGS = {
    "supply_v": ("supply", "voltage_accuracy"),
    "supply_a": ("supply", "current_accuracy"),
    "vin_v": ("voltmeter", "voltage_accuracy"),
    "vout_v": ("voltmeter", "voltage_accuracy"),
    "vload_v": ("voltmeter", "voltage_accuracy"),
    "iin_a": ("ammeter", "current_accuracy"),
    "iout_a": ("ammeter", "current_accuracy"),
}
"""Which instrument each reading of a point comes from, and the key of its accuracy."""


class ShownVoltage(VoltageAccuracy):
    """Accuracy of one voltage range of a display."""

    digit_v: float = Field(gt=0, le=10, description="its last digit: 0.01 when it shows 9.02")


class ShownCurrent(CurrentAccuracy):
    """Accuracy of one current range of a display."""

    digit_a: float = Field(gt=0, le=10, description="its last digit: 0.001 when it shows 1.402")


Accuracy = ShownVoltage | ShownCurrent
VoltageRanges = Annotated[tuple[ShownVoltage, ...], Field(strict=False, min_length=1)]
CurrentRanges = Annotated[tuple[ShownCurrent, ...], Field(strict=False, min_length=1)]


class Supply(Section):
    """The supply and what its own display shows."""

    remote_sense: bool = Field(
        default=False, description="sense wires go to the module's input terminals"
    )
    lead_resistance_ohm: Ohms | None = Field(default=None, description="both wires together")
    lead_resistance_limits_ohm: Ohms | None = Field(
        default=None, description="how far it may be off, either way"
    )
    voltage_accuracy: VoltageRanges | None = None
    current_accuracy: CurrentRanges | None = None


class Voltmeter(Section):
    """The meter that reads volts, wherever its probes are put."""

    voltage_accuracy: VoltageRanges


class Ammeter(Section):
    """The meter that reads amperes."""

    current_accuracy: CurrentRanges


class Thermometer(Section):
    """What reads the resistors' bodies and the air."""

    limits_k: float = Field(gt=0, le=100, description="limits of error, contact included")


class ResistorBank(Section):
    """Equal resistors as a load."""

    resistance_ohm: float = Field(gt=0, le=1e6, description="of one, as marked or measured")
    tolerance_pct: Percent = Field(description="as marked, or the limits of what measured it")
    at_temp_c: Celsius = Field(default=25.0, description="where that resistance holds")
    temp_coefficient_ppm_per_k: float = Field(
        default=0.0, ge=-10_000, le=10_000, description="in ppm/K, if it is known with its sign"
    )
    temp_coefficient_limits_ppm_per_k: float = Field(
        ge=0, le=10_000, description="in ppm/K, either way: 200 for a maker's ±200 ppm/K"
    )
    series: int = Field(default=1, ge=1, le=1000)
    parallel: int = Field(default=1, ge=1, le=1000)
    lead_resistance_ohm: Ohms = Field(
        description="from the module's output terminals to the bank, both wires and any ammeter"
    )
    lead_resistance_limits_ohm: Ohms = Field(description="how far it may be off, either way")
    thermal_k_per_w: float | None = Field(
        default=None, gt=0, le=1000, description="of one body above the air"
    )
    thermal_limits_pct: float | None = Field(
        default=None, gt=0, le=90, description="how far that may be off, either way"
    )
    rated_w: float | None = Field(default=None, gt=0, le=100_000, description="of one resistor")

    @property
    def changes_with_heat(self) -> bool:
        """Whether its temperature matters."""
        return bool(self.temp_coefficient_ppm_per_k or self.temp_coefficient_limits_ppm_per_k)


class Assumed(Section):
    """What nobody measured here: a value from elsewhere, with its doubt and where from."""

    efficiency_pct: float | None = Field(default=None, gt=1, le=100, description="86, not 0.86")
    efficiency_limits_pct: float | None = Field(
        default=None, gt=0, le=50, description="limits in points, either way"
    )
    efficiency_u_pct: float | None = Field(
        default=None, gt=0, le=50, description="or its standard uncertainty in points"
    )
    vout_v: Volts | None = None
    vout_limits_v: float | None = Field(default=None, gt=0, le=100, description="either way")
    vout_u_v: float | None = Field(default=None, gt=0, le=100, description="or standard")
    source: Text = Field(description="where it comes from")


class PointRead(Section):
    """One operating point: everything read while nothing was changed."""

    name: Text
    supply_v: Volts | None = Field(default=None, description="the supply's own display")
    supply_a: Amps | None = Field(default=None, description="the supply's own display")
    vin_v: Volts | None = Field(default=None, description="at the module's input terminals")
    iin_a: Amps | None = Field(default=None, description="an ammeter in the input")
    vout_v: Volts | None = Field(default=None, description="at the module's output terminals")
    vload_v: Volts | None = Field(default=None, description="at the resistors' own terminals")
    iout_a: Amps | None = Field(default=None, description="an ammeter in the output")
    bank: Text | None = Field(default=None, description="the resistors connected: [banks.NAME]")
    body_temp_c: Celsius | None = Field(default=None, description="of the resistors")
    ambient_temp_c: Celsius | None = Field(default=None, description="of the air around them")
    assumed: Assumed | None = None

    def readings(self) -> dict[str, float]:
        """What was read from instruments, by key."""
        values = {key: getattr(self, key) for key in READINGS}
        return {key: value for key, value in values.items() if value is not None}


Points = Annotated[tuple[PointRead, ...], Field(strict=False, min_length=1)]


class InferFile(Section):
    """A whole inference file."""

    name: Text
    supply: Supply | None = None
    voltmeter: Voltmeter | None = None
    ammeter: Ammeter | None = None
    thermometer: Thermometer | None = None
    banks: dict[str, ResistorBank] = Field(default={})
    points: Points

    def ranges(self, reading: str) -> Sequence[Accuracy]:
        """The ranges of the instrument a reading comes from; empty when it is not stated."""
        section, key = READINGS[reading]
        return getattr(getattr(self, section), key, None) or ()


def full_scale(accuracy: Accuracy) -> float:
    """Of a range [V or A]."""
    return accuracy.range_v if isinstance(accuracy, ShownVoltage) else accuracy.range_a


def range_for(ranges: Sequence[Accuracy], value: float) -> Accuracy | None:
    """The smallest range that shows a value; None when none does."""
    fitting = [accuracy for accuracy in ranges if full_scale(accuracy) >= value]
    return min(fitting, key=full_scale) if fitting else None


def load_infer_file(path: str | Path) -> InferFile:
    """Read and check an inference file; raises one BadInput that lists every mistake."""
    path = Path(path)
    file = validate(read(path), InferFile, file=path)
    mistakes = list(_mistakes(file))
    if mistakes:
        raise bad_input(path, mistakes)
    return file


# --------------------------------------------------------------------------- mistakes


def _mistakes(file: InferFile) -> Iterator[Mistake]:
    yield from _instrument_mistakes(file)
    names: set[str] = set()
    for index, point in enumerate(file.points):
        at = f"points[{index}]"
        if point.name in names:
            yield Mistake(f"{at}.name", repr(point.name), "a name of its own for each point")
        names.add(point.name)
        yield from _reading_mistakes(file, point, at)
        yield from _bank_mistakes(file, point, at)
        if point.assumed is not None:
            yield from _assumed_mistakes(point.assumed, f"{at}.assumed")


def _instrument_mistakes(file: InferFile) -> Iterator[Mistake]:
    for section, key in dict.fromkeys(READINGS.values()):
        for index, accuracy in enumerate(getattr(getattr(file, section), key, None) or ()):
            offset = getattr(accuracy, "offset_v", 0.0) or getattr(accuracy, "offset_a", 0.0)
            if not (accuracy.reading_pct or accuracy.range_pct or offset):
                yield Mistake(
                    f"{section}.{key}[{index}]",
                    "an accuracy of zero",
                    "reading_pct, range_pct or an offset above 0",
                    "copy it from the instrument's manual; 0.5 % + 2 digits of 0.01 V is "
                    "reading_pct = 0.5, offset_v = 0.02",
                )
    for name, bank in file.banks.items():
        if (bank.thermal_k_per_w is None) != (bank.thermal_limits_pct is None):
            yield Mistake(
                f"banks.{dotted([name])}.thermal_limits_pct",
                repr(bank.thermal_limits_pct),
                "given together with thermal_k_per_w, or neither",
                "a thermal resistance from a data sheet is seldom better than 30 percent",
            )


def _reading_mistakes(file: InferFile, point: PointRead, at: str) -> Iterator[Mistake]:
    if not point.readings():
        yield Mistake(
            at, "no reading", f"at least one of {', '.join(READINGS)}", "add what was read"
        )
    for key, value in point.readings().items():
        section, accuracy_key = READINGS[key]
        ranges = file.ranges(key)
        if not ranges:
            allowed = f"only with {accuracy_key} in [{section}]"
            yield Mistake(f"{at}.{key}", repr(value), allowed, "add it: it gives the doubt")
        elif range_for(ranges, value) is None:
            most = max(map(full_scale, ranges))
            allowed = f"at most {most:g}, the greatest range of [{section}]"
            yield Mistake(f"{at}.{key}", repr(value), allowed, "correct one of the two")
    for key in ("body_temp_c", "ambient_temp_c"):
        if getattr(point, key) is not None and file.thermometer is None:
            found = repr(getattr(point, key))
            yield Mistake(f"{at}.{key}", found, "only with [thermometer]", "add limits_k there")
    if point.supply_v is not None and point.vin_v is None:
        yield from _lead_mistakes(file)


def _lead_mistakes(file: InferFile) -> Iterator[Mistake]:
    supply = file.supply
    if supply is None or supply.remote_sense:
        return
    for key in ("lead_resistance_ohm", "lead_resistance_limits_ohm"):
        if getattr(supply, key) is None:
            yield Mistake(
                f"supply.{key}",
                "no such key",
                "a number in ohm, for supply_v to tell the voltage at the module",
                "measure it, or give vin_v, or remote_sense = true if there are sense wires",
            )


def _bank_mistakes(file: InferFile, point: PointRead, at: str) -> Iterator[Mistake]:
    if point.bank is None:
        if point.vload_v is not None:
            allowed = "only with a bank: it is the voltage at its resistors"
            yield Mistake(f"{at}.vload_v", repr(point.vload_v), allowed, "add bank = ...")
        return
    bank = file.banks.get(point.bank)
    if bank is None:
        near = difflib.get_close_matches(point.bank, file.banks, n=1)
        advice = f"did you mean {near[0]!r}?" if near else "add [banks.NAME]"
        allowed = f"one of [banks]: {', '.join(file.banks) or 'none is there'}"
        yield Mistake(f"{at}.bank", repr(point.bank), allowed, advice)
    elif not _temperature_known(bank, point):
        yield Mistake(
            f"{at}.body_temp_c",
            "no such key",
            "the resistors' temperature, or ambient_temp_c with thermal_k_per_w of the bank",
            "resistors under load are hot, and their resistance changes",
        )


def _temperature_known(bank: ResistorBank, point: PointRead) -> bool:
    if not bank.changes_with_heat or point.body_temp_c is not None:
        return True
    return bank.thermal_k_per_w is not None and point.ambient_temp_c is not None


def _assumed_mistakes(assumed: Assumed, at: str) -> Iterator[Mistake]:
    pairs: tuple[tuple[Literal["efficiency", "vout"], str], ...] = (
        ("efficiency", "pct"),
        ("vout", "v"),
    )
    given = 0
    for quantity, unit in pairs:
        value = getattr(assumed, f"{quantity}_{unit}")
        doubts = [f"{quantity}_limits_{unit}", f"{quantity}_u_{unit}"]
        stated = [key for key in doubts if getattr(assumed, key) is not None]
        given += value is not None
        if len(stated) != (value is not None):
            yield Mistake(
                f"{at}.{quantity}_{unit}",
                f"{value!r} with {' and '.join(stated) or 'no doubt stated'}",
                f"a value with one of {' and '.join(doubts)}",
                "an assumption without a doubt is a guess" if value else "remove the rest",
            )
    if not given:
        yield Mistake(at, "nothing assumed", "efficiency_pct or vout_v", "add one, or remove it")
