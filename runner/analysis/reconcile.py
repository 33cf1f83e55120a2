"""Least-squares reconciliation: the most likely values behind observations that overlap.

A problem is a set of unknowns, of observations (each a model of the unknowns and what was
found) and of independent errors, each of which may act on several observations. Called by
`inference`; knows no electricity. Pure: no files, no clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

Array = NDArray[np.float64]
Values = Mapping[str, Any]
Model = Callable[[Values], Any]
Shape = Literal["rectangular", "normal"]

MOST_STEPS = 100
TOLERANCE = 1e-10  # of steps and slopes,
LEAST_GAIN = 1e-8  # and of chi-squared: far below what a standard deviation means
UNMET = 1.0  # chi-squared without redundancy is rounding, unless no values can be met
RANK_TOLERANCE = 1e-9
DETERMINED = 1e-6
"""A quantity whose gradient leaves the determined directions by more than this share is
not determined by the observations."""

_IMAGINARY_STEP = 1e-30  # complex step: a derivative without a difference, exact to rounding


@dataclass(frozen=True, slots=True)
class Unknown:
    """A true quantity to be found: where the search starts, and its scale (not zero)."""

    name: str
    start: float
    scale: float


@dataclass(frozen=True, slots=True)
class Observation:
    """What was found, and the model of the unknowns that it is an observation of.

    The model must be analytic (it is evaluated with complex numbers) and take arrays.
    A true value outside `plausible` cannot be, however wrong the observation was.
    """

    name: str
    value: float
    model: Model
    plausible: tuple[float, float] = (-math.inf, math.inf)


@dataclass(frozen=True, slots=True)
class Error:
    """One independent error: its effect on each observation as a standard uncertainty."""

    name: str
    effects: Mapping[str, float]
    shape: Shape = "rectangular"


@dataclass(frozen=True, slots=True)
class Problem:
    """Unknowns, observations and errors; every observation needs an error of its own."""

    unknowns: tuple[Unknown, ...]
    observations: tuple[Observation, ...]
    errors: tuple[Error, ...]

    def effects(self) -> Array:
        """One row an observation, one column an error."""
        return np.array(
            [[e.effects.get(o.name, 0.0) for e in self.errors] for o in self.observations],
            dtype=np.float64,
        ).reshape(len(self.observations), len(self.errors))

    def values(self, steps: Any) -> dict[str, Any]:
        """The unknowns `steps` (in scales, last axis) away from their starts."""
        return {u.name: u.start + u.scale * steps[..., i] for i, u in enumerate(self.unknowns)}

    def predicted(self, steps: Any) -> Any:
        """What the observations would be there; last axis the observations."""
        values = self.values(steps)
        shape = np.shape(steps)[:-1]
        columns = [np.broadcast_to(o.model(values), shape) for o in self.observations]
        return np.stack(columns, axis=-1)

    def slopes(self, steps: Array) -> Array:
        """Derivatives of `predicted` by each step; last axis the unknowns."""
        moves = 1j * _IMAGINARY_STEP * np.eye(len(self.unknowns))
        if steps.ndim == 1:  # all moves in one evaluation
            return np.asarray(self.predicted(steps + moves).imag.T / _IMAGINARY_STEP)
        columns = [self.predicted(steps + move).imag / _IMAGINARY_STEP for move in moves]
        return np.stack(columns, axis=-1)


@dataclass(frozen=True, slots=True)
class Estimate:
    """A quantity with its standard uncertainty, and what each error contributes to it."""

    value: float
    u: float
    contributions: Mapping[str, float]


class NoSolution(ArithmeticError):
    """The search for the least squares did not settle."""


@dataclass(frozen=True)
class Solution:
    """The reconciled unknowns, first-order (JCGM 100:2008, 5.1 and 5.2; least squares)."""

    problem: Problem
    steps: Array

    @cached_property
    def values(self) -> dict[str, float]:
        """The unknowns at the least squares."""
        return {name: float(x) for name, x in self.problem.values(self.steps).items()}

    @cached_property
    def covariance(self) -> Array:
        """Of the observations, from their errors."""
        effects = self.problem.effects()
        return np.asarray(effects @ effects.T)

    @cached_property
    def residuals(self) -> Array:
        """Found minus reconciled."""
        found = np.array([o.value for o in self.problem.observations])
        return np.asarray(found - self.problem.predicted(self.steps))

    @cached_property
    def _parts(self) -> tuple[Array, Array]:
        """Gain (step per observation) and the directions no observation determines."""
        root = np.linalg.cholesky(self.covariance)
        white = np.linalg.solve(root, self.problem.slopes(self.steps))
        left, sizes, right = np.linalg.svd(white, full_matrices=True)
        rank = int(np.sum(sizes > RANK_TOLERANCE * sizes[0])) if sizes.size else 0
        inverse = (right[:rank].T / sizes[:rank]) @ left[:, :rank].T
        return np.asarray(inverse @ np.linalg.inv(root)), right[rank:].T

    @property
    def gain(self) -> Array:
        """How each step moves with each observation."""
        return self._parts[0]

    @property
    def undetermined(self) -> Array:
        """Columns: directions of steps along which no observation changes."""
        return self._parts[1]

    @property
    def rank(self) -> int:
        """How many directions the observations determine."""
        return len(self.problem.unknowns) - int(self.undetermined.shape[1])

    @property
    def degrees_of_freedom(self) -> int:
        """How many observations more than needed: the redundancy."""
        return len(self.problem.observations) - self.rank

    @cached_property
    def residual_covariance(self) -> Array:
        """Of the residuals: what is left of the observations' covariance."""
        hat = self.problem.slopes(self.steps) @ self.gain
        rest = np.eye(len(hat)) - hat
        return np.asarray(rest @ self.covariance @ rest.T)

    @cached_property
    def chi_squared(self) -> float:
        """Weighted sum of squared residuals."""
        return float(self.residuals @ np.linalg.solve(self.covariance, self.residuals))

    def gradient(self, model: Model) -> Array:
        """How a quantity moves with each step."""
        moved = self.steps + 1j * _IMAGINARY_STEP * np.eye(len(self.steps))
        slope = np.asarray(model(self.problem.values(moved)), dtype=np.complex128).imag
        return np.broadcast_to(slope / _IMAGINARY_STEP, (len(self.steps),))

    def determines(self, model: Model) -> bool:
        """Whether the observations determine a quantity at all."""
        gradient = self.gradient(model)
        size = float(np.linalg.norm(gradient))
        return float(np.linalg.norm(gradient @ self.undetermined)) <= DETERMINED * size

    def estimate(self, model: Model) -> Estimate | None:
        """A quantity at the reconciled unknowns; None when it is not determined."""
        if not self.determines(model):
            return None
        effects = self.gradient(model) @ self.gain @ self.problem.effects()
        pairs = zip(self.problem.errors, effects, strict=True)
        contributions = {error.name: float(effect) for error, effect in pairs}
        value = float(np.real(model(self.values)))
        return Estimate(value, float(np.linalg.norm(effects)), contributions)


def reconcile(problem: Problem) -> Solution:
    """Least squares by a trust region from the starts; undetermined directions stay there.

    Gauss-Newton steps, held back where the model bends, which a gross error needs; deep in a
    contradiction it may still creep after MOST_STEPS, where chi-squared says so anyway.
    Raises NoSolution if it misses observations that nothing contradicts.
    """
    start = Solution(problem, np.zeros(len(problem.unknowns)))
    if not problem.observations:
        return start
    white = np.linalg.inv(np.linalg.cholesky(start.covariance))
    found = np.array([o.value for o in problem.observations])

    def misses(steps: Array) -> Array:
        return np.asarray(white @ (problem.predicted(steps) - found))

    def slopes(steps: Array) -> Array:
        return np.asarray(white @ problem.slopes(steps))

    search = least_squares(
        misses,
        start.steps,
        jac=slopes,
        method="trf",
        ftol=LEAST_GAIN,
        xtol=TOLERANCE,
        gtol=TOLERANCE,
        max_nfev=MOST_STEPS,
    )
    solution = Solution(problem, np.asarray(search.x))
    if solution.degrees_of_freedom == 0 and solution.chi_squared > UNMET:
        raise NoSolution("the least squares of these observations could not be found")
    return solution
