"""Values with their uncertainty: an algebra that keeps correlation by construction.

Every value carries what each elementary input adds to it, sign included, so that two
values which share a gain error also share it in their difference. First order, JCGM
100:2008. Called by everything that states an uncertainty; pure, no files.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, NamedTuple

from scipy.special import betaincinv, ndtri, stdtrit

Shape = Literal["normal", "rectangular", "triangular", "arcsine"]

EXCESS_KURTOSIS: dict[str, float] = {
    "normal": 0.0,
    "rectangular": -1.2,
    "triangular": -0.6,
    "arcsine": -1.5,
}
"""Fourth moment over the squared variance, less 3: elementary integrals of each density."""

_ROUNDING = 1e-9  # of the degrees of freedom: 8.9999999999 is a 9 that was computed


@dataclass(frozen=True, slots=True)
class Source:
    """One elementary, independent input. Two are the same one when all they say is the same,
    so the name has to tell the range, or the point, it belongs to.

    `type` is how it was evaluated (A from a series of readings, B otherwise), `dof` its degrees
    of freedom, `shape` its distribution. Sources of readings taken at the same instants bear
    one name in `together`: they share their degrees of freedom.
    """

    name: str
    instrument: str = ""
    type: Literal["A", "B"] = "B"
    dof: float = math.inf
    shape: Shape = "normal"
    together: str = ""
    _hash: int = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        values = (self.name, self.instrument, self.type, self.dof, self.shape, self.together)
        object.__setattr__(self, "_hash", hash(values))

    def __hash__(self) -> int:
        return self._hash


class Expanded(NamedTuple):
    """An expanded uncertainty and the coverage factor it was made with."""

    expanded_u: float
    k: float


class Contribution(NamedTuple):
    """What one source adds: sensitivity times its standard uncertainty, signed; share 0..1."""

    source: Source
    u: float
    share: float


class InstrumentShare(NamedTuple):
    """What all sources of one instrument add together; share of the variance 0..1."""

    instrument: str
    u: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Uncertain:
    """A value, and for each source the signed contribution c_i u(x_i) to it (5.1.3, 5.1.5)."""

    value: float
    parts: Mapping[Source, float] = field(default_factory=dict)

    # ------------------------------------------------------------------ what it is worth

    @property
    def u(self) -> float:
        """Combined standard uncertainty: root of the sum of squares, JCGM 100:2008 (10)."""
        return math.sqrt(math.fsum(part * part for part in self.parts.values()))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom by Welch-Satterthwaite, JCGM 100:2008 (G.2b).

        From the unrounded combined uncertainty. Sources taken together enter as one.
        """
        freedom = self._by_freedom()
        total = math.fsum(variance for variance, _ in freedom)
        if total == 0.0:
            return math.inf
        below = math.fsum((variance / total) ** 2 / dof for variance, dof in freedom)
        return 1.0 / below if below > 0.0 else math.inf

    def _by_freedom(self) -> list[tuple[float, float]]:
        """Variance and degrees of freedom of each independent set of readings."""
        found: dict[object, tuple[float, float]] = {}
        for source, part in self.parts.items():
            key: object = source.together or source
            found[key] = (found.get(key, (0.0, 0.0))[0] + part * part, source.dof)
        return list(found.values())

    @property
    def excess_kurtosis(self) -> float:
        """Of the distribution of this value: each source's own, times its squared share.

        Fourth cumulants of independent terms add up. Type A shapes are left to `dof`.
        """
        variance = self.u**2
        if variance == 0.0:
            return 0.0
        parts = self.parts.items()
        return math.fsum(EXCESS_KURTOSIS[s.shape] * (u * u / variance) ** 2 for s, u in parts)

    def expanded(self, coverage: float = 0.95, *, shapes: bool = False) -> Expanded:
        """Expanded uncertainty U = k u for a coverage probability, and k.

        k is Student's t for the effective degrees of freedom TRUNCATED to the next lower
        integer (JCGM 100:2008, G.4.1 note 1 and G.6.4): 18.9987 becomes 18. With `shapes` k is
        multiplied by what the known shapes change, see `shape_factor`: without it, a budget that
        one rectangular source rules covers more than it says.
        """
        dof = self.dof
        k = student_t(math.floor(dof * (1.0 + _ROUNDING)) if dof < math.inf else dof, coverage)
        if shapes:
            k *= shape_factor(round(self.excess_kurtosis, 4), coverage)
        return Expanded(k * self.u, k)

    def budget(self) -> list[Contribution]:
        """What each source contributes, the greatest first."""
        variance = self.u**2
        rows = [
            Contribution(source, part, part * part / variance if variance else 0.0)
            for source, part in self.parts.items()
        ]
        return sorted(rows, key=lambda row: (-row.share, row.source.instrument, row.source.name))

    def by_instrument(self) -> list[InstrumentShare]:
        """The budget summed by instrument, the one to improve first."""
        variances: dict[str, float] = {}
        for source, part in self.parts.items():
            variances[source.instrument] = variances.get(source.instrument, 0.0) + part * part
        whole = math.fsum(variances.values())
        rows = [
            InstrumentShare(name, math.sqrt(variance), variance / whole if whole else 0.0)
            for name, variance in variances.items()
        ]
        return sorted(rows, key=lambda row: (-row.share, row.instrument))

    # ------------------------------------------------------------------------ arithmetic

    def __add__(self, other: Uncertain | float) -> Uncertain:
        return _sum(self, other, 1.0)

    def __radd__(self, other: float) -> Uncertain:
        return _sum(self, other, 1.0)

    def __sub__(self, other: Uncertain | float) -> Uncertain:
        return _sum(self, other, -1.0)

    def __rsub__(self, other: float) -> Uncertain:
        return _along(other - self.value, self, -1.0)

    def __neg__(self) -> Uncertain:
        return _along(-self.value, self, -1.0)

    def __mul__(self, other: Uncertain | float) -> Uncertain:
        if isinstance(other, Uncertain):
            return _joined(self.value * other.value, self, other.value, other, self.value)
        return _along(self.value * other, self, other)

    def __rmul__(self, other: float) -> Uncertain:
        return _along(other * self.value, self, other)

    def __truediv__(self, other: Uncertain | float) -> Uncertain:
        if isinstance(other, Uncertain):
            value = self.value / other.value
            return _joined(value, self, 1.0 / other.value, other, -value / other.value)
        return _along(self.value / other, self, 1.0 / other)

    def __rtruediv__(self, other: float) -> Uncertain:
        value = other / self.value
        return _along(value, self, -value / self.value)

    def __pow__(self, other: Uncertain | float) -> Uncertain:
        power = other.value if isinstance(other, Uncertain) else other
        value = _power(self.value, power)
        slope = power * _power(self.value, power - 1.0) if power else 0.0
        if not isinstance(other, Uncertain):
            return _along(value, self, slope)
        return _joined(value, self, slope, other, value * math.log(self.value))

    def __rpow__(self, other: float) -> Uncertain:
        value = _power(other, self.value)
        return _along(value, self, value * math.log(other))


def uncertain(value: float, u: float, source: Source) -> Uncertain:
    """A value that rests on one source with the standard uncertainty `u`, same unit."""
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0.0):
        raise ValueError(f"value {value!r} with u {u!r}: both finite, u not below zero")
    return Uncertain(value, {source: u})


def _along(value: float, a: Uncertain, slope: float) -> Uncertain:
    return Uncertain(value, {source: slope * part for source, part in a.parts.items()})


def _joined(value: float, a: Uncertain, slope_a: float, b: Uncertain, slope_b: float) -> Uncertain:
    """The chain rule: a source that both rest on is added with its signs, not in square."""
    parts = {source: slope_a * part for source, part in a.parts.items()}
    for source, part in b.parts.items():
        parts[source] = parts.get(source, 0.0) + slope_b * part
    return Uncertain(value, parts)


def _sum(a: Uncertain, b: Uncertain | float, sign: float) -> Uncertain:
    if isinstance(b, Uncertain):
        return _joined(a.value + sign * b.value, a, 1.0, b, sign)
    return Uncertain(a.value + sign * b, a.parts)


def _power(base: float, power: float) -> float:
    value = base**power
    if isinstance(value, complex):
        raise ValueError(f"{base!r} to the power of {power!r} is not real")
    return float(value)


# ---------------------------------------------------------------------- several at once


def covariance(a: Uncertain, b: Uncertain) -> float:
    """Covariance through the sources both rest on, JCGM 100:2008 (F.2)."""
    shared = (source for source in a.parts if source in b.parts)
    return math.fsum(a.parts[source] * b.parts[source] for source in shared)


def correlation(a: Uncertain, b: Uncertain) -> float:
    """Correlation coefficient, -1 to 1, JCGM 100:2008 (14); 0.0 when either is exact."""
    both = a.u * b.u
    return covariance(a, b) / both if both > 0.0 else 0.0


def apply(function: Callable[..., float], *inputs: Uncertain | float) -> Uncertain:
    """Any real function of uncertain inputs, its slopes by central differences.

    The step is the input's own standard uncertainty: c_i u_i = (f(x + u) - f(x - u)) / 2, JCGM
    100:2008, 5.1.3 note 2. Correlated inputs stay correlated.
    """
    values = [x.value if isinstance(x, Uncertain) else x for x in inputs]
    parts: dict[Source, float] = {}
    for k, x in enumerate(inputs):
        if not isinstance(x, Uncertain) or x.u == 0.0:
            continue
        high, low = list(values), list(values)
        high[k], low[k] = x.value + x.u, x.value - x.u
        slope = (function(*high) - function(*low)) / (2.0 * x.u)
        for source, part in x.parts.items():
            parts[source] = parts.get(source, 0.0) + slope * part
    return Uncertain(function(*values), parts)


def means_together(name: str, *series: Sequence[float]) -> tuple[Uncertain, ...]:
    """Means of series read at the same instants: they keep their correlation.

    Each instant is a source that adds (x_k - mean) / sqrt(n (n - 1)) to the mean of each
    series, which gives the covariances of JCGM 100:2008 (17), with n - 1 degrees of freedom.
    """
    n = len(series[0])
    if n < 2 or any(len(values) != n for values in series):
        raise ValueError("series taken together are equally long and have two readings or more")
    sources = [Source(f"{name}, reading {k + 1}", "", "A", n - 1, together=name) for k in range(n)]
    root = math.sqrt(n * (n - 1))
    means = [math.fsum(values) / n for values in series]
    return tuple(
        Uncertain(mean, {s: (x - mean) / root for s, x in zip(sources, values, strict=True)})
        for mean, values in zip(means, series, strict=True)
    )


# ------------------------------------------------------------------------ coverage factors


@lru_cache(maxsize=4096)
def student_t(dof: float, coverage: float) -> float:
    """Student's t that encloses `coverage` (0..1) on both sides, JCGM 100:2008 Table G.2."""
    if not 0.0 < coverage < 1.0:
        raise ValueError(f"coverage {coverage!r}: a probability between 0 and 1, such as 0.95")
    tail = 0.5 + 0.5 * coverage
    return float(ndtri(tail) if math.isinf(dof) else stdtrit(max(1.0, dof), tail))


@lru_cache(maxsize=4096)
def shape_factor(excess_kurtosis: float, coverage: float) -> float:
    """By what the coverage factor of a normal distribution is multiplied for a flatter one.

    Of the symmetric beta distribution of that excess kurtosis, -6 / (2 a + 3) with both
    parameters a (Pearson's type II): exact for a rectangular and a normal distribution, between
    them within 1 % of exact for 95 % coverage and 4 % for 99 %, see the tests. 1.0 where the
    kurtosis is not below zero.
    """
    if excess_kurtosis > -1e-3:
        return 1.0
    a = max(1.0, -3.0 / excess_kurtosis - 1.5)
    of_width = 2.0 * float(betaincinv(a, a, 0.5 + 0.5 * coverage)) - 1.0
    return of_width * math.sqrt(2.0 * a + 1.0) / student_t(math.inf, coverage)
