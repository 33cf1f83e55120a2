"""Made-up warm-ups whose end is known: Foster networks under a loss that grows with heat.

Each stage is advanced by exact exponential steps of half a second; the end is where heat and
loss agree, by bisection. Independent of the fits they are given to.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq

from runner.analysis.warming import Z_95, End, WarmUp, predicted_end

Array = NDArray[np.float64]
AIR_C = 25.0
EVERY_S, STEPS = 2.0, 4


@dataclass(frozen=True)
class Network:
    """Stages [K/W] and [s], loss at 25 °C [W] and its growth; `bends` makes it exponential.

    `cools_better` [1/K] lowers the resistance with the rise, as free convection does.
    """

    k_per_w: tuple[float, ...]
    tau_s: tuple[float, ...]
    loss_25_w: float
    growth_per_k: float = 0.003
    bends: bool = False
    cools_better: float = 0.0
    start_k: tuple[float, ...] = ()

    def loss_w(self, rise_k: float) -> float:
        """Loss with the spot so far above 25 °C air [W]."""
        if self.bends:
            return self.loss_25_w * math.exp(self.growth_per_k * rise_k)
        return self.loss_25_w * (1.0 + self.growth_per_k * rise_k)

    def resistance(self, rise_k: float) -> float:
        """Of all stages together, as a share of the stated [1]."""
        return 1.0 - self.cools_better * rise_k

    def end_k(self, most_k: float = 400.0) -> float:
        """Where the rise ends [K]; inf where it does not."""

        def short_k(rise_k: float) -> float:
            return sum(self.k_per_w) * self.resistance(rise_k) * self.loss_w(rise_k) - rise_k

        return float(brentq(short_k, 0.0, most_k)) if short_k(most_k) < 0.0 else math.inf


@dataclass
class Trace:
    """A soak of a network, reading by reading."""

    network: Network
    times_s: Array
    rises_k: Array
    plosses_w: Array
    airs_c: Array = field(default_factory=lambda: np.empty(0))

    def until(self, t_s: float) -> WarmUp:
        """What is seen by then."""
        n = int(np.searchsorted(self.times_s, t_s)) + 1
        return WarmUp(
            self.times_s[:n].tolist(),
            self.rises_k[:n].tolist(),
            self.plosses_w[:n].tolist(),
            self.airs_c[:n].tolist(),
        )


def soaked(
    network: Network,
    seed: int,
    *,
    noise_k: float = 0.1,
    correlation: float = 0.0,
    lasting_s: float = 2400.0,
    disturbed: Callable[[float], float] = lambda t_s: 0.0,
    air: Callable[[float], float] = lambda t_s: AIR_C,
    resistance: Callable[[float], float] = lambda t_s: 1.0,
) -> Trace:
    """Readings every 2 s with noise in the rise and 0.3 % in the loss.

    `disturbed` adds to the rise [K], `resistance` multiplies all resistances, by time.
    """
    random, tau_s = np.random.default_rng(seed), np.array(network.tau_s)
    k_per_w, kept = np.array(network.k_per_w), np.exp(-EVERY_S / STEPS / tau_s)
    state = np.array(network.start_k or (0.0,) * len(tau_s))
    times_s = np.arange(0.0, lasting_s + 1.0, EVERY_S)
    rises, losses = [], []
    for t_s in times_s:
        rises.append(float(state.sum()))
        losses.append(network.loss_w(rises[-1]))
        for _ in range(STEPS):
            rise_k = float(state.sum())
            heat_k = k_per_w * resistance(t_s) * network.resistance(rise_k) * network.loss_w(rise_k)
            state = kept * state + (1.0 - kept) * heat_k
    noise = random.standard_normal(len(times_s))
    for k in range(1, len(noise)):
        noise[k] = correlation * noise[k - 1] + math.sqrt(1.0 - correlation**2) * noise[k]
    seen_k = np.array(rises) + noise_k * noise + np.array([disturbed(t) for t in times_s])
    seen_w = np.array(losses) * (1.0 + 0.003 * random.standard_normal(len(times_s)))
    return Trace(network, times_s, seen_k, seen_w, np.array([air(t) for t in times_s]))


def drawn(seed: int, **more: object) -> Network:
    """A network as modules have them, by seed; up to some 100 K of rise."""
    random = np.random.default_rng(10_000 + seed)
    k_per_w = (random.uniform(2.0, 15.0), random.uniform(5.0, 25.0))
    tau_s = (random.uniform(8.0, 60.0), random.uniform(150.0, 600.0))
    loss_w = random.uniform(25.0, 60.0) / sum(k_per_w)
    growth = random.uniform(0.0, 0.006)
    return Network(k_per_w, tau_s, loss_w, growth, **more)  # type: ignore[arg-type]


def warm_start(seed: int) -> tuple[float, float]:
    """What two stages may have left of the load before [K]."""
    random = np.random.default_rng(20_000 + seed)
    return random.uniform(0.0, 25.0), random.uniform(0.0, 60.0)


def stopped_at(trace: Trace, within_k: float = 1.0, looks: int = 2) -> tuple[float, End | None]:
    """When a soak would be ended by prediction [s], and the end told; None where it would not."""
    t_s, good = 180.0, 0
    while t_s < trace.times_s[-1]:
        end = predicted_end(trace.until(t_s))
        good = good + 1 if end and not end.why and Z_95 * end.u_k <= within_k else 0
        if good == looks:
            return t_s, end
        t_s += max(30.0, 0.1 * t_s)
    return math.inf, None
