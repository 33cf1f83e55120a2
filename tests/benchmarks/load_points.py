"""Nine placed loads against 25 even ones: the greatest error of the efficiency read off each curve.

Simulated modules drawn at random, from 5 to 110 % of rated load, cold; both curves are read off
as claims are judged, from points with the noise of the demo bench. Run by hand; prints ratios.
"""

from __future__ import annotations

import random
import statistics
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp, log
from typing import Any, NamedTuple

from runner.analysis.interpolation import Node, at
from runner.analysis.judged_points import SAME_LOAD
from runner.analysis.next_load import next_load
from runner.analysis.uncertainty import Uncertain
from sequences.load_sweep import first_loads, spaced
from sim.module import Twin
from tests.sim.circuit_bench import COLD, TWINS, Bench

LEAST, MOST = 0.05, 1.10
NOISE = 2e-5
"""Standard deviation of the loss of a point, of the rated input power: 0.8 mW of 40 W is what ten
readings of the demo bench leave."""
PLACES = 150
PUBLISHED = [TWINS[name] for name in ("A", "C", "G", "S")]


class Shown(NamedTuple):
    """A point as the placing sees it, cold."""

    iout_a: float
    vout_v: float
    ploss_w: float
    hot_spot_temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class Module:
    """A simulated module on a line [V], and the load it is rated for [A]."""

    twin: Twin
    line_v: float
    rated_a: float

    def loads(self) -> tuple[float, float]:
        """Smallest and greatest load of the comparison [A]."""
        return LEAST * self.rated_a, MOST * self.rated_a


def drawn(seed: int) -> Module:
    """A module nobody has seen: each loss of a known one times 1/2 to 2, both topologies."""
    dice = random.Random(seed)
    base = dice.choice([COLD, *PUBLISHED])
    topology = dice.choice(["buck", "synchronous-buck", "synchronous-buck"])
    changed: dict[str, Any] = {
        name: getattr(base, name) * exp(dice.uniform(-log(2.0), log(2.0)))
        for name in (
            "switching_frequency_hz",
            "inductance_h",
            "inductor_dcr_ohm",
            "inductor_core_ohm",
            "quiescent_a",
            "switch_resistance_ohm",
            "switch_rise_s",
            "switch_fall_s",
        )
    }
    changed |= {"topology": topology, "vout_v": dice.choice([3.3, 5.0, 9.0, 12.0])}
    if topology != "buck":
        changed["light_load"] = dice.choice(["diode-emulation", "forced-ccm"])
        changed["low_side_resistance_ohm"] = dice.uniform(0.01, 0.04)
        changed["dead_time_s"] = dice.uniform(2e-8, 8e-8)
        changed["switch_drop_v"] = 0.0
    line_v = changed["vout_v"] * dice.uniform(1.5, 3.5)
    return Module(unlimited(replace(base, **changed)), line_v, dice.uniform(1.5, 5.0))


def unlimited(twin: Twin) -> Twin:
    """The module without growth of loss, current limit, lockout or end."""
    return replace(
        twin,
        heat=replace(twin.heat, loss_growth_per_k=0.0, destroyed_temp_c=1e6),
        shutdown=replace(twin.shutdown, stop_temp_c=1e6, start_temp_c=1e6),
        limit=replace(twin.limit, kind="constant-current", current_a=50.0),
        lockout=replace(twin.lockout, start_v=2.0, stop_v=1.0),
        line_destroys_v=200.0,
    )


def truth(module: Module) -> Callable[[float], Shown]:
    """The true point at a load [A], each asked for once."""
    bench = Bench(module.twin)
    bench.supply(module.line_v, 30.0, remote_sense=True)
    known: dict[float, Shown] = {}

    def true_point(load_a: float) -> Shown:
        if load_a not in known:
            point = bench.load("CC", load_a, remote_sense=True)
            lost_w = point.vin_v * point.iin_a - point.vout_v * point.iout_a
            known[load_a] = Shown(point.iout_a, point.vout_v, lost_w)
        return known[load_a]

    return true_point


def placed(module: Module, read: Callable[[float], Shown], points: int) -> list[Shown]:
    """The points of an adaptive sweep."""
    found = [read(load_a) for load_a in first_loads(*module.loads(), module.rated_a)]
    while len(found) < points:
        following = next_load(found, (0.75 * module.rated_a,))
        if following is None:
            break
        found.append(read(following.iout_a))
    return found


def greatest_error(
    module: Module, points: Sequence[Shown], true_point: Callable[[float], Shown]
) -> float:
    """Of the efficiency (0..1) read off between smallest and greatest load."""
    losses = [Node(Uncertain(p.iout_a), Uncertain(p.ploss_w), ()) for p in points]
    outputs = [Node(Uncertain(p.iout_a), Uncertain(p.vout_v), ()) for p in points]
    worst = 0.0
    for load_a in spaced(*module.loads(), PLACES, "linear"):
        true, within_a = true_point(load_a), SAME_LOAD * module.rated_a
        loss, output = (at(nodes, load_a, within_a, "") for nodes in (losses, outputs))
        if loss is None or output is None:
            raise SystemExit(f"{load_a:g} A lies beyond the points")
        read = efficiency(Shown(load_a, output.y.value, loss.y.value))
        worst = max(worst, abs(read - efficiency(true)))
    return worst


def efficiency(point: Shown) -> float:
    """Output over input power."""
    pout_w = point.vout_v * point.iout_a
    return pout_w / (pout_w + point.ploss_w)


def errors(module: Module, seed: int, counts: Sequence[int], noise: float) -> list[float]:
    """Greatest errors of adaptive sweeps of so many points, and of 25 and 9 even ones at last."""
    dice = random.Random(seed)
    true_point = truth(module)
    rated = true_point(module.rated_a)
    sd_w = noise * (rated.vout_v * rated.iout_a + rated.ploss_w)

    def read(load_a: float) -> Shown:
        true = true_point(load_a)
        return true._replace(ploss_w=true.ploss_w + dice.gauss(0.0, sd_w))

    sweeps = [placed(module, read, count) for count in counts]
    sweeps += [[read(a) for a in spaced(*module.loads(), n, "linear")] for n in (25, 9)]
    return [greatest_error(module, points, true_point) for points in sweeps]


def main(modules: int = 200, first_seed: int = 1) -> None:
    """Print the distribution of the ratios, over random modules and the published circuits."""
    counts = (9, 11, 13)
    for noise, said in ((NOISE, "with the noise of the demo bench"), (0.0, "without noise")):
        cases = [drawn(seed) for seed in range(first_seed, first_seed + modules)]
        found = [errors(module, seed, counts, noise) for seed, module in enumerate(cases)]
        print(f"{modules} modules, {said}; greatest error over that of 25 even points:")
        for place, name in enumerate([*(f"{n} placed" for n in counts), "25 even", "9 even"]):
            ratios = sorted(one[place] / one[-2] for one in found)
            low, middle, high = statistics.quantiles(ratios, n=4)
            own = statistics.median(one[place] for one in found)
            print(
                f"  {name:>9}: quarter below {low:.2f}, half below {middle:.2f}, three quarters "
                f"below {high:.2f}, nine tenths below {ratios[9 * len(ratios) // 10]:.2f}; "
                f"as good or better in {sum(r <= 1.0 for r in ratios) / len(ratios):.0%}; "
                f"median error {100.0 * own:.3f} points"
            )


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
