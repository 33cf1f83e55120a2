"""Two thermal time constants and their resistances from a warm-up, with all they leave open.

The numbers behind `warming.py`, pure and deterministic. Source of the form: JEDEC JESD51-14
(2010), the Foster form of a thermal impedance, a sum of R (1 - exp(-t / tau)) (from memory).
Every pair of time constants between bounds is weighed by how well it fits with its amplitudes
free: linear regression with wide Gaussian priors, worked out exactly for each pair.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr

Array = NDArray[np.float64]
Bounds = tuple[tuple[float, float], ...]

TAU_S: Bounds = ((4.0, 400.0), (30.0, 6000.0))
"""Between these a module's two time constants are looked for [s]: part on board, board in air
(common practice, no source)."""
LEAST_RATIO = 1.5
"""The slow one is at least so many times the fast one; closer, they are one."""
GRID, ROUNDS = 14, 5
NEGLECTED = 12.0
"""A pair e^12 times less likely than the best is left out of the next, finer round."""

RESISTANCES = 5.0
START_K = 2.0
"""Widths of the priors: of each resistance, in rises per loss seen; of what each stage has at the
start beside half the rise then, give or take that half [K]."""
GROWTH_PER_K, GROWTH_U_PER_K, BEND_U_PER_K2 = 0.002, 0.005, 1e-5
"""What is thought of the growth of a loss before it is seen: copper 0.004, the drop of a diode
-0.002, each a share of the whole; bent as exp(0.0045 dT) is (common practice, no source)."""

FEWEST_MEANS = 6
LEAST_LOSS_NOISE = 1e-5
"""The noise of a loss is not taken smaller than this share of it."""

WIDENING = 0.04
"""Readings are averaged over windows of this share of their time: the least of the two time
constants that is still seen then is 25 windows long."""


@dataclass(frozen=True, slots=True)
class Means:
    """A warm-up in windows that widen: time since its start [s], rise [K], loss [W], readings."""

    times_s: Array
    rises_k: Array
    plosses_w: Array
    counts: Array


@dataclass(frozen=True, slots=True)
class Noise:
    """Readings [s], [K] and the least noise of one of them: a fit tells how much it really is."""

    times_s: Array
    rises_k: Array
    least_k: float

    def about(self, means: Means, fitted_k: Array) -> float:
        """Noise of one reading [K], as large as it has to be for means of up to 64 to scatter so.

        Readings that hang together average out slower than single ones; so does a misfit.
        """
        left_k = self.rises_k - np.interp(self.times_s, means.times_s, fitted_k)
        found_k = [self.least_k]
        for together in (1, 2, 4, 8, 16, 32, 64):
            n = len(left_k) // together
            if n >= FEWEST_MEANS:
                batches = left_k[: n * together].reshape(n, together).mean(axis=1)
                found_k.append(float(batches.std(ddof=1)) * math.sqrt(together))
        return max(found_k)


@dataclass(frozen=True, slots=True)
class Loss:
    """A loss [W] over the rise z + `middle_k` [K]: q0 + q1 z + q2 z^2, with its covariance."""

    middle_k: float
    terms: Array
    covariance: Array

    def at_w(self, rises_k: Array) -> Array:
        """The loss [W] at these rises."""
        return np.asarray(np.polyval(self.terms[::-1], rises_k - self.middle_k), float)

    def drawn(self, draws: int) -> Array:
        """Terms as they may be, a row a draw."""
        random = np.random.default_rng(1)
        return random.multivariate_normal(self.terms, self.covariance, draws)


@dataclass(frozen=True, slots=True)
class Foster:
    """Pairs of time constants [s] with their weights, and of each its amplitudes.

    The amplitudes are R1, R2 [K/W] and what each stage had at the start [K], with `covariances`.
    `fitted_k` is the most likely course at the windows, `noise_k` that of one reading about it.
    """

    pairs: Array
    weights: Array
    amplitudes: Array
    covariances: Array
    fitted_k: Array
    noise_k: float

    @property
    def time_constants_s(self) -> tuple[float, float]:
        """Their geometric means over all pairs [s]."""
        fast_s, slow_s = np.exp(self.weights @ np.log(self.pairs))
        return float(fast_s), float(slow_s)

    def resistances(self, draws: int) -> Array:
        """R1 + R2 as it may be [K/W], a draw each; only draws with neither below zero."""
        random = np.random.default_rng(0)
        picked = random.choice(len(self.weights), size=4 * draws, p=self.weights)
        roots = np.linalg.cholesky(self.covariances[:, :2, :2])
        normal = random.standard_normal((4 * draws, 2))
        drawn = self.amplitudes[picked, :2] + np.einsum("dkl,dl->dk", roots[picked], normal)
        kept = drawn[(drawn >= 0.0).all(axis=1)][:draws]
        rows: Array = np.resize(kept if len(kept) else np.abs(drawn), (draws, 2))
        return np.asarray(rows.sum(axis=1), float)

    def rises_k(self, times_s: Array, loss_w: Array) -> tuple[Array, Array]:
        """The rise at these times under this loss: its mean and standard deviation [K]."""
        columns = _columns(times_s, loss_w, self.pairs)
        fits = np.einsum("pnk,pk->pn", columns, self.amplitudes)
        variances = np.einsum("pnk,pkl,pnl->pn", columns, self.covariances, columns)
        mean = self.weights @ fits
        return mean, np.sqrt(self.weights @ (variances + (fits - mean) ** 2))


# ------------------------------------------------------------------------- readings


def in_windows(times_s: Array, rises_k: Array, plosses_w: Array) -> Means:
    """The readings averaged over windows that widen with time."""
    since_s = times_s - times_s[0]
    starts = [0]
    for k, t_s in enumerate(since_s):
        if t_s - since_s[starts[-1]] > WIDENING * t_s:
            starts.append(k)
    counts = np.diff([*starts, len(since_s)]).astype(float)
    columns = np.column_stack((since_s, rises_k, plosses_w))
    sums = np.add.reduceat(columns, starts, axis=0) / counts[:, None]
    return Means(sums[:, 0], sums[:, 1], sums[:, 2], counts)


def noise_of(values: Array) -> float:
    """Standard deviation of white noise on a smooth trace, from its second differences.

    By their median, so that a spike or a step does not count; 0.6745 is that of a normal one.
    """
    return float(np.median(np.abs(np.diff(values, 2)))) / 0.6745 / math.sqrt(6.0)


# ------------------------------------------------------------------------------ fits


def fit_loss(means: Means) -> Loss:
    """The loss as a parabola over the rise: two traces of one and the same warm-up."""
    z, counts = means.rises_k, means.counts
    middle_k = float(np.average(z, weights=counts))
    mean_w = float(np.average(means.plosses_w, weights=counts))
    terms = np.vander(z - middle_k, 3, increasing=True)
    expected = np.array([0.0, GROWTH_PER_K * mean_w, 0.0])
    doubt = np.array([math.inf, GROWTH_U_PER_K * mean_w, BEND_U_PER_K2 * mean_w])
    prior = np.diag(1.0 / doubt**2)
    sd_w = least_w = LEAST_LOSS_NOISE * mean_w
    for _ in range(3):  # with the scatter that the fit before left
        covariance = np.linalg.inv(terms.T @ (terms * counts[:, None]) / sd_w**2 + prior)
        found = covariance @ (terms.T @ (means.plosses_w * counts) / sd_w**2 + prior @ expected)
        left_w = means.plosses_w - terms @ found
        sd_w = max(least_w, math.sqrt(float(counts @ left_w**2) / max(1, len(z) - 3)))
    return Loss(middle_k, np.asarray(found, float), np.asarray(covariance, float))


def fit_foster(means: Means, loss_w: Array, noise: Noise) -> Foster:
    """Weigh all pairs of time constants, finer and finer about those that fit.

    Once with the least noise, and again with what that leaves.
    """
    first = _weighed(means, loss_w, noise.least_k)
    noise_k = noise.about(means, first.fitted_k)
    return _weighed(means, loss_w, noise_k) if noise_k > 1.1 * noise.least_k else first


def fit_beside(means: Means, loss_w: Array, noise: Noise, spot: Foster) -> Foster:
    """Another rise of the same warm-up: a network has the same time constants at every node."""
    first = _beside(means, loss_w, noise.least_k, spot)
    return _beside(means, loss_w, noise.about(means, first.fitted_k), spot)


def _beside(means: Means, loss_w: Array, noise_k: float, spot: Foster) -> Foster:
    sd_k = noise_k / np.sqrt(means.counts)
    log_p, _, amplitudes, covariances = _regressed(means, sd_k, loss_w, spot.pairs)
    with np.errstate(divide="ignore"):
        log_p = log_p + np.log(spot.weights)
    return _found(means, loss_w, spot.pairs, log_p, amplitudes, covariances, noise_k)


def _weighed(means: Means, loss_w: Array, noise_k: float) -> Foster:
    bounds, sd_k = TAU_S, noise_k / np.sqrt(means.counts)
    for _ in range(ROUNDS):
        pairs = _grid(bounds)
        log_p, chi2, amplitudes, covariances = _regressed(means, sd_k, loss_w, pairs)
        excess = max(1.0, float(chi2.min()) / len(means.times_s))  # a coarse grid fits badly
        bounds = _closer(bounds, pairs[log_p > log_p.max() - NEGLECTED * excess])
    return _found(means, loss_w, pairs, log_p, amplitudes, covariances, noise_k)


def _found(
    means: Means,
    loss_w: Array,
    pairs: Array,
    log_p: Array,
    amplitudes: Array,
    covariances: Array,
    noise_k: float,
) -> Foster:
    weights, best = np.exp(log_p - log_p.max()), int(log_p.argmax())
    fitted_k = _columns(means.times_s, loss_w, pairs[best : best + 1])[0] @ amplitudes[best]
    return Foster(pairs, weights / weights.sum(), amplitudes, covariances, fitted_k, noise_k)


def _grid(bounds: Bounds) -> Array:
    fast_s, slow_s = (np.geomspace(*bound, GRID) for bound in bounds)
    pairs = np.array([(one, other) for one in fast_s for other in slow_s])
    apart = pairs[:, 1] >= LEAST_RATIO * pairs[:, 0]
    return pairs[apart] if apart.any() else pairs


def _closer(bounds: Bounds, kept: Array) -> Bounds:
    """Bounds about the pairs kept, two cells wider on each side."""
    closer = []
    for k, (low_s, high_s) in enumerate(bounds):
        cells = (high_s / low_s) ** (2.0 / (GRID - 1))
        least_s, most_s = float(kept[:, k].min()), float(kept[:, k].max())
        closer.append((max(low_s, least_s / cells), min(high_s, most_s * cells)))
    return tuple(closer)


def _regressed(
    means: Means, sd_k: Array, loss_w: Array, pairs: Array
) -> tuple[Array, Array, Array, Array]:
    """Of each pair: logarithm of its weight, chi-squared, amplitudes and their covariance."""
    columns = _columns(means.times_s, loss_w, pairs)
    per_w = float(np.abs(means.rises_k).max() / max(float(np.abs(loss_w).mean()), 1e-9)) + 1e-9
    half_k = float(np.mean(means.rises_k[:3])) / 2.0
    expected = np.array([per_w / 2.0, per_w / 2.0, half_k, half_k])
    doubt = np.array([RESISTANCES * per_w] * 2 + [abs(half_k) + START_K] * 2)
    left = (means.rises_k - columns @ expected) / sd_k
    scaled = columns / sd_k[:, None]
    normal = np.einsum("pnk,pnl->pkl", scaled, scaled) + np.diag(doubt**-2.0)
    right = np.einsum("pnk,pn->pk", scaled, left)
    covariances = np.linalg.inv(normal)
    moved = np.einsum("pkl,pl->pk", covariances, right)
    chi2 = (left**2).sum(axis=1) - np.einsum("pk,pk->p", moved, right)
    amplitudes = expected + moved
    sds = np.sqrt(np.einsum("pkk->pk", covariances)[:, :2])
    not_negative = log_ndtr(amplitudes[:, :2] / sds).sum(axis=1)
    log_p = not_negative - 0.5 * (chi2 + np.linalg.slogdet(normal)[1])
    return log_p, chi2, amplitudes, covariances


def _columns(times_s: Array, loss_w: Array, pairs: Array) -> Array:
    """What each amplitude of each pair adds to the rise, by time."""
    taus_s, where = np.unique(pairs, return_inverse=True)
    lagged = _lagged(times_s, loss_w, taus_s)
    left = np.exp(-times_s / taus_s[:, None])
    fast, slow = where.reshape(pairs.shape).T
    return np.stack((lagged[fast], lagged[slow], left[fast], left[slow]), axis=2)


def _lagged(times_s: Array, loss_w: Array, taus_s: Array) -> Array:
    """First-order lags, from nothing at time 0, behind a loss of straight pieces; exact."""
    found = np.empty((len(taus_s), len(times_s)))
    state, before_s, before_w = np.zeros(len(taus_s)), 0.0, float(loss_w[0])
    for k, (t_s, now_w) in enumerate(zip(times_s.tolist(), loss_w.tolist(), strict=True)):
        if t_s > before_s:
            kept = np.exp((before_s - t_s) / taus_s)
            mean = (1.0 - kept) * taus_s / (t_s - before_s)
            state = kept * state + before_w * (mean - kept) + now_w * (1.0 - mean)
        found[:, k] = state
        before_s, before_w = t_s, now_w
    return found
