"""How honest the predicted end of a soak is: seeded networks of every kind, cover and time.

Each soak is ended as a run would end it, at 1 K with 95 %. Run by hand; prints a line a kind.
The kinds after `correlated` are outside what two time constants can follow.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from tests.runner.analysis.warm_ups import Network, Trace, drawn, soaked, stopped_at, warm_start

Kind = Callable[[int], Trace]
LASTING_S = 4000.0
MOST_K = 110.0


def third_stage(seed: int, share: float) -> Network:
    """A network with a third, slower stage of a share of the others."""
    plain = drawn(seed)
    slow_s = np.random.default_rng(30_000 + seed).uniform(2.5, 5.0) * plain.tau_s[1]
    more = (*plain.k_per_w, share * sum(plain.k_per_w))
    return replace(plain, k_per_w=more, tau_s=(*plain.tau_s, slow_s))


KINDS: dict[str, Kind] = {
    "cold": lambda s: soaked(drawn(s), s, lasting_s=LASTING_S),
    "warm": lambda s: soaked(drawn(s, start_k=warm_start(s)), s, lasting_s=LASTING_S),
    "loss compounds": lambda s: soaked(drawn(s, bends=True), s, lasting_s=LASTING_S),
    "convection": lambda s: soaked(drawn(s, cools_better=0.001), s, lasting_s=LASTING_S),
    "noise 0.02 K": lambda s: soaked(drawn(s), s, noise_k=0.02, lasting_s=LASTING_S),
    "correlated 3 s": lambda s: soaked(drawn(s), s, correlation=0.5, lasting_s=LASTING_S),
    "correlated 9 s": lambda s: soaked(drawn(s), s, correlation=0.8, lasting_s=LASTING_S),
    "third stage 2 %": lambda s: soaked(third_stage(s, 0.02), s, lasting_s=LASTING_S),
    "third stage 10 %": lambda s: soaked(third_stage(s, 0.10), s, lasting_s=LASTING_S),
}


def main(trials: int = 50) -> None:
    """Print cover, error and time of each kind."""
    for name, made in KINDS.items():
        off_k, u_k, times_s, none = list[float](), list[float](), list[float](), 0
        for seed in range(trials):
            trace = made(seed)
            if trace.network.end_k() > MOST_K:
                continue  # a soak is stopped at its limit before that
            t_s, end = stopped_at(trace)
            if end is None:
                none += 1
                continue
            off_k.append(end.rise_k - trace.network.end_k())
            u_k.append(end.u_k)
            times_s.append(t_s / trace.network.tau_s[1])
        cover = np.mean(np.abs(off_k) <= 2.0 * np.array(u_k))
        rms_k = np.sqrt(np.mean(np.square(off_k)))
        print(
            f"{name:17s} {len(off_k):3d} ended, {none} waited out; after "
            f"{np.mean(times_s):.2f} slow time constants; error {rms_k:.2f} K rms, U "
            f"{2.0 * np.mean(u_k):.2f} K, covers {100.0 * cover:.0f} %",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
