"""Monte Carlo of a reconciliation (JCGM 101:2008): draw the errors, reconcile each trial.

Called by `inference` beside the first-order uncertainty, which it checks where the model
is not linear. Vectorised over the trials; the same seed gives the same draws.
"""

from __future__ import annotations

import numpy as np

from runner.analysis.reconcile import Array, Error, Model, Solution

TRIALS = 20_000
SEED = 20261125
MOST_STEPS = 12
CONVERGED = 1e-8


def draw_errors(errors: tuple[Error, ...], trials: int, seed: int) -> Array:
    """Standardised draws: one row a trial, one column an error, variance 1."""
    random = np.random.default_rng(seed)
    half_width = np.sqrt(3.0)
    columns = [
        random.uniform(-half_width, half_width, trials)
        if error.shape == "rectangular"
        else random.standard_normal(trials)
        for error in errors
    ]
    return np.stack(columns, axis=-1) if columns else np.zeros((trials, 0))


def reconciled_trials(solution: Solution, trials: int = TRIALS, seed: int = SEED) -> Array:
    """The steps of every trial: the observations moved by drawn errors, reconciled anew.

    Undetermined directions keep their start, on which no determined quantity depends.
    """
    problem = solution.problem
    found = np.array([o.value for o in problem.observations])
    errors = draw_errors(problem.errors, trials, seed) @ problem.effects().T
    drawn = found + errors
    root = np.linalg.inv(np.linalg.cholesky(solution.covariance))
    basis = _determined(solution)
    steps = solution.steps + errors @ solution.gain.T  # first order, a start
    for _ in range(MOST_STEPS):
        white = root @ problem.slopes(steps) @ basis
        rest = (drawn - problem.predicted(steps)) @ root.T
        transposed = np.swapaxes(white, -1, -2)
        moves = np.linalg.solve(transposed @ white, transposed @ rest[..., None])[..., 0]
        steps = steps + moves @ basis.T
        if float(np.max(np.abs(moves))) <= CONVERGED:
            break
    return steps


def interval(
    solution: Solution, steps: Array, model: Model, coverage: float = 0.95
) -> tuple[float, float]:
    """The probabilistically symmetric coverage interval of a quantity (JCGM 101, 7.7)."""
    drawn = np.broadcast_to(model(solution.problem.values(steps)), steps.shape[:1])
    low, high = np.quantile(drawn, [(1.0 - coverage) / 2.0, (1.0 + coverage) / 2.0])
    return float(low), float(high)


def _determined(solution: Solution) -> Array:
    """Columns: an orthonormal basis of the directions the observations determine."""
    open_directions = solution.undetermined
    full, _, _ = np.linalg.svd(
        np.eye(len(solution.steps)) - open_directions @ open_directions.T, full_matrices=True
    )
    return np.asarray(full[:, : len(solution.steps) - open_directions.shape[1]])
