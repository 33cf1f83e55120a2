"""Propagation of distributions by Monte Carlo, JCGM 101:2008, for models that are not linear.

Draws each source once a trial and adds it to every input that rests on it, so that inputs
stay correlated as they are. Vectorised and seeded: the same seed gives the same result.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from runner.analysis.uncertainty import Source, Uncertain

Trials = NDArray[np.float64]
TRIALS = 200_000
"""Twenty times 1 / (1 - 0.95) thousandfold: two digits of a 95 % interval (JCGM 101, 7.2.2)."""


@dataclass(frozen=True, slots=True)
class Spread:
    """What a quantity comes out as: mean, standard uncertainty, shortest coverage interval."""

    value: float
    u: float
    low: float
    high: float
    coverage: float
    trials: int


def propagate(
    model: Callable[..., Trials],
    inputs: Sequence[Uncertain | float],
    *,
    trials: int = TRIALS,
    coverage: float = 0.95,
    seed: int = 0,
) -> Spread:
    """Mean, standard uncertainty and shortest interval of `model` of these inputs.

    `model` takes one array of trials an input and works element by element.
    """
    return spread(model(*draws(inputs, trials, seed)), coverage)


def draws(inputs: Sequence[Uncertain | float], trials: int, seed: int) -> list[Trials]:
    """An array of trials for each input; sources that inputs share are drawn once."""
    random = np.random.default_rng(seed)
    values = [np.full(trials, x.value if isinstance(x, Uncertain) else float(x)) for x in inputs]
    parts = [x.parts if isinstance(x, Uncertain) else {} for x in inputs]
    for source in dict.fromkeys(source for own in parts for source in own):
        drawn = _standard(source, random, trials)
        for value, own in zip(values, parts, strict=True):
            if own.get(source):
                value += own[source] * drawn
    return values


def _standard(source: Source, random: np.random.Generator, trials: int) -> Trials:
    """Draws with mean 0 that a standard uncertainty scales, JCGM 101:2008, 6.4 (Table 1).

    A series of few readings is a Student's t with its degrees of freedom (6.4.9.2), wider than
    its standard uncertainty says.
    """
    match source.shape:
        case "rectangular":
            drawn = random.random(trials)
            drawn -= 0.5
            drawn *= math.sqrt(12.0)
            return drawn
        case "triangular":
            return math.sqrt(6.0) * (random.random(trials) + random.random(trials) - 1.0)
        case "arcsine":
            return math.sqrt(2.0) * np.sin(math.tau * random.random(trials))
    if math.isfinite(source.dof):
        return random.standard_t(source.dof, trials)
    return random.standard_normal(trials)


def spread(results: Trials, coverage: float = 0.95) -> Spread:
    """Mean, standard deviation (7.6) and shortest coverage interval (7.7) of trial results."""
    low, high = shortest_interval(results, coverage)
    u = float(np.std(results, ddof=1))
    return Spread(float(np.mean(results)), u, low, high, coverage, len(results))


def shortest_interval(results: Trials, coverage: float) -> tuple[float, float]:
    """The shortest interval that holds `coverage` of the results, JCGM 101:2008, 7.7."""
    ordered = np.sort(results)
    inside = math.floor(coverage * len(ordered) + 0.5)
    if not 0 < inside < len(ordered):
        raise ValueError(f"coverage {coverage!r} of {len(ordered)} trials leaves nothing outside")
    first = int(np.argmin(ordered[inside:] - ordered[:-inside]))
    return float(ordered[first]), float(ordered[first + inside])
