"""Do the observations agree with each other, and if not, which one is to blame?

Chi-squared test of the whole and the test of each observation (Mah and Tamhane 1982, as
in Narasimhan and Jordache, Data Reconciliation and Gross Error Detection, 2000, ch. 7).
Called by `inference`. It names a suspect only when a single one explains everything.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import chi2

from runner.analysis.reconcile import NoSolution, Observation, Solution, reconcile

SIGNIFICANCE = 0.05
UNCHECKED = 1e-4
"""An observation whose residual keeps less than this share of its variance is checked by
no other: an error in it would not show."""


@dataclass(frozen=True, slots=True)
class Check:
    """One observation against all others.

    `residual` in its own unit; `test` is normal with variance 1 when all is well, None
    when nothing checks the observation; `checked` is the share of its variance that the
    others can see.
    """

    name: str
    residual: float
    test: float | None
    checked: float


@dataclass(frozen=True, slots=True)
class Explanation:
    """An observation that, alone wrong, explains a contradiction: found, and what the others
    say instead; `chi_squared` is what is left of the contradiction without it."""

    name: str
    found: float
    others_say: float
    chi_squared: float


@dataclass(frozen=True, slots=True)
class Consistency:
    """The verdict on the observations as a whole.

    `agree` is None when nothing is redundant. `explanations` are the observations of
    which each alone, if wrong, would explain the contradiction; `suspect` is the one
    that does when no other does.
    """

    chi_squared: float
    degrees_of_freedom: int
    critical: float | None
    p_value: float | None
    agree: bool | None
    checks: tuple[Check, ...]
    explanations: tuple[Explanation, ...]
    suspect: str | None


def consistency(solution: Solution) -> Consistency:
    """Test the reconciliation at 5 % significance."""
    freedom, total = solution.degrees_of_freedom, solution.chi_squared
    checks = _checks(solution)
    if freedom == 0:
        return Consistency(total, 0, None, None, None, checks, (), None)
    critical = critical_chi_squared(freedom)
    agree = total <= critical
    explanations = () if agree else _explanations(solution, checks)
    suspect = explanations[0].name if len(explanations) == 1 else None
    p_value = float(chi2.sf(total, freedom))
    return Consistency(total, freedom, critical, p_value, agree, checks, explanations, suspect)


def critical_chi_squared(freedom: int) -> float:
    """Greatest chi-squared of observations that agree; 0 without freedom."""
    return float(chi2.isf(SIGNIFICANCE, freedom)) if freedom else 0.0


def _checks(solution: Solution) -> tuple[Check, ...]:
    """The test of maximum power: the residuals weighted by the inverse covariance."""
    inverse = np.linalg.inv(solution.covariance)
    weighted = inverse @ solution.residuals
    spread = np.diag(inverse @ solution.residual_covariance @ inverse)
    own = np.diag(inverse)
    shares = spread / own
    return tuple(
        Check(
            name=observation.name,
            residual=float(residual),
            test=float(weight / np.sqrt(variance)) if share > UNCHECKED else None,
            checked=float(share) if share > UNCHECKED else 0.0,
        )
        for observation, residual, weight, variance, share in zip(
            solution.problem.observations,
            solution.residuals,
            weighted,
            spread,
            shares,
            strict=True,
        )
    )


def _explanations(solution: Solution, checks: tuple[Check, ...]) -> tuple[Explanation, ...]:
    """Observations without which the rest agree, the one that leaves least first."""
    tested = {check.name for check in checks if check.test is not None}
    found = [
        _explanation(solution, observation)
        for observation in solution.problem.observations
        if observation.name in tested
    ]
    enough = [explanation for explanation in found if explanation is not None]
    return tuple(sorted(enough, key=lambda explanation: explanation.chi_squared))


def _explanation(solution: Solution, accused: Observation) -> Explanation | None:
    """Reconcile without one observation, as a gross error bends the model; None if in vain.

    In vain: the rest contradict each other as well, or make the accused impossible.
    """
    rest = tuple(o for o in solution.problem.observations if o is not accused)
    try:
        without = reconcile(replace(solution.problem, observations=rest))
    except NoSolution:
        return None
    freedom = without.degrees_of_freedom
    if freedom and without.chi_squared > critical_chi_squared(freedom):
        return None
    others_say = without.estimate(accused.model)
    least, most = accused.plausible
    if others_say is None or not least <= others_say.value <= most:
        return None
    return Explanation(accused.name, accused.value, others_say.value, without.chi_squared)
