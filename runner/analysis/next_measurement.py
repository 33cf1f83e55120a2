"""Which single further measurement would help most.

Every measurement not yet made is tried on paper: the observation is added with a stated
accuracy, and the uncertainty of efficiency and output current before and after are
compared. Called by `runner.infer`. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from operator import itemgetter

import numpy as np

from runner.analysis.reconcile import Error, Model, Observation, Problem, Solution
from runner.analysis.sparse_bench import Bank, Quantities, Reading, at

WORTH_SAYING = 0.95
"""A measurement that leaves more than this share of the uncertainty is not worth listing."""

MOST_TOGETHER = 3

# Accuracies of measurements planned with an instrument the file does not state, as limits
# (common practice, no source).
FOUR_WIRE_LIMIT = 0.005
BODY_LIMIT_K = 5.0
LEAD_LIMIT_OHM = 0.005

Extra = tuple[Observation, tuple[Error, ...]]
"""An observation that could be added, with its errors."""

Accuracy = Callable[[float], Reading]
"""The reading an instrument would give for a value."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A measurement that could be made: in words, and what it would add to the problem."""

    name: str
    words: str
    accuracy: str
    extra: Extra


@dataclass(frozen=True, slots=True)
class Prospect:
    """One measurement, or several together, and what would become of the uncertainty.

    Standard uncertainties; None where not determined.
    """

    candidates: tuple[Candidate, ...]
    efficiency_u: float | None
    iout_u_a: float | None


@dataclass(frozen=True, slots=True)
class Prospects:
    """The uncertainty of a situation now, and what would reduce it, the best first."""

    situation: str
    now: Prospect
    better: tuple[Prospect, ...]


def prospects(
    quantities: Quantities, solution: Solution, voltmeter: Accuracy, ammeter: Accuracy
) -> Prospects:
    """Rank by the uncertainty of the efficiency, then of the output current.

    If no single measurement determines the efficiency, the smallest sets that do.
    """
    candidates = tuple(_candidates(quantities, solution, voltmeter, ammeter))
    now, better = _prospect(quantities, solution, ()), list[Prospect]()
    for together in range(1, MOST_TOGETHER + 1):
        tried = (_prospect(quantities, solution, c) for c in combinations(candidates, together))
        better = [prospect for prospect in tried if _helps(now, prospect)]
        if better or now.efficiency_u is not None:
            break
    return Prospects(quantities.situation.name, now, tuple(sorted(better, key=_rank)))


def _rank(prospect: Prospect) -> tuple[float, float]:
    efficiency_u, iout_u_a = prospect.efficiency_u, prospect.iout_u_a
    return (
        math.inf if efficiency_u is None else efficiency_u,
        math.inf if iout_u_a is None else iout_u_a,
    )


def _helps(now: Prospect, then: Prospect) -> bool:
    """Whether the efficiency becomes known, or clearly better known."""
    if then.efficiency_u is None:
        return False
    return now.efficiency_u is None or then.efficiency_u < WORTH_SAYING * now.efficiency_u


def _prospect(
    quantities: Quantities, solution: Solution, candidates: Sequence[Candidate]
) -> Prospect:
    extended = solution.problem
    for candidate in candidates:
        extended = _extended(extended, *candidate.extra)
    then = Solution(extended, solution.steps)
    return Prospect(tuple(candidates), _u(then, quantities.efficiency), _u(then, quantities.iout_a))


def _u(solution: Solution, model: Model) -> float | None:
    estimate = solution.estimate(model)
    return None if estimate is None else estimate.u


def _extended(problem: Problem, observation: Observation, errors: tuple[Error, ...]) -> Problem:
    """With one more observation; an error already there acts on it as well."""
    known = {error.name: error for error in problem.errors}
    for error in errors:
        before = known.get(error.name, replace(error, effects={}))
        known[error.name] = replace(before, effects={**before.effects, **error.effects})
    return replace(
        problem,
        observations=(*problem.observations, observation),
        errors=tuple(known.values()),
    )


# ------------------------------------------------------------------------- candidates

_ROLES = {
    "vin_v": ("the voltage at the module's input terminals", "V"),
    "iin_a": ("the input current with an ammeter", "A"),
    "vout_v": ("the voltage at the module's output terminals", "V"),
    "vload_v": ("the voltage at the load resistors' own terminals", "V"),
    "iout_a": ("the output current with an ammeter", "A"),
}


def _candidates(
    quantities: Quantities, solution: Solution, voltmeter: Accuracy, ammeter: Accuracy
) -> Iterator[Candidate]:
    for role, (words, unit) in _ROLES.items():
        if role in quantities.situation.readings:
            continue
        if role != "vload_v" or quantities.bank is not None:
            accuracy = voltmeter if unit == "V" else ammeter
            extra = _read(quantities, role, solution, accuracy)
            yield Candidate(role, words, _limit_words(extra, unit), extra)
    if quantities.bank is not None:
        yield from _of_resistors(quantities, quantities.bank, solution)


def _read(quantities: Quantities, role: str, solution: Solution, accuracy: Accuracy) -> Extra:
    model = quantities.read(role)
    name = at(role, quantities.situation)
    value = float(model(solution.values))
    errors = accuracy(value).errors(name)
    return Observation(name, value, model), tuple(
        Error(error, {name: u}, shape) for error, u, shape in errors if u > 0.0
    )


def _limit_words(extra: Extra, unit: str) -> str:
    observation, errors = extra
    u = math.hypot(*(effect for error in errors for effect in error.effects.values()))
    return f"U {2.0 * u:.2g} {unit} at {observation.value:.3g} {unit}"


def _of_resistors(quantities: Quantities, bank: Bank, solution: Solution) -> Iterator[Candidate]:
    situation, four_wire = quantities.situation, f"limits ±{100 * FOUR_WIRE_LIMIT:g} %"
    if bank.resistance_ohm.u > 0.0:
        model = itemgetter(f"resistance_ohm of {situation.bank}")
        extra = _planned("cold_ohm", FOUR_WIRE_LIMIT * bank.resistance_ohm.value, model, solution)
        yield Candidate("cold_ohm", "the resistors cold, with four wires", four_wire, extra)
    if bank.lead_ohm.u > LEAD_LIMIT_OHM / math.sqrt(3.0):
        extra = _planned("lead_ohm", LEAD_LIMIT_OHM, quantities.lead_ohm, solution)
        accuracy = f"limits ±{LEAD_LIMIT_OHM:g} ohm"
        yield Candidate("lead_ohm", "the output leads' resistance", accuracy, extra)
    if bank.changes_with_heat:
        limit_ohm = FOUR_WIRE_LIMIT * bank.resistance_ohm.value * bank.factor
        extra = _planned("hot_ohm", limit_ohm, quantities.bank_ohm, solution)
        words = "the resistors hot, with four wires, within seconds of switching off"
        yield Candidate("hot_ohm", words, four_wire, extra)
        if situation.body_temp_c is None:
            extra = _planned("body_temp_c", BODY_LIMIT_K, quantities.body_temp_c, solution)
            accuracy = f"limits ±{BODY_LIMIT_K:g} K"
            yield Candidate("body_temp_c", "the resistors' body temperature", accuracy, extra)


def _planned(name: str, limit: float, model: Model, solution: Solution) -> Extra:
    value, planned = float(np.real(model(solution.values))), f"planned {name}"
    return Observation(planned, value, model), (Error(planned, {planned: limit / math.sqrt(3.0)}),)
