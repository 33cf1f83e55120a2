"""From what a maker states to sources of uncertainty: one gain and one offset a range of a box.

Takes the bench file's sections as the journal keeps them (plain tables) and gives, for each
quantity, what all of its readings share. Called by the reports; pure. An accuracy that
is not stated is a reason in words, never a guess.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from runner.analysis.sampling import Mean
from runner.analysis.uncertainty import Shape, Source, Uncertain

Table = Mapping[str, Any]

ROOT_3 = math.sqrt(3.0)
LEAD_U_SHARE = 0.10
"""Standard uncertainty of a lead resistance whose own is not stated, of the resistance."""

RECTANGULAR: Shape = "rectangular"

DITHERED = 0.5
"""Noise of half a step and more averages the rounding out: the mean's error from it, at most
(step / pi) exp(-2 pi^2 sd^2 / step^2), is below 0.3 % of a step, and its scatter is in the samples'
own (Widrow, quantization theorem; from memory). Below it the resolution counts on its own, JCGM
100:2008, F.2.2.1."""


@dataclass(frozen=True, slots=True)
class Stated:
    """Limits of error of one range: `gain` of the reading (0..1) plus `fixed`, in its unit.

    `fixed` is the percentage of the range and the offset together. Rectangular within the limits
    (JCGM 100:2008, 4.3.7), or an expanded uncertainty with k = 2 (4.3.3).
    """

    range_max: float
    gain: float
    fixed: float
    shape: Shape

    @property
    def divisor(self) -> float:
        """From a limit to a standard uncertainty."""
        return ROOT_3 if self.shape == RECTANGULAR else 2.0

    def limit(self, reading: float) -> float:
        """The greatest error at a reading: percent of reading + percent of RANGE + offset."""
        return self.gain * abs(reading) + self.fixed


def stated(row: Table, unit: str) -> Stated:
    """One accuracy statement of the bench file, its keys ending in `unit` (v, a or k)."""
    range_max = float(row.get(f"range_{unit}") or 0.0)
    fixed = row.get("range_pct", 0.0) / 100.0 * range_max + row.get(f"offset_{unit}", 0.0)
    shape: Shape = "normal" if row.get("distribution") == "normal-k2" else RECTANGULAR
    return Stated(range_max, row.get("reading_pct", 0.0) / 100.0, fixed, shape)


def fixed_range(ranges: Iterable[Stated], greatest: float) -> Stated | None:
    """The smallest range that holds `greatest`, or the greatest range; None without any.

    The rule by which the runner fixes the range of a meter and of a load's current.
    """
    ordered = sorted(ranges, key=lambda accuracy: accuracy.range_max)
    holding = (accuracy for accuracy in ordered if greatest <= accuracy.range_max * (1.0 + 1e-9))
    return next(holding, ordered[-1] if ordered else None)


@dataclass(frozen=True, slots=True)
class Range:
    """One range of one box as all of its readings share it: relative gains, and an offset.

    A reading is true x (1 + gain) + offset, gain and offset independent of one another and each
    within its own limit: they are two mechanisms of the box. `gains` hold (source, relative
    standard uncertainty), a shunt's tolerance among them; `step` is the resolution to add to
    every reading, 0.0 where the maker's statement covers it.
    """

    instrument: str
    quantity: str
    gains: tuple[tuple[Source, float], ...]
    offsets: tuple[tuple[Source, float], ...]
    offset_limit: float
    step: float = 0.0

    def reading(self, value: float, mean: Mean, point: int) -> Uncertain:
        """The mean of one point's samples, corrected for what is known, with all it rests on."""
        parts = {source: u * value for source, u in self.gains}
        parts |= dict(self.offsets)
        label = f"{self.quantity} at point {point}"
        if mean.u:
            scatter = Source(f"repeatability of {label}", self.instrument, "A", mean.dof)
            parts[scatter] = mean.u
        if mean.sd < DITHERED * self.step:
            digit = Source(f"resolution of {label}", self.instrument, "B", shape=RECTANGULAR)
            parts[digit] = self.step / 2.0 / ROOT_3
        return Uncertain(value, parts)

    def beyond(self, offset: float) -> Range:
        """The same range of a box that was seen to be off by more than its maker allows.

        The offset was read where nothing should be: it stands as a standard uncertainty of its own.
        """
        seen = Source(f"offset of {self.quantity} beyond its statement", self.instrument)
        return replace(self, offsets=(*self.offsets, (seen, abs(offset))))

    def tared(self, zero: Mean, step: float) -> Range:
        """The same range once its offset was measured: only what the tare leaves in doubt.

        The offset of the maker's statement, the percentage of the range included, gives way to
        the Type A uncertainty of the tare and the resolution of tare and reading. It takes the
        box's error for a gain and an offset; a curved scale is not in it.
        """
        offsets: tuple[tuple[Source, float], ...] = ()
        if zero.sd < DITHERED * step:
            digit = Source(f"tare resolution, {self.quantity}", self.instrument, shape=RECTANGULAR)
            offsets += ((digit, step / 2.0 / ROOT_3),)
        if zero.u:
            mean = Source(f"tare, {self.quantity}", self.instrument, "A", zero.dof)
            offsets += ((mean, zero.u),)
        return replace(self, offsets=offsets, step=step)


def range_of(
    instrument: str, quantity: str, accuracy: Stated, *, scale: float = 1.0, unit: str = ""
) -> Range:
    """The range with its gain and offset as sources; `scale` turns its unit into the quantity's."""
    full = f"{accuracy.range_max:g} {unit} range".strip() if accuracy.range_max else "scale"
    gain = Source(f"gain, {quantity}, {full}", instrument, shape=accuracy.shape)
    offset = Source(f"offset, {quantity}, {full}", instrument, shape=accuracy.shape)
    limit = accuracy.fixed * scale
    gains = ((gain, accuracy.gain / accuracy.divisor),) if accuracy.gain else ()
    offsets = ((offset, limit / accuracy.divisor),) if limit else ()
    return Range(instrument, quantity, gains, offsets, limit)


# ------------------------------------------------------------------------- a whole bench


def ranges(bench: Table, greatest: Mapping[str, float]) -> dict[str, Range | str]:
    """The range behind each quantity of the bench, or in words why there is none.

    `greatest` is the greatest value the ranges were chosen for [V], [A]; a supply's readback
    and a load's voltage are on their greatest range, since nothing fixes a smaller one.
    """
    found: dict[str, Range | str] = {}
    for role, box, kind in (
        ("vin", "supply", "voltage"),
        ("iin", "supply", "current"),
        ("vout", "load", "voltage"),
        ("iout", "load", "current"),
    ):
        unit = kind[0].replace("c", "a")
        quantity = f"{role}_{unit}"
        chosen = greatest.get(quantity, math.inf)
        name = bench.get("roles", {}).get(role)
        if name:
            found[quantity] = _metered(bench, name, quantity, kind, chosen)
        else:
            fixed = chosen if quantity == "iout_a" else math.inf
            name = bench.get("roles", {}).get(box, box)
            found[quantity] = _ranged(_section(bench, name), name, quantity, kind, fixed)
    for spot in ("ambient", "case", "hot_spot", "capacitor"):
        name = bench.get("roles", {}).get(spot)
        if name:
            found[f"{spot}_temp_c"] = _thermometer(_section(bench, name), name, f"{spot}_temp_c")
    return found


def _section(bench: Table, name: str) -> Table:
    section: Table = bench.get("instruments", {}).get(name, {})
    return section


def _ranged(
    section: Table, name: str, quantity: str, kind: str, greatest: float, scale: float = 1.0
) -> Range | str:
    unit = "v" if kind == "voltage" else "a"
    rows: Sequence[Table] = section.get(f"{kind}_accuracy") or ()
    accuracy = fixed_range((stated(row, unit) for row in rows), greatest / scale)
    if accuracy is None:
        return f"{name} states no {kind}_accuracy"
    if accuracy.limit(1.0) == 0.0:
        return f"{name} states a {kind}_accuracy of zero, which no instrument has"
    return range_of(name, quantity, accuracy, scale=scale, unit=unit.upper())


def _metered(bench: Table, name: str, quantity: str, kind: str, greatest: float) -> Range | str:
    """A meter; over a shunt it reads volts, and the shunt's own tolerance is one more gain."""
    section = _section(bench, name)
    shunt_ohm = section.get("shunt_ohm")
    if not shunt_ohm or kind == "voltage":
        return _ranged(section, name, quantity, kind, greatest)
    found = _ranged(section, name, quantity, "voltage", greatest, 1.0 / shunt_ohm)
    tolerance = section.get("shunt_tolerance_pct", 0.0) / 100.0
    if isinstance(found, str):
        return found
    if tolerance == 0.0:
        return f"{name} states no shunt_tolerance_pct"
    shunt = Source("tolerance of the shunt", f"{name} shunt", shape=RECTANGULAR)
    return replace(found, gains=(*found.gains, (shunt, tolerance / ROOT_3)))


def _thermometer(section: Table, name: str, quantity: str) -> Range | str:
    row = section.get("temp_accuracy")
    if not row:
        return f"{name} states no temp_accuracy"
    accuracy = stated(row, "k")
    if accuracy.limit(1.0) == 0.0:
        return f"{name} states a temp_accuracy of zero, which no instrument has"
    return range_of(name, quantity, accuracy)


def lead(section: Table, name: str) -> Uncertain | None:
    """The lead resistance of a box [ohm], both wires; None where it is not known."""
    ohm = section.get("lead_resistance_ohm")
    if ohm is None:
        return None
    u_ohm = section.get("lead_resistance_u_ohm")
    source = Source("lead resistance", f"{name} leads")
    return Uncertain(ohm, {source: LEAD_U_SHARE * ohm if u_ohm is None else u_ohm})
