"""Pass, fail or inconclusive: decision rules of JCGM 106:2012 on a value with its uncertainty.

A rule turns the limits that were claimed into acceptance limits, by simple acceptance, by a
guard band of r times the expanded uncertainty, or by the risk of a wrong decision that is put up
with. Called by the judging of claims; pure, knows no claim and no module.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from scipy.optimize import brentq
from scipy.special import ndtr

from runner.analysis.uncertainty import Uncertain

Verdict = Literal["pass", "fail", "inconclusive"]
RuleKind = Literal["simple", "guard-band", "risk"]

LEAST_TAIL = 1e-9
"""No smaller probability is told apart from nought."""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """What is allowed, limits included; None is a side without a limit."""

    least: float | None = None
    most: float | None = None

    def __post_init__(self) -> None:
        if self.least is None and self.most is None:
            raise ValueError("a tolerance has at least one limit")
        if self.least is not None and self.most is not None and self.least > self.most:
            raise ValueError(f"a tolerance from {self.least!r} to {self.most!r}: from less to more")

    def holds(self, value: float) -> bool:
        """True for a value inside."""
        return (self.least is None or value >= self.least) and (
            self.most is None or value <= self.most
        )

    def margin(self, value: float) -> float:
        """Distance to the nearest limit, negative outside."""
        sides = []
        if self.least is not None:
            sides.append(value - self.least)
        if self.most is not None:
            sides.append(self.most - value)
        return min(sides)

    def nearest(self, value: float) -> float:
        """The limit that the margin counts from."""
        given = [limit for limit in (self.least, self.most) if limit is not None]
        return min(given, key=lambda limit: abs(value - limit))

    def moved(self, inwards: float) -> Tolerance | None:
        """Both limits moved by as much; None where nothing is left between them."""
        least = None if self.least is None else self.least + inwards
        most = None if self.most is None else self.most - inwards
        if least is not None and most is not None and least > most:
            return None
        return Tolerance(least, most)


@dataclass(frozen=True, slots=True)
class Rule:
    """How to decide; agreed before measuring.

    `simple`: inside passes, outside fails, up to half of all decisions at the limit are wrong.
    `guard-band`: passes inside and fails outside by at least `guard` times U (r of ILAC-G8), is
    inconclusive between. `risk`: passes when the probability of not conforming is at most `risk`,
    fails when that of conforming is (specific risk, JCGM 106:2012, 8.3). U is for `coverage`.
    """

    kind: RuleKind = "guard-band"
    guard: float = 1.0
    risk: float = 0.05
    coverage: float = 0.95

    def __post_init__(self) -> None:
        if self.guard < 0.0:
            raise ValueError(f"guard {self.guard!r}: a multiple of U, 0 or more")
        if not 0.0 < self.risk < 0.5:
            raise ValueError(f"risk {self.risk!r}: a probability above 0 and below 0.5")

    @property
    def words(self) -> str:
        """The rule as a report states it."""
        match self.kind:
            case "simple":
                return "simple acceptance"
            case "guard-band":
                return f"guard band {self.guard:g} U ({100.0 * self.coverage:g} %)"
        return f"risk of a wrong decision at most {100.0 * self.risk:g} %"


@dataclass(frozen=True, slots=True)
class Decision:
    """A verdict and all it rests on, in the unit of the value.

    `accepted` are the limits between which a value with this uncertainty passes, None where it
    is too uncertain to pass at all; outside `rejected` it fails. `probability` is the conformance
    probability, JCGM 106:2012, 7.
    """

    verdict: Verdict
    value: float
    u: float
    expanded_u: float
    k: float
    tolerance: Tolerance
    accepted: Tolerance | None
    rejected: Tolerance
    probability: float

    @property
    def margin(self) -> float:
        """Distance to the nearest claimed limit, negative outside."""
        return self.tolerance.margin(self.value)

    @property
    def limit(self) -> float:
        """That limit."""
        return self.tolerance.nearest(self.value)

    @property
    def margin_in_u(self) -> float | None:
        """The margin over the expanded uncertainty; None where that is nought."""
        return self.margin / self.expanded_u if self.expanded_u > 0.0 else None


def decide(value: Uncertain, tolerance: Tolerance, rule: Rule) -> Decision:
    """Decide by the rule whether a value conforms to a tolerance."""
    expanded_u, k = value.expanded(rule.coverage, shapes=True)
    accepted, rejected = _limits(value, tolerance, rule, expanded_u)
    verdict: Verdict = "inconclusive"
    if accepted is not None and accepted.holds(value.value):
        verdict = "pass"
    elif not rejected.holds(value.value):
        verdict = "fail"
    probability = conformance_probability(value, tolerance)
    return Decision(
        verdict, value.value, value.u, expanded_u, k, tolerance, accepted, rejected, probability
    )


def conformance_probability(value: Uncertain, tolerance: Tolerance) -> float:
    """Probability that the true value is inside, JCGM 106:2012, 7.2 to 7.4.

    Of the distribution that the expanded uncertainty is made with: normal, Student's for finite
    degrees of freedom, flatter where rectangular sources rule.
    """
    if value.u == 0.0:
        return 1.0 if tolerance.holds(value.value) else 0.0
    low = 0.0 if tolerance.least is None else _below(value, tolerance.least)
    high = 0.0 if tolerance.most is None else _above(value, tolerance.most)
    return max(0.0, 1.0 - low - high)


def _above(value: Uncertain, limit: float) -> float:
    return _tail(value, (limit - value.value) / value.u)


def _below(value: Uncertain, limit: float) -> float:
    return _tail(value, (value.value - limit) / value.u)


def _tail(value: Uncertain, z: float) -> float:
    """Probability of being more than z standard uncertainties above the value."""
    if value.dof == float("inf") and value.excess_kurtosis > -1e-3:
        return float(ndtr(-z))

    def reaches(outside: float) -> float:
        return value.expanded(1.0 - outside, shapes=True).k - abs(z)

    if reaches(LEAST_TAIL) <= 0.0:
        outside = 0.0
    elif reaches(1.0 - LEAST_TAIL) >= 0.0:
        outside = 1.0
    else:
        outside = float(brentq(reaches, LEAST_TAIL, 1.0 - LEAST_TAIL, xtol=1e-12))
    return outside / 2.0 if z >= 0.0 else 1.0 - outside / 2.0


# ------------------------------------------------------------------------------- limits


def _limits(
    value: Uncertain, tolerance: Tolerance, rule: Rule, expanded_u: float
) -> tuple[Tolerance | None, Tolerance]:
    """Between which it passes, and outside which it fails."""
    if rule.kind == "risk":
        return _limits_by_risk(value, tolerance, rule.risk)
    width = rule.guard * expanded_u if rule.kind == "guard-band" else 0.0
    rejected = tolerance.moved(-width)
    return tolerance.moved(width), rejected or tolerance


def _limits_by_risk(
    value: Uncertain, tolerance: Tolerance, risk: float
) -> tuple[Tolerance | None, Tolerance]:
    """On one side the guard band of that risk; on two, both tails count together."""
    one_sided = value.expanded(1.0 - 2.0 * risk, shapes=True).expanded_u
    least, most = tolerance.least, tolerance.most
    if least is None or most is None or value.u == 0.0:
        return tolerance.moved(one_sided), tolerance.moved(-one_sided) or tolerance
    middle, half = 0.5 * (least + most), 0.5 * (most - least)

    def surplus(off: float, probability: float) -> float:
        there = Uncertain(middle + off, value.parts)
        return conformance_probability(there, tolerance) - probability

    accepted = None
    if surplus(0.0, 1.0 - risk) >= 0.0:
        inside = float(brentq(surplus, 0.0, half, args=(1.0 - risk,)))
        accepted = tolerance.moved(half - inside)
    outside, beyond = half, half + 10.0 * max(one_sided, value.u)
    if surplus(half, risk) > 0.0:  # a value inside never fails, however uncertain it is
        outside = float(brentq(surplus, half, beyond, args=(risk,)))
    return accepted, Tolerance(middle - outside, middle + outside)
