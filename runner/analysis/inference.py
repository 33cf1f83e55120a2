"""What a sparse bench can tell, and what it cannot: results with their provenance.

Measured, corrected and derived results come from a reconciliation without any assumption;
what needs one stands apart and never becomes an efficiency. Called by `runner.infer`.
Pure: no files, no printing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from runner.analysis.consistency import Consistency, consistency
from runner.analysis.reconcile import Array, Estimate, Model, Solution, reconcile
from runner.analysis.sparse_bench import Quantities, Situation, SparseBench, Stated
from runner.analysis.sparse_problem import problem
from runner.analysis.trials import TRIALS, interval, reconciled_trials

Provenance = Literal["measured", "corrected", "derived", "assumed"]
COVERAGE_FACTOR = 2.0
IMPOSSIBLE_SIGMAS = 2.0
"""An efficiency above 1 by more than its expanded uncertainty is called impossible."""

NEGLIGIBLE = 1e-6  # of an uncertainty: a contribution that is rounding

NOT_LINEAR = 0.1
"""Monte Carlo and first order that differ by more than this share are pointed out."""


@dataclass(frozen=True, slots=True)
class Result:
    """A quantity with standard uncertainty, 95 % interval (Monte Carlo) and provenance.

    `contributions` are standard uncertainties by error. `assumed_u` is the part of `u`
    that comes from assumptions, zero unless the provenance says assumed.
    """

    situation: str
    quantity: str
    value: float
    u: float
    low: float
    high: float
    provenance: Provenance
    contributions: dict[str, float]
    assumed_u: float = 0.0

    @property
    def expanded_u(self) -> float:
        """U, k = 2."""
        return COVERAGE_FACTOR * self.u

    @property
    def instruments_u(self) -> float:
        """The part of `u` that better instruments could reduce."""
        return math.sqrt(max(0.0, self.u**2 - self.assumed_u**2))

    @property
    def is_linear(self) -> bool:
        """Whether both ends of the interval lie where first order puts them, within 10 %."""
        ends = (self.value - self.low, self.high - self.value)
        most, least = (1.0 + NOT_LINEAR) * self.expanded_u, 0.75 * self.expanded_u
        return all(least <= end <= most for end in ends)


@dataclass(frozen=True, slots=True)
class AssumptionCheck:
    """An assumption held against the measurement that does not use it.

    `measured` is None when nothing measured speaks of it: then it cannot be checked.
    """

    situation: str
    quantity: str
    assumed: Stated
    measured: Result | None

    @property
    def agrees(self) -> bool | None:
        """Within the expanded uncertainty of the difference; None when unchecked."""
        if self.measured is None:
            return None
        both_u = math.hypot(self.assumed.u, self.measured.u)
        return abs(self.assumed.value - self.measured.value) <= COVERAGE_FACTOR * both_u


@dataclass(frozen=True, slots=True)
class Findings:
    """Everything inferred. `results` rest on no assumption, `inferred` on at least one."""

    results: tuple[Result, ...]
    inferred: tuple[Result, ...]
    undetermined: tuple[tuple[str, str], ...]
    consistency: Consistency
    assumptions: tuple[AssumptionCheck, ...]
    impossible: tuple[Result, ...]

    def result(self, situation: str, quantity: str) -> Result | None:
        """A result without assumption, or None."""
        return _find(self.results, situation, quantity)

    def inferred_result(self, situation: str, quantity: str) -> Result | None:
        """A result that rests on an assumption, or None."""
        return _find(self.inferred, situation, quantity)


def infer(bench: SparseBench, trials: int = TRIALS) -> Findings:
    """Reconcile what was measured; then, apart from it, what the assumptions would add.

    Raises reconcile.NoSolution when the observations lead nowhere.
    """
    without = _Estimates.of(bench, trials, assumed=False)
    results = [r for situation in bench.situations for r in without.results(situation)]
    known = {(r.situation, r.quantity) for r in results}
    inferred: list[Result] = []
    if any(_assumptions(situation) for situation in bench.situations):
        with_assumed = _Estimates.of(bench, trials, assumed=True)
        inferred = [
            result
            for situation in bench.situations
            for result in with_assumed.results(situation)
            if (result.situation, result.quantity) not in known
            and result.quantity != "efficiency"  # circular, or undefined: never a result
        ]
    known |= {(r.situation, r.quantity) for r in inferred}
    undetermined = tuple(
        (situation.name, quantity)
        for situation in bench.situations
        for quantity in Quantities(bench, situation).models()
        if (situation.name, quantity) not in known
    )
    return Findings(
        tuple(results),
        tuple(inferred),
        undetermined,
        consistency(without.solution),
        tuple(_assumption_checks(bench, results)),
        tuple(r for r in results if _is_impossible(r)),
    )


def planning_solution(bench: SparseBench) -> Solution:
    """The measured reconciliation, at the operating point that the assumptions suggest."""
    full = reconcile(problem(bench, assumed=True))
    return Solution(problem(bench, assumed=False), full.steps)


@dataclass(frozen=True, slots=True)
class _Estimates:
    """One reconciliation with its trials."""

    bench: SparseBench
    solution: Solution
    trials: Array
    assumed: bool

    @classmethod
    def of(cls, bench: SparseBench, trials: int, *, assumed: bool) -> _Estimates:
        solution = reconcile(problem(bench, assumed=assumed))
        return cls(bench, solution, reconciled_trials(solution, trials), assumed)

    def results(self, situation: Situation) -> Iterator[Result]:
        for quantity, model in Quantities(self.bench, situation).models().items():
            estimate = self.solution.estimate(model)
            if estimate is not None:
                yield self._result(situation, quantity, model, estimate)

    def _result(
        self, situation: Situation, quantity: str, model: Model, estimate: Estimate
    ) -> Result:
        low, high = interval(self.solution, self.trials, model)
        parts = {
            name: abs(x)
            for name, x in estimate.contributions.items()
            if abs(x) > NEGLIGIBLE * estimate.u
        }
        assumed = [u for name, u in parts.items() if name.startswith("assumed ")]
        return Result(
            situation.name,
            quantity,
            estimate.value,
            estimate.u,
            low,
            high,
            "assumed" if self.assumed else provenance(self.bench, situation, quantity),
            dict(sorted(parts.items(), key=lambda part: -part[1])),
            math.hypot(*assumed),
        )


def provenance(bench: SparseBench, situation: Situation, quantity: str) -> Provenance:
    """Where a quantity that rests on no assumption comes from."""
    read = set(situation.readings)
    lead = bench.supply_lead_ohm
    if quantity == "vin_v" and "vin_v" not in read and "supply_v" in read:
        return "corrected" if lead.value or lead.u else "measured"
    if quantity == "vout_v" and "vout_v" not in read and "vload_v" in read:
        return "corrected"
    if quantity == "body_temp_c":
        return "measured" if situation.body_temp_c is not None else "derived"
    direct = {"iin_a": {"iin_a", "supply_a"}}.get(quantity, {quantity})
    return "measured" if direct & read else "derived"


def _assumptions(situation: Situation) -> dict[str, Stated]:
    given = {
        "efficiency": situation.assumed_efficiency,
        "vout_v": situation.assumed_vout_v,
    }
    return {quantity: stated for quantity, stated in given.items() if stated is not None}


def _assumption_checks(bench: SparseBench, results: list[Result]) -> Iterator[AssumptionCheck]:
    for situation in bench.situations:
        for quantity, stated in _assumptions(situation).items():
            measured = _find(tuple(results), situation.name, quantity)
            yield AssumptionCheck(situation.name, quantity, stated, measured)


def _is_impossible(result: Result) -> bool:
    """More power out than in, by more than the measurement's doubt."""
    return result.quantity == "efficiency" and result.value - IMPOSSIBLE_SIGMAS * result.u > 1.0


def _find(results: tuple[Result, ...], situation: str, quantity: str) -> Result | None:
    wanted = (situation, quantity)
    return next((r for r in results if (r.situation, r.quantity) == wanted), None)
