"""Bench time to a derating curve: few soaks with a predicted end against a grid of 30 min soaks.

Modules are the circuits of tests/data/twins.toml and the demo module, their thermal networks
drawn by seed. Both ways are judged against the twin itself: the load that brings its hot spot
to the limit, from its own losses and network. Run by hand; prints ratios, errors and cover.
"""

from __future__ import annotations

import sys
import tempfile
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from random import Random

import numpy as np
from scipy.optimize import brentq

from runner import run, seam
from runner.attention import Attention
from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.report.tables import write_tables
from runner.run import execute, prepare
from runner.seam import Seam
from runner.sequence import load
from runner.steps import Reading
from sim.circuit import Circuit, SupplySetting, Wiring
from sim.load_line import LoadSetting
from sim.module import Heat, Twin
from sim.operating import demand
from sim.protection import Protection
from sim.thermal import growth
from tests.runner.live import Heard
from tests.sim.circuit_bench import DEMO, TWINS

LIMIT_C = 110.0
ROOM_C = 25.0
AMBIENTS_C = (25.0, 40.0)
FIXED = {"within_k": "1000", "over_s": "1800", "at_most_s": "1801", "predict_k": "0"}
"""A soak that ends after 30 min whatever the temperature does: every one counts as settled. Its U
takes what moved in those 30 min for what is still to go, so it is not printed."""
FEW = {"soaks": "few", "worth_at_c": ",".join(map(str, AMBIENTS_C))}
LEADS = Wiring(supply_lead_ohm=0.030, load_lead_ohm=0.040)
"""Those of the demo bench: the module's input capacitor shares its pulses with the supply's."""


@dataclass(frozen=True, slots=True)
class Sample:
    """A module to be derated: its twin, lines [V], rated load [A], and the seed of its bench."""

    name: str
    twin: Twin
    lines_v: tuple[float, float, float]
    rated_a: float
    seed: int

    def file(self) -> str:
        """Its module file."""
        low_v, usual_v, high_v = self.lines_v
        return MODULE.format(
            name=self.name,
            low_v=low_v,
            usual_v=usual_v,
            high_v=high_v,
            vout_v=self.twin.vout_true_v,
            rated_a=self.rated_a,
            most_a=1.3 * self.rated_a,
            limit_c=LIMIT_C,
        )


MODULE = """
name = "{name}"
unit = "1"
line_min_v = {low_v}
line_nominal_v = {usual_v}
line_max_v = {high_v}
vout_set_v = {vout_v}
vout_tolerance_pct = 10.0
iout_rated_a = {rated_a}
[limits]
line_abs_max_v = 36.0
iout_max_a = {most_a}
hot_spot_max_temp_c = {limit_c}
"""


class Clocked(Heard):
    """A listener that keeps the run's clock [s]."""

    last_s = 0.0

    def on_reading(self, reading: Reading) -> None:
        self.last_s = reading.t_s


def samples(seed: int) -> list[Sample]:
    """Four circuits with networks of their own, hot enough that heat limits them."""
    random = Random(seed)
    found = list[Sample]()
    for name, twin, lines_v, rated_a in (
        ("A", TWINS["A"], (9.0, 12.0, 16.0), 2.0),
        ("G", TWINS["G"], (9.0, 12.0, 16.0), 2.5),
        ("S", TWINS["S"], (9.0, 12.0, 16.0), 4.0),
        ("demo", DEMO, (20.0, 24.0, 30.0), 4.0),
    ):
        hot_w = loss_w(twin, lines_v[1], rated_a, LIMIT_C)
        k_per_w = random.uniform(0.9, 1.3) * (LIMIT_C - 40.0) / hot_w
        hot = random.uniform(0.25, 0.5)
        heat = Heat(
            hot_spot_k_per_w=hot * k_per_w,
            hot_spot_time_constant_s=random.uniform(10.0, 60.0),
            case_k_per_w=(1.0 - hot) * k_per_w,
            case_time_constant_s=random.uniform(200.0, 700.0),
            loss_growth_per_k=random.uniform(0.001, 0.005),
            destroyed_temp_c=500.0,
        )
        shutdown = replace(twin.shutdown, stop_temp_c=450.0, start_temp_c=400.0)
        limit = replace(twin.limit, current_a=2.0 * rated_a)
        twin = replace(twin, heat=heat, shutdown=shutdown, limit=limit)
        found.append(Sample(f"{name}{seed}", twin, lines_v, rated_a, 1000 * seed + len(found)))
    return found


def loss_w(twin: Twin, line_v: float, iout_a: float, hot_spot_c: float) -> float:
    """What the twin turns into heat at this load and hot spot [W]."""
    grown = growth(twin.heat, hot_spot_c)
    setting = LoadSetting(mode="CC", level=iout_a, on=True)
    circuit = Circuit(twin, Protection(), LEADS, SupplySetting(line_v, 10.0, True), setting)
    return grown * sum(demand(circuit, "on", line_v, grown, twin.vout_true_v).losses_w.values())


def truth_a(sample: Sample, line_v: float, ambient_c: float) -> float:
    """The load [A] that settles the hot spot at its limit."""
    heat = sample.twin.heat
    k_per_w = heat.hot_spot_k_per_w + heat.case_k_per_w

    def spare_w(iout_a: float) -> float:
        return loss_w(sample.twin, line_v, iout_a, LIMIT_C) - (LIMIT_C - ambient_c) / k_per_w

    return float(brentq(spare_w, 0.01, 2.0 * sample.rated_a))


def derated(sample: Sample, values: dict[str, str]) -> tuple[float, list[tuple[float, float]]]:
    """Bench time [s], and of each derated load its error [A] and expanded uncertainty [A]."""
    real = seam.open_seam

    def open_twin(bench: BenchFile, path: Path, module: ModuleFile, module_path: Path) -> Seam:
        drawn = bench.simulation | {"seed": sample.seed, "ambient_temp_c": ROOM_C}
        bench = bench.model_copy(update={"simulation": drawn})
        module = module.model_copy(update={"twin": asdict(sample.twin)})
        return real(bench, path, module, module_path)

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "module.toml").write_text(sample.file(), "utf-8")
        sequence, attention, heard = load("derating"), Attention(), Clocked()
        vars(run)["open_seam"] = open_twin
        try:
            job = prepare(
                sequence,
                sequence.values(values),
                "demo",
                str(folder / "module.toml"),
                attention,
            )
            done = execute(job, folder / "run", attention, heard)
        finally:
            vars(run)["open_seam"] = real
        if done.ending.exit_code:
            raise SystemExit(f"{sample.name}: {done.ending.message}")
        tables = write_tables(folder / "run")
    found = []
    for row, u_a in zip(tables.derated, tables.derated_u_a, strict=True):
        greatest = row.greatest
        if row.ambient_temp_c not in AMBIENTS_C or greatest is None or u_a is None:
            continue
        if greatest.limited_by == "hot-spot":
            error_a = greatest.iout_max_a - truth_a(sample, row.line.line_v, row.ambient_temp_c)
            found.append((error_a, 2.0 * u_a))
    return heard.last_s, found


def main(seeds: int = 3) -> None:
    """Print a line a module and the whole."""
    ratios = list[float]()
    errors: dict[str, list[tuple[float, float]]] = {"grid": [], "few": []}
    for seed in range(seeds):
        for sample in samples(seed):
            grid_s, on_grid = derated(sample, FIXED)
            few_s, of_few = derated(sample, FEW)
            ratios.append(few_s / grid_s)
            errors["grid"] += [(e / sample.rated_a, u / sample.rated_a) for e, u in on_grid]
            errors["few"] += [(e / sample.rated_a, u / sample.rated_a) for e, u in of_few]
            print(
                f"{sample.name:6s} grid {grid_s / 60:.0f} min, error up to {worst(on_grid):.3f} A; "
                f"few {few_s / 60:3.0f} min, error up to {worst(of_few):.3f} A, U up to "
                f"{max(u for _, u in of_few):.3f} A; ratio {few_s / grid_s:.3f}"
            )
    print(f"ratio of bench times: mean {np.mean(ratios):.3f}, greatest {max(ratios):.3f}")
    for way, found in errors.items():
        off = [abs(error) for error, _ in found]
        print(
            f"{way}: {len(found)} loads, error {100 * np.sqrt(np.mean(np.square(off))):.2f} % of "
            f"rated rms, {100 * max(off):.2f} % at most"
        )
    covered = [abs(error) <= u for error, u in errors["few"]]
    print(f"few: U covers the error in {100 * sum(covered) / len(covered):.0f} %")


def worst(found: list[tuple[float, float]]) -> float:
    """The greatest error [A]."""
    return max(abs(error) for error, _ in found)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
