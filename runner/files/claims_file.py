"""The claims in a module file: what somebody says of the module, and where it was read.

Used by `module_file`; the judging of claims reads them from the journal. Every claim
carries its conditions; one that is missing is not stated by the claim's source, and
whoever judges must name what was assumed.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from runner.errors import BadInput
from runner.files.mistakes import Mistake, bad_input
from runner.files.toml_file import Section

Text = Annotated[str, Field(min_length=1)]
Volts = Annotated[float, Field(gt=0, le=2000)]
Amps = Annotated[float, Field(gt=0, le=2000)]
LoadAmps = Annotated[float, Field(ge=0, le=2000)]
Celsius = Annotated[float, Field(ge=-50, le=300)]
Percent = Annotated[float, Field(gt=0, le=100)]
Error = tuple[str, str, str]
"""Key, what was found, what is allowed."""


class AnyClaim(Section):
    """What every claim has: its source, and the ambient it holds at if that is stated."""

    source: Text = Field(description="where and when it was read, such as label, 2026-05")
    ambient_temp_c: Celsius | None = None
    rising: ClassVar[tuple[tuple[str, str], ...]] = ()

    def mistakes(self) -> Iterator[Error]:
        """What contradicts itself in the claim: key, found, allowed."""
        for low, high in self.rising:
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and least >= most:
                yield low, repr(least), f"below {high}, which is {most!r}"


class RatedCurrent(AnyClaim):
    """It carries at least `iout_min_a`, within the output tolerance."""

    about: Literal["rated-current"]
    iout_min_a: Amps
    vout_tolerance_pct: Annotated[float, Field(gt=0, le=25)] | None = None
    vin_v: Volts | None = None


class Efficiency(AnyClaim):
    """Its efficiency is at least `efficiency_min_pct` at a line and a load."""

    about: Literal["efficiency"]
    efficiency_min_pct: Percent
    vin_v: Volts | None = None
    iout_a: Amps | None = None

    def mistakes(self) -> Iterator[Error]:
        """Percent, not a fraction."""
        yield from fraction_errors("efficiency_min_pct", self.efficiency_min_pct)


class CurvePoint(Section):
    """One point of a claimed curve."""

    iout_a: Amps
    efficiency_pct: Percent


class EfficiencyCurve(AnyClaim):
    """Its efficiency follows a curve, given as `points` or as a CSV beside the module file."""

    about: Literal["efficiency-curve"]
    curve_csv: Text | None = Field(default=None, description="columns iout_a and efficiency_pct")
    points: Annotated[tuple[CurvePoint, ...], Field(strict=False)] = ()
    shortfall_pct: float = Field(
        default=0.0, ge=0, le=20, description="percentage points below it allowed"
    )
    vin_v: Volts | None = None

    def mistakes(self) -> Iterator[Error]:
        """Either a file or at least two points, by rising load."""
        if (self.curve_csv is None) == (not self.points):
            found = "both it and points" if self.points else "neither it nor points"
            yield "curve_csv", found, "one of the two: a CSV beside this file, or points"
        elif self.points:
            yield from curve_errors(self.points)


class LoadRegulation(AnyClaim):
    """Its output moves by at most this between two loads."""

    about: Literal["load-regulation"]
    regulation_max_pct: Percent
    denominator: Literal["vout-at-full-load", "vout-nominal"] = Field(
        description="what the change is divided by: both are in use and differ"
    )
    iout_from_a: LoadAmps | None = None
    iout_to_a: Amps | None = None
    vin_v: Volts | None = None
    rising: ClassVar[tuple[tuple[str, str], ...]] = (("iout_from_a", "iout_to_a"),)


class LineRegulation(AnyClaim):
    """Its output moves by at most this between two lines."""

    about: Literal["line-regulation"]
    regulation_max_pct: Percent
    denominator: Literal["vout-at-nominal-line", "vout-nominal"] = Field(
        description="what the change is divided by: both are in use and differ"
    )
    vin_from_v: Volts | None = None
    vin_to_v: Volts | None = None
    iout_a: LoadAmps | None = None
    rising: ClassVar[tuple[tuple[str, str], ...]] = (("vin_from_v", "vin_to_v"),)


class OutputAccuracy(AnyClaim):
    """Its output is within this of what it is set to."""

    about: Literal["output-accuracy"]
    vout_tolerance_pct: Annotated[float, Field(gt=0, le=25)]
    vin_v: Volts | None = None
    iout_a: LoadAmps | None = None


class NoLoadCurrent(AnyClaim):
    """Without a load it draws at most this from the line."""

    about: Literal["no-load-current"]
    iin_max_a: Amps
    vin_v: Volts | None = None


class CurrentLimit(AnyClaim):
    """It limits its output current between these two."""

    about: Literal["current-limit"]
    iout_min_a: Amps | None = None
    iout_max_a: Amps | None = None
    behaviour: Literal["constant-current", "foldback", "hiccup", "latch-off"] | None = None
    vin_v: Volts | None = None
    rising: ClassVar[tuple[tuple[str, str], ...]] = (("iout_min_a", "iout_max_a"),)

    def mistakes(self) -> Iterator[Error]:
        """Something must be claimed."""
        if self.iout_min_a is None and self.iout_max_a is None and self.behaviour is None:
            yield "iout_min_a", "no such key", "at least one of iout_min_a, iout_max_a, behaviour"
        yield from super().mistakes()


class TemperatureRise(AnyClaim):
    """A part of it is at most this far above ambient."""

    about: Literal["temperature-rise"]
    rise_max_k: Annotated[float, Field(gt=0, le=300)]
    part: Literal["hot-spot", "case", "capacitor"] = "hot-spot"
    iout_a: LoadAmps | None = None
    vin_v: Volts | None = None


class AverageEfficiency(AnyClaim):
    """Its efficiency averaged over four loads by a published method is at least this.

    `four-point-mean`: the arithmetic mean of the efficiencies at 25, 50, 75 and 100 % of
    the rated load, as in 10 CFR 430 Subpart B Appendix Z.
    """

    about: Literal["average-efficiency"]
    efficiency_min_pct: Percent
    method: Literal["four-point-mean"]
    vin_v: Volts | None = None

    def mistakes(self) -> Iterator[Error]:
        """Percent, not a fraction."""
        yield from fraction_errors("efficiency_min_pct", self.efficiency_min_pct)


class LimitFound(AnyClaim):
    """A result that a sequence finds, by its name in findings.csv: dropout, lockout, a time.

    `at_least` and `at_most` are in the unit that the name ends in.
    """

    about: Literal["limit"]
    quantity: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*_(v|a|w|s|c|k)$")] = Field(
        description="as in findings.csv, such as dropout_line_v"
    )
    at_least: float | None = Field(default=None, ge=-1e6, le=1e6)
    at_most: float | None = Field(default=None, ge=-1e6, le=1e6)
    vin_v: Volts | None = None
    iout_a: LoadAmps | None = None

    def mistakes(self) -> Iterator[Error]:
        """Something must be claimed, and from less to more."""
        if self.at_least is None and self.at_most is None:
            yield "at_least", "no such key", "at least one of at_least, at_most"
        elif (
            self.at_least is not None and self.at_most is not None and self.at_least >= self.at_most
        ):
            yield "at_least", repr(self.at_least), f"below at_most, which is {self.at_most!r}"


Claim = Annotated[
    RatedCurrent
    | Efficiency
    | EfficiencyCurve
    | LoadRegulation
    | LineRegulation
    | OutputAccuracy
    | NoLoadCurrent
    | CurrentLimit
    | TemperatureRise
    | AverageEfficiency
    | LimitFound,
    Field(discriminator="about"),
]


def fraction_errors(key: str, percent: float) -> Iterator[Error]:
    """An efficiency of 1 % and less is claimed of nothing: a fraction was written for percent."""
    if percent <= 1.0:
        yield key, repr(percent), f"percent: write {100.0 * percent:g} if the fraction is meant"


# ---------------------------------------------------------------- a curve from a CSV


def curve_errors(points: tuple[CurvePoint, ...]) -> Iterator[Error]:
    """At least two points, by rising load, in percent."""
    for index, point in enumerate(points):
        yield from fraction_errors(f"points[{index}].efficiency_pct", point.efficiency_pct)
    if len(points) < 2:
        yield "points", f"{len(points)} point", "at least two points"
    for index, (before, this) in enumerate(pairwise(points), start=1):
        if this.iout_a <= before.iout_a:
            allowed = f"above {before.iout_a!r}, points by rising load"
            yield f"points[{index}].iout_a", repr(this.iout_a), allowed


def read_curve(claim: EfficiencyCurve, module_path: Path, index: int) -> EfficiencyCurve:
    """The claim with the points of its CSV, which lies beside the module file.

    Raises BadInput naming the CSV and its line, or the key that names the CSV.
    """
    if claim.curve_csv is None:
        return claim
    path = module_path.parent / claim.curve_csv
    try:
        text = path.read_text("utf-8-sig")
    except (OSError, ValueError) as error:
        raise BadInput(
            f"{module_path}: claims[{index}].curve_csv: found {claim.curve_csv!r}, which cannot be "
            f"read ({getattr(error, 'strerror', None) or error}); allowed: a UTF-8 CSV beside "
            "the module file; correct the name"
        ) from None
    points = _points(path, text)
    wrong = [Mistake(*error) for error in curve_errors(points)]
    if wrong:
        raise bad_input(path, wrong)
    return claim.model_copy(update={"points": points})


def _points(path: Path, text: str) -> tuple[CurvePoint, ...]:
    lines = [(at, line) for at, line in enumerate(text.splitlines(), start=1) if line.strip()]
    lines = [(at, line) for at, line in lines if not line.startswith("#")]
    header = "iout_a,efficiency_pct"
    first = lines[0][1].replace(" ", "") if lines else ""
    if first != header:
        raise BadInput(f"{path}: found the first line {first!r}; allowed: {header}; correct it")
    return tuple(_point(path, at, line) for at, line in lines[1:])


def _point(path: Path, at: int, line: str) -> CurvePoint:
    try:
        if "_" in line:  # Python takes 1_0 for ten, nobody else does
            raise ValueError
        iout_a, efficiency_pct = (float(cell) for cell in next(csv.reader([line])))
        return CurvePoint(iout_a=iout_a, efficiency_pct=efficiency_pct)
    except (ValueError, csv.Error):
        raise BadInput(
            f"{path}: line {at}: found {line!r}; allowed: a load in A above 0 and an efficiency "
            "in % up to 100, with decimal points and one comma between; correct the line"
        ) from None
