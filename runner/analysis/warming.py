"""Where a warm-up ends before it has ended, with an uncertainty, or why that cannot be told.

Called by a soak with what it has seen so far; pure, and deterministic. The numbers are in
`foster.py`. The measured loss drives the fit, so that a loss that grows with heat is followed
instead of guessed. It knows no limit of a module but the one it is given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from runner.analysis.foster import (
    Array,
    Foster,
    Loss,
    Means,
    Noise,
    fit_beside,
    fit_foster,
    fit_loss,
    in_windows,
    noise_of,
)

LEAST_S = 180.0
LEAST_READINGS = 40
"""No end is told of less."""
HELD_OUT = 0.3
"""The last share of a soak, which the fit to the rest must have foretold."""
MOST_SIGMAS = 3.0
LEAST_MISFIT_K = 0.1
"""A tail further off what was foretold than both, or a fit that leaves more than this many times
the noise, is no warm-up of two time constants in still air."""
SHARE_OF_REST, SHARE_OF_END = 0.03, 0.005
"""Limits of what two time constants miss of a module that has more: as a share of the rise still
to come, and of the whole for a slow stage that does not show yet (common practice, no source)."""
LEAST_NOISE_K = 0.01
MOST_WITHOUT_END = 0.01
DRAWS = 1000
ROOT_3 = math.sqrt(3.0)
Z_95 = 1.959964
NEAR_K = 0.5
"""No further from its end than this, a module has no slow stage that would have to be seen."""
LEAST_SEEN = 0.7
"""Slow time constants seen before a module is called hopeless."""
NO_END = "the loss may grow faster than the heat goes away"


@dataclass(frozen=True, slots=True)
class WarmUp:
    """A soak so far, reading by reading: time [s], rise above the air [K], loss [W], air [°C]."""

    times_s: Sequence[float]
    rises_k: Sequence[float]
    plosses_w: Sequence[float]
    airs_c: Sequence[float]


@dataclass(frozen=True, slots=True)
class End:
    """Where a rise ends [K], inf where it has no end, and the loss there over the loss now.

    `stat_u_k` is what the fit leaves open, `model_u_k` what its form does. `without` is the
    probability that there is no end, `above` that it lies above the limit; `seen` is the time so
    far in slow time constants. `why` says why the end is not to be believed; empty where it is.
    """

    rise_k: float
    stat_u_k: float
    model_u_k: float
    loss_ratio: float
    time_constants_s: tuple[float, float]
    without: float
    above: float
    seen: float
    why: str = ""

    @property
    def hopeless(self) -> float:
        """Probability that the limit is passed or no end reached; 0 before that can be told.

        In the first part of the slow time constant a long one with a high end fits as well, and
        counts for too much among all that fit.
        """
        return max(self.without, self.above) if self.seen >= LEAST_SEEN else 0.0

    @property
    def u_k(self) -> float:
        """Standard uncertainty of the end [K]."""
        return math.hypot(self.stat_u_k, self.model_u_k)


def predicted_end(seen: WarmUp, limit_k: float = math.inf) -> End | None:
    """Where the rise ends; None of a trace too short. `limit_k` is the rise not to be passed.

    All pairs of time constants count as well as they fit, with amplitudes free, for a module
    may start warm. The end is where resistance times loss gives the rise that the loss belongs to.
    In its uncertainty: noise, correlated as seen; what time constants, resistance and growth of
    the loss leave open; how the loss might bend on; how far another end the earlier part foretold;
    what the air moved; and `SHARE_OF_REST` and `SHARE_OF_END`.
    """
    trace = _Trace.of(seen, seen.rises_k)
    if trace is None:
        return None
    loss = fit_loss(trace.means)
    driven = trace.driven_by(loss.at_w(trace.means.rises_k))
    ends_k, losses_w = _ends(driven.whole.resistances(DRAWS), loss)
    ratio = float(np.median(losses_w) / driven.losses_w[-1])
    without, above = float(np.mean(np.isinf(ends_k))), float(np.mean(ends_k > limit_k))
    taus_s = driven.whole.time_constants_s
    if without > MOST_WITHOUT_END:
        bare = (math.inf, math.inf, math.inf)
        return End(*bare, ratio, taus_s, without, above, driven.seen, NO_END)
    rise_k, stat_u_k = _middle(ends_k)
    earlier = _middle(_ends(driven.part.resistances(DRAWS), loss)[0])
    model_u_k = driven.model_u_k(rise_k, stat_u_k, earlier, _moved_k(seen.airs_c))
    model_u_k = math.hypot(model_u_k, _bent_k(loss, rise_k) / ROOT_3)
    far = abs(rise_k - float(trace.means.rises_k[-1])) > NEAR_K
    why = (driven.too_soon() if far else "") or driven.why_not()
    return End(rise_k, stat_u_k, model_u_k, ratio, taus_s, without, above, driven.seen, why)


def end_beside(seen: WarmUp, rises_k: Sequence[float]) -> tuple[float, float] | None:
    """Where another rise of the same soak ends, and its standard uncertainty [K]; or None.

    `seen` is the rise that the loss grows with. None where either does not fit.
    """
    spot, beside = _Trace.of(seen, seen.rises_k), _Trace.of(seen, rises_k)
    if spot is None or beside is None:
        return None
    loss = fit_loss(spot.means)
    losses_w = loss.at_w(spot.means.rises_k)
    leading = spot.driven_by(losses_w)
    ends_w = _ends(leading.whole.resistances(DRAWS), loss)[1]
    driven = beside.driven_by(losses_w, leading)
    rise_k, stat_u_k = _middle(driven.whole.resistances(DRAWS) * ends_w)
    earlier = _middle(driven.part.resistances(DRAWS) * ends_w)
    model_u_k = driven.model_u_k(rise_k, stat_u_k, earlier, _moved_k(seen.airs_c))
    return None if driven.why_not() else (rise_k, math.hypot(stat_u_k, model_u_k))


# ------------------------------------------------------------------- whole and earlier part


@dataclass(frozen=True, slots=True)
class _Trace:
    """A rise in windows, how many of them are the earlier part, and the readings' noise."""

    means: Means
    early: int
    noise: Noise

    @classmethod
    def of(cls, seen: WarmUp, rises_k: Sequence[float]) -> _Trace | None:
        times_s, rises = np.array(seen.times_s, float), np.array(rises_k, float)
        if len(times_s) < LEAST_READINGS or times_s[-1] - times_s[0] < LEAST_S:
            return None
        means = in_windows(times_s, rises, np.array(seen.plosses_w, float))
        early = int(np.sum(means.times_s <= (1.0 - HELD_OUT) * means.times_s[-1]))
        noise_k = max(noise_of(rises[len(rises) // 2 :]), LEAST_NOISE_K)
        return cls(means, early, Noise(times_s - times_s[0], rises, noise_k))

    def _noise_until(self, end_s: float) -> Noise:
        n = int(np.sum(self.noise.times_s <= end_s))
        return Noise(self.noise.times_s[:n], self.noise.rises_k[:n], self.noise.least_k)

    def driven_by(self, losses_w: Array, beside: _Driven | None = None) -> _Driven:
        first, n = self.means, self.early
        first = Means(first.times_s[:n], first.rises_k[:n], first.plosses_w[:n], first.counts[:n])
        if beside is None:
            whole = fit_foster(self.means, losses_w, self.noise)
            part = fit_foster(first, losses_w[:n], self._noise_until(float(first.times_s[-1])))
        else:
            noise = self._noise_until(float(first.times_s[-1]))
            whole = fit_beside(self.means, losses_w, self.noise, beside.whole)
            part = fit_beside(first, losses_w[:n], noise, beside.part)
        return _Driven(self, losses_w, whole, part)


@dataclass(frozen=True, slots=True)
class _Driven:
    """The fits to a trace and to its earlier part, under the loss [W] in each window."""

    trace: _Trace
    losses_w: Array
    whole: Foster
    part: Foster

    def model_u_k(
        self, rise_k: float, stat_u_k: float, earlier: tuple[float, float], air_k: float
    ) -> float:
        """What the form of the fit leaves open [K]: limits of rectangles, added in squares."""
        earlier_k, earlier_u_k = earlier
        expected_k2 = max(0.0, earlier_u_k**2 - stat_u_k**2)
        limits_k2 = max(0.0, (rise_k - earlier_k) ** 2 - expected_k2) + air_k**2
        left_k = rise_k - float(self.trace.means.rises_k[-1])
        limits_k2 += (SHARE_OF_REST * left_k) ** 2 + (SHARE_OF_END * rise_k) ** 2
        return math.sqrt(limits_k2) / ROOT_3

    @property
    def seen(self) -> float:
        """The time so far in slow time constants."""
        return float(self.trace.means.times_s[-1]) / self.whole.time_constants_s[1]

    def too_soon(self) -> str:
        """Less than one slow time constant seen: what is slower would not show."""
        if self.seen >= 1.0:
            return ""
        slow_s = self.whole.time_constants_s[1]
        return f"less than one time constant of {slow_s:.0f} s was seen"

    def why_not(self) -> str:
        """Why the fit is not to be believed; empty where it is."""
        return self._misfit() or self._unforetold()

    def _misfit(self) -> str:
        left_k = self.trace.means.rises_k - self.whole.fitted_k
        misfit_k = float(np.sqrt(np.mean(left_k**2)))
        if misfit_k <= max(LEAST_MISFIT_K, MOST_SIGMAS * self.trace.noise.least_k):
            return ""
        return f"{misfit_k:.2f} K about the fit: the air, a fan or the load is not steady"

    def _unforetold(self) -> str:
        """Whether the tail is where the fit to the earlier part said; else in words."""
        means, tail = self.trace.means, slice(self.trace.early, None)
        told_k, sd_k = self.part.rises_k(means.times_s, self.losses_w)
        off_k = float(np.average((means.rises_k - told_k)[tail], weights=means.counts[tail]))
        noise_k = self.whole.noise_k / math.sqrt(float(means.counts[tail].sum()))
        doubt_k = math.hypot(float(np.mean(sd_k[tail])), noise_k)
        if abs(off_k) <= max(LEAST_MISFIT_K, MOST_SIGMAS * doubt_k):
            return ""
        return (
            f"the last {100 * HELD_OUT:.0f} % of the soak are {off_k:+.2f} K off what was foretold"
        )


# ------------------------------------------------------------------------------ the end


def _ends(k_per_w: Array, loss: Loss) -> tuple[Array, Array]:
    """For each resistance the rise [K] at which the loss there [W] holds it; inf without one."""
    q0, q1, q2 = loss.drawn(len(k_per_w)).T
    bend, hold, short = k_per_w * q2, 1.0 - k_per_w * q1, k_per_w * q0 - loss.middle_k
    inside = hold**2 - 4.0 * bend * short
    slope = hold + np.sqrt(np.maximum(inside, 0.0))
    ends = (inside >= 0.0) & (slope > 0.0)
    z = 2.0 * short / np.where(ends, slope, 1.0)
    return np.where(ends, loss.middle_k + z, math.inf), q0 + z * (q1 + q2 * z)


def _bent_k(loss: Loss, rise_k: float) -> float:
    """How much higher the end would be if the loss grew as an exponential does [K].

    The first term that a parabola has not, (g z)^3 / 6, carried round the loop of loss and heat.
    """
    q0, q1, q2 = loss.terms.tolist()
    z = rise_k - loss.middle_k
    k_per_w = rise_k / max(q0 + z * (q1 + q2 * z), 1e-9)
    hold = 1.0 - k_per_w * (q1 + 2.0 * q2 * z)
    return math.inf if hold <= 0.0 else k_per_w * q0 * abs(q1 / q0 * z) ** 3 / 6.0 / hold


def _middle(ends_k: Array) -> tuple[float, float]:
    """Median, and the standard deviation a normal distribution of the same 95 % would have."""
    finite = ends_k[np.isfinite(ends_k)]
    low_k, middle_k, high_k = (float(k) for k in np.quantile(finite, (0.025, 0.5, 0.975)))
    return middle_k, (high_k - low_k) / (2.0 * Z_95)


def _moved_k(airs_c: Sequence[float]) -> float:
    """By how much the air went up and down [K], its noise averaged out."""
    size = max(1, len(airs_c) // 10)
    means = [float(np.mean(airs_c[k : k + size])) for k in range(0, len(airs_c) - size + 1, size)]
    return max(means) - min(means)
