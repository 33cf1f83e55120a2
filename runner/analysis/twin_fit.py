"""What a run tells of a module, in the form the simulator takes: loss, set point, growth.

Least squares with what was assumed before as a prior, so that a term the points cannot
tell stays near its prior and as uncertain. The readings' own correlation goes through:
a gain shared by all points is shared by all that is learned. Called by the report that
learns a twin; pure. The thermal part is in twin_heat.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, hypot, sqrt

import numpy as np
from numpy.typing import NDArray

from runner.analysis.thermal import REFERENCE_TEMP_C
from runner.analysis.uncertainty import Source, Uncertain

Array = NDArray[np.float64]

LOSS_TERMS = ("a0", "a1", "b0", "b1", "b2", "c0", "c1", "c2", "r0", "r1")
"""a0 + a1 V + (b0 + b1 V + b2/V) I + (c0 + c1/V + c2/V²) I² + (r0 + r1 V) √I."""

LEAST_FORM_SHARE = 0.001
LIGHT_FORM, LIGHT_LOAD = 4.0, 0.1
"""What the form misses of a circuit's loss, of the greatest one: 0.05 to 0.13 % rms above a fifth
of the load, against the circuits of tests/data, and up to 0.5 % where conduction is discontinuous:
this many times more at no load, falling off over this part of the rated one."""

BELOW, BEYOND = 1000.0, 3
"""How the form fails where nothing was measured, in units of what it misses elsewhere: below the
least load by this times the square of the distance over the rated load (by calibration: made-up
bucks measured from 25 % up foretell their loss without a load 15 % of the greatest one wrong);
above the greatest load by this power of the load (common practice, no source)."""

ASSUMED_GROWTH_PER_K = 0.003
GROWTH_PRIOR_U_PER_K = 0.002
"""Growth of the loss before anything is known (common practice, no source): the usual factor of
hot resistances and cores is 1.05 to 1.3 at 50 K."""

WIDE = 2.0
"""Standard uncertainty of a term of the loss before anything is known, of the greatest loss."""

ROUNDS = 4
"""Of Gauss and Newton: the growth no longer moves in its fourth digit after three."""

LEARNED = 0.3
"""What is known better than this part of its prior uncertainty counts as learned."""


@dataclass(frozen=True, slots=True)
class TwinPoint:
    """One point: line [V], load [A], output [V], loss [W], and the spot's temperature [°C]."""

    vin: Uncertain
    iout: Uncertain
    vout: Uncertain
    ploss: Uncertain
    temp: Uncertain


@dataclass(frozen=True, slots=True)
class Prior:
    """What is assumed of a term before the points speak."""

    name: str
    value: float
    u: float


@dataclass(frozen=True, slots=True)
class Term:
    """A parameter: its value, and what it was before; `learned` where the points told it."""

    name: str
    value: Uncertain
    prior: Prior

    @property
    def learned(self) -> bool:
        """True where the points narrowed it down."""
        return self.value.u < LEARNED * self.prior.u


@dataclass(frozen=True, slots=True)
class Scale:
    """The line [V] and load [A] by which the terms of the loss are made alike in size."""

    line_v: float
    iout_a: float

    def terms(self, vin_v: float, iout_a: float) -> Array:
        """The ten terms of the loss in units of line and load, in the order of LOSS_TERMS."""
        v, i = vin_v / self.line_v, max(iout_a, 0.0) / self.iout_a
        square, root = i * i, sqrt(i)
        return np.array([1, v, i, v * i, i / v, square, square / v, square / v**2, root, v * root])

    def missed(self, iout_a: float) -> float:
        """How much more the form misses at this load than at a great one."""
        return hypot(1.0, LIGHT_FORM * exp(-max(iout_a, 0.0) / self.iout_a / LIGHT_LOAD))

    def units(self) -> Array:
        """What each coefficient in those units is divided by to have volts and amperes."""
        v, i = self.line_v, self.iout_a
        root = sqrt(i)
        square = i * i
        return np.array([1, v, i, v * i, i / v, square, square / v, square / v**2, root, v * root])


@dataclass(frozen=True, slots=True)
class LossFit:
    """The loss map of a module, its growth with heat [1/K], and what its form misses [W]."""

    scale: Scale
    terms: tuple[Term, ...]
    growth: Term
    form_u_w: float
    residual_w: float
    points: int
    least_a: float
    greatest_a: float

    def base(self, vin_v: float, iout_a: float) -> Uncertain:
        """Loss at 25 °C [W], with all its doubt."""
        return self.at(vin_v, iout_a, REFERENCE_TEMP_C)

    def at(self, vin_v: float, iout_a: float, temp_c: float) -> Uncertain:
        """Loss with the spot at `temp_c` [°C], in watts.

        Away from the loads measured the form is trusted less, see BELOW and BEYOND.
        """
        factor = 1.0 + self.growth.value * (temp_c - REFERENCE_TEMP_C)
        smooth = combined([term.value for term in self.terms], self.scale.terms(vin_v, iout_a))
        below = max(self.least_a - iout_a, 0.0) / self.scale.iout_a
        beyond = max(iout_a / self.greatest_a, 1.0) ** BEYOND
        missed = hypot(self.scale.missed(iout_a), BELOW * below**2) * beyond
        missed_w = self.form_u_w * missed
        return smooth * factor + Uncertain(0.0, {FORM: missed_w})

    def coefficients(self) -> dict[str, Uncertain]:
        """The terms in volts, amperes and watts, by name."""
        units = self.scale.units()
        return {
            term.name: term.value / float(unit)
            for term, unit in zip(self.terms, units, strict=True)
        }


@dataclass(frozen=True, slots=True)
class OutputFit:
    """Set point at a line [V], how it moves with the line [V/V], and the output resistance."""

    line_v: float
    vout: Term
    per_line: Term
    resistance: Term
    residual_v: float

    def at(self, vin_v: float, iout_a: float) -> Uncertain:
        """Output [V] while it is regulated."""
        moved = self.per_line.value * (vin_v - self.line_v)
        form = Uncertain(0.0, {OUTPUT_FORM: self.residual_v})
        return self.vout.value + moved - self.resistance.value * iout_a + form


FORM = Source("what the form of the loss misses", "module")
OUTPUT_FORM = Source("what a straight output misses", "module")


def combined(values: Sequence[Uncertain], shares: Sequence[float] | Array) -> Uncertain:
    """The sum of values, each times its share."""
    parts: dict[Source, float] = {}
    for value, share in zip(values, shares, strict=True):
        for source, part in value.parts.items():
            parts[source] = parts.get(source, 0.0) + float(share) * part
    total = sum(value.value * float(share) for value, share in zip(values, shares, strict=True))
    return Uncertain(total, parts)


def fit_output(points: Sequence[TwinPoint], line_v: float, iout_a: float) -> OutputFit:
    """Set point, line regulation and output resistance from points that regulate.

    Before: within 10 % of the mean, 1 % per volt, and 5 % of the set point at `iout_a` [A].
    """
    middle_v = sum(point.vout.value for point in points) / len(points)
    priors = (
        Prior("vout_v", middle_v, 0.1 * middle_v),
        Prior("line_regulation_v_per_v", 0.0, 0.01 * middle_v),
        Prior("output_resistance_ohm", 0.0, 0.05 * middle_v / iout_a),
    )
    rows = np.array([[1.0, point.vin.value - line_v, -point.iout.value] for point in points])
    readings = [point.vout for point in points]
    alike = np.ones(len(points))
    form_v = _form(rows, readings, priors, 1e-5 * middle_v, alike)
    vout, per_line, resistance = _solve(rows, readings, priors, form_v * alike)
    fitted = rows @ [term.value.value for term in (vout, per_line, resistance)]
    residuals = np.array([reading.value for reading in readings]) - fitted
    return OutputFit(line_v, vout, per_line, resistance, max(form_v, _rms(residuals)))


def fit_loss(points: Sequence[TwinPoint], scale: Scale) -> LossFit:
    """The loss map and its growth, by Gauss and Newton: the loss is a product of the two.

    A reading of the line, the load or the temperature that is off moves the loss by the slope
    there; that doubt is added to the reading's own, sign included.
    """
    top_w = max(point.ploss.value for point in points)
    priors = (
        *(Prior(name, 0.0, WIDE * top_w) for name in LOSS_TERMS),
        Prior("loss_growth_per_k", ASSUMED_GROWTH_PER_K, GROWTH_PRIOR_U_PER_K),
    )
    shapes = np.array([scale.terms(p.vin.value, p.iout.value) for p in points])
    missed = np.array([scale.missed(p.iout.value) for p in points])
    over_k = np.array([p.temp.value - REFERENCE_TEMP_C for p in points])
    growth, base_w = ASSUMED_GROWTH_PER_K, np.array([p.ploss.value for p in points])
    form_w = LEAST_FORM_SHARE * top_w
    found: tuple[Term, ...] = ()
    for _ in range(ROUNDS):
        rows = np.column_stack((shapes * (1.0 + growth * over_k)[:, None], base_w * over_k))
        slopes = _slopes(points, scale, shapes, found, growth, base_w)
        shifted = growth * over_k * base_w
        readings = [
            combined((p.ploss, p.vin, p.iout, p.temp), (1.0, *-slope)) + float(shift + own)
            for p, slope, shift, own in zip(
                points, slopes, shifted, _at_readings(points, slopes), strict=True
            )
        ]
        form_w = _form(rows, readings, priors, LEAST_FORM_SHARE * top_w, missed)
        found = _solve(rows, readings, priors, form_w * missed)
        growth = found[-1].value.value
        base_w = shapes @ [term.value.value for term in found[:-1]]
    fitted = base_w * (1.0 + growth * over_k)
    residuals = np.array([p.ploss.value for p in points]) - fitted
    loads_a = [p.iout.value for p in points]
    left_w = _rms(residuals)
    return LossFit(
        scale, found[:-1], found[-1], form_w, left_w, len(points), min(loads_a), max(loads_a)
    )


def _slopes(
    points: Sequence[TwinPoint],
    scale: Scale,
    shapes: Array,
    found: tuple[Term, ...],
    growth: float,
    base_w: Array,
) -> Array:
    """How the fitted loss moves with line [W/V], load [W/A] and temperature [W/K], each point."""
    if not found:
        return np.zeros((len(points), 3))
    weights = np.array([term.value.value for term in found[:-1]])
    slopes = []
    for point, shape, w in zip(points, shapes, base_w, strict=True):
        v, i = point.vin.value, max(point.iout.value, 0.0)
        dv, di = 1e-4 * scale.line_v, 1e-4 * scale.iout_a
        by_line = (scale.terms(v + dv, i) - shape) @ weights / dv
        light_a = max(i, 0.02 * scale.iout_a)  # the root has no slope at nothing
        step = scale.terms(v, light_a + di) - scale.terms(v, light_a)
        by_load = step @ weights / di
        factor = 1.0 + growth * (point.temp.value - REFERENCE_TEMP_C)
        slopes.append((factor * by_line, factor * by_load, growth * w))
    return np.array(slopes)


def _at_readings(points: Sequence[TwinPoint], slopes: Array) -> Array:
    """The slopes at the readings themselves: what `combined` took off the value comes back."""
    values = np.array([[p.vin.value, p.iout.value, p.temp.value] for p in points])
    return np.asarray(np.sum(values * slopes, axis=1))


# --------------------------------------------------------------------- least squares


def _solve(
    rows: Array, readings: Sequence[Uncertain], priors: Sequence[Prior], form: Array
) -> tuple[Term, ...]:
    """The terms by least squares: each reading weighs by what is its own, `form` included.

    What readings share moves them together and weighs nothing; it goes into the result whole.
    """
    gains, kept = _gains(rows, np.hypot(_own_u(readings), form), priors)
    before = np.array([prior.value for prior in priors])
    values = gains @ [reading.value for reading in readings] + kept @ before
    terms = []
    for row, held, value, prior in zip(gains, kept, values, priors, strict=True):
        parts = dict(combined(readings, row).parts)
        parts |= {
            Source(f"form at point {k} of {priors[0].name}", "module"): float(share * missed)
            for k, (share, missed) in enumerate(zip(row, form, strict=True), start=1)
        }
        parts |= {
            Source(f"{other.name} before", "module"): float(part) * other.u
            for other, part in zip(priors, held, strict=True)
        }
        terms.append(Term(prior.name, Uncertain(float(value), parts), prior))
    return tuple(terms)


def _gains(rows: Array, own: Array, priors: Sequence[Prior]) -> tuple[Array, Array]:
    """How each term moves with each reading, and with each prior."""
    weighted = rows / (own**2)[:, None]
    precision = np.diag([prior.u**-2.0 for prior in priors])
    normal = rows.T @ weighted + precision
    both = np.linalg.solve(normal, np.hstack((weighted.T, precision)))
    return np.asarray(both[:, : len(own)], np.float64), np.asarray(both[:, len(own) :], np.float64)


def _own_u(readings: Sequence[Uncertain]) -> list[float]:
    """The part of each reading's uncertainty that no other one has."""
    counts: dict[Source, int] = {}
    for reading in readings:
        for source in reading.parts:
            counts[source] = counts.get(source, 0) + 1
    return [
        sqrt(sum(part * part for source, part in one.parts.items() if counts[source] == 1))
        for one in readings
    ]


def _form(
    rows: Array,
    readings: Sequence[Uncertain],
    priors: Sequence[Prior],
    least: float,
    missed: Array,
) -> float:
    """What the form misses: the residuals beyond the readings' own scatter, at least `least`.

    `missed` is how many times more it may miss at each point.
    """
    values = np.array([reading.value for reading in readings])
    scatter = np.array(_own_u(readings))
    gains, kept = _gains(rows, np.hypot(scatter, least * missed), priors)
    fitted = rows @ (gains @ values + kept @ [prior.value for prior in priors])
    told = float(np.trace(gains @ rows))  # as many terms as the readings decide
    excess = float(np.sum(((values - fitted) / missed) ** 2)) / max(len(readings) - told, 1.0)
    return max(least, sqrt(max(excess - float(np.mean((scatter / missed) ** 2)), 0.0)))


def _rms(residuals: Array) -> float:
    return sqrt(float(np.mean(residuals**2)))
