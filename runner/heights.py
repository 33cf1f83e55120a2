"""How near a run came to each limit: the greatest of every quantity against all that bears on it.

Pure: from readings, a bench file and a module file. Called by `rehearsal`, which collects
the peaks of a run on the twin.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.interlocks import Limit, value_of
from runner.live.words import unit_of
from runner.rating_checks import Bound, ammeter_bounds, supply_bounds
from runner.steps import (
    Draw,
    PowerDown,
    PowerUp,
    Reading,
    Release,
    Resist,
    SetLine,
    Start,
    Step,
)

TEMPERATURES = ("hot_spot_temp_c", "case_temp_c", "capacitor_temp_c", "ambient_temp_c")
READ = ("vin_v", "iin_a", "vout_v", "iout_a", "ploss_w", *TEMPERATURES)
AT_RATING, AT_RATING_K = 0.01, 1.0
"""A reading up to 1 %, or 1 K, above a rating is at it, not over it: a run may ask for the
rating itself, and instruments read it with an error (common practice, no source). An interlock
has no such grace."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When something was: the step that was being done, what was set, the run's clock [s]."""

    index: int
    step: Step | None
    line_set_v: float
    iout_set_a: float
    t_s: float

    @property
    def is_moving(self) -> bool:
        """In a step that moves a set point, when no readback has come to rest yet."""
        moves = PowerUp | SetLine | Start | Draw | Resist | Release | PowerDown
        return isinstance(self.step, moves)


@dataclass(frozen=True, slots=True)
class Peak:
    """The greatest value of a quantity, in the unit its name ends in, and when it was."""

    value: float
    moment: Moment


@dataclass(frozen=True, slots=True)
class Height:
    """How near a quantity came to one limit; an interlock ends a run, a rating does not."""

    limit: Limit
    is_interlock: bool
    peak: Peak

    @property
    def margin(self) -> float:
        """What was left to the limit, below zero beyond it."""
        return self.limit.most - self.peak.value

    @property
    def used(self) -> float | None:
        """The share of the limit that was taken; of a temperature there is none."""
        return None if self.limit.quantity in TEMPERATURES else self.peak.value / self.limit.most

    @property
    def unit(self) -> str:
        """The unit of the quantity."""
        return unit_of(self.limit.quantity)

    @property
    def margin_unit(self) -> str:
        """The unit of the margin: a difference of temperatures is in kelvin."""
        return "K" if self.limit.quantity in TEMPERATURES else self.unit

    @property
    def is_over(self) -> bool:
        """Beyond the limit, of a rating by more than a reading's own error."""
        if self.is_interlock:
            return self.margin < 0.0
        is_temperature = self.limit.quantity in TEMPERATURES
        return self.margin < -(AT_RATING_K if is_temperature else AT_RATING * self.limit.most)

    @property
    def is_at(self) -> bool:
        """Beyond a rating, by no more than a reading's own error."""
        return self.margin < 0.0 and not self.is_over


def quantities(reading: Reading, line_ohm: float) -> Iterator[tuple[str, float]]:
    """Every quantity that a limit bears on; `line_ohm` [ohm] lies between supply and module.

    Beside what is read: the supply's own voltage [V] and power [W], and the load's power [W].
    """
    supply_v = reading.vin_v + reading.iin_a * line_ohm
    yield "supply_v", supply_v
    yield "supply_w", supply_v * reading.iin_a
    for quantity in READ:
        value = value_of(reading, quantity)
        if value is not None:
            yield quantity, value
    if reading.vout_v is not None and reading.iout_a is not None:
        yield "pout_w", reading.vout_v * reading.iout_a


def ratings(bench: BenchFile, module: ModuleFile) -> Iterator[Limit]:
    """Every rating that bears on a quantity of a run: boxes, leads, fuse, meters, the module."""
    for quantity, bound in _bounds(bench, module):
        yield Limit(quantity, bound.value, bound.source)


def _bounds(bench: BenchFile, module: ModuleFile) -> Iterator[tuple[str, Bound]]:
    supply, load, limits, roles = bench.supply, bench.load, module.limits, bench.roles
    yield "supply_v", Bound(supply.rated_v, f"rated_v of {roles.supply}")
    of_power = "rated_v times rated_a" if supply.rated_w is None else "rated_w"
    yield "supply_w", Bound(supply.greatest_w, f"{of_power} of {roles.supply}")
    yield "vin_v", Bound(limits.line_abs_max_v, "limits.line_abs_max_v of the module file")
    for bound in supply_bounds(bench):
        yield "iin_a", bound
    yield "vout_v", Bound(load.rated_v, f"rated_v of {roles.load}")
    yield "iout_a", Bound(limits.iout_max_a, "limits.iout_max_a of the module file")
    yield "iout_a", Bound(load.rated_a, f"rated_a of {roles.load}")
    if load.lead_max_a is not None:
        yield "iout_a", Bound(load.lead_max_a, f"lead_max_a of {roles.load}")
    for bound in ammeter_bounds(bench, "iout"):
        yield "iout_a", bound
    yield "pout_w", Bound(load.rated_w, f"rated_w of {roles.load}")
    for quantity, name, meter in (
        ("vin_v", roles.vin, bench.meter("vin")),
        ("vout_v", roles.vout, bench.meter("vout")),
    ):
        if meter is not None and meter.range_v is not None:
            yield quantity, Bound(meter.range_v, f"range_v of {name}")
    for part in ("hot_spot", "case", "capacitor"):
        most_c = getattr(limits, f"{part}_max_temp_c")
        if most_c is not None:
            source = f"limits.{part}_max_temp_c of the module file"
            yield f"{part}_temp_c", Bound(most_c, source)


def heights(
    peaks: Mapping[str, Peak], rated: Iterable[Limit], interlocks: Iterable[Limit]
) -> Iterator[Height]:
    """How near each peak came to each limit that bears on it, quantity by quantity."""
    limits = [(limit, False) for limit in rated] + [(limit, True) for limit in interlocks]
    for quantity, peak in peaks.items():
        bearing = [pair for pair in limits if pair[0].quantity == quantity]
        for limit, is_interlock in sorted(bearing, key=lambda pair: pair[0].most):
            yield Height(limit, is_interlock, peak)
