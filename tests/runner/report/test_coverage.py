"""The stated intervals cover the truth: many demo benches, each with errors of its own.

The simulator draws every box's gain and offset from a seed and knows the true efficiency; the
runner and its reports see only readings and the bench file.
"""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple

import pytest
from scipy.stats import binom

from runner import journal, run
from runner.attention import Attention
from runner.report.measured import measure
from runner.report.record import gather
from runner.run import execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from runner.steps import Outcome, Point, Reading, Step
from sim.build import SimBench

BENCHES = 120
FEWEST, MOST = 107, 119
"""Of 120 independent benches with a true coverage of 95 % the interval holds the truth in
107 to 119 with a probability of 99.5 % (binomial, computed below)."""

SEQUENCE = """\
from runner import *

def sequence(setup: Setup, tare: bool = True) -> Steps:
    if tare:
        yield Tare()
    yield PowerUp(24.0)
    for load_a in (0.2, 4.0):
        yield Draw(load_a)
        yield Settle()
        yield Read()
    yield PowerDown()
"""


class Seen(NamedTuple):
    """One point: efficiency found and true, 95 % half width, whether the loss is covered."""

    found: float
    true: float
    expanded_u: float
    loss_is_covered: bool

    @property
    def is_covered(self) -> bool:
        return abs(self.found - self.true) <= self.expanded_u


class TruthTeller:
    """A listener that looks behind the scenes whenever a point was read."""

    def __init__(self) -> None:
        self.bench: SimBench | None = None
        self.powers_w: list[tuple[float, float]] = []

    def on_step(self, index: int, step: Step) -> None:
        pass

    def on_reading(self, reading: Reading) -> None:
        pass

    def on_note(self, text: str) -> None:
        pass

    def on_outcome(self, index: int, step: Step, outcome: Outcome) -> None:
        if isinstance(outcome, Point) and self.bench is not None:
            now = self.bench.world.now()
            self.powers_w.append((now.vin_v * now.iin_a, now.vout_v * now.iout_a))


def measured(folder: Path, seed: int, tare: str, monkeypatch: pytest.MonkeyPatch) -> list[Seen]:
    """Both points of one bench."""
    teller = TruthTeller()

    def open_live(*files: object) -> Seam:
        live = teller.bench = simulated_bench(*files, seed=seed)  # type: ignore[arg-type]
        return Seam(live.resource_manager(), live.clock, live.close, SIMULATED, stays_on=False)

    monkeypatch.setattr(run, "open_seam", open_live)
    monkeypatch.setattr("os.fsync", lambda descriptor: None)  # nothing is to outlive this test
    sequence = load(str(folder / "own.py"))
    attention = Attention()
    job = prepare(sequence, sequence.values({"tare": tare}), "demo", "demo", attention)
    out = folder / f"{tare}{seed}"
    execute(job, out, attention, teller)
    points = measure(gather(journal.read(out / journal.FILE_NAME))).points
    seen = []
    for point, (pin_w, pout_w) in zip(points, teller.powers_w, strict=True):
        efficiency, loss_w = point.values["efficiency"], point.values["ploss_w"]
        half_w = loss_w.expanded(shapes=True).expanded_u
        covered = abs(loss_w.value - (pin_w - pout_w)) <= half_w
        half = efficiency.expanded(shapes=True).expanded_u
        seen.append(Seen(efficiency.value, pout_w / pin_w, half, covered))
    return seen


def test_binomial_bounds_are_what_is_said() -> None:
    inside = binom.cdf(MOST, BENCHES, 0.95) - binom.cdf(FEWEST - 1, BENCHES, 0.95)
    assert inside == pytest.approx(0.995, abs=0.002)
    # An interval that covers 83 % only would pass in 4 % of cases, one that always covers never.
    assert binom.sf(FEWEST - 1, BENCHES, 0.83) == pytest.approx(0.04, abs=0.005)
    assert MOST < BENCHES


def test_95_percent_intervals_cover_the_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own.py").write_text(SEQUENCE, "utf-8")
    benches = [measured(tmp_path, seed, "yes", monkeypatch) for seed in range(1, BENCHES + 1)]
    for place, load_a in enumerate((0.2, 4.0)):
        seen = [bench[place] for bench in benches]
        assert FEWEST <= sum(one.is_covered for one in seen) <= MOST, load_a
        assert FEWEST <= sum(one.loss_is_covered for one in seen) <= MOST, load_a
        # Not by being wide: no wider than 1.3 times the half width that just covers 95 %.
        errors = sorted(abs(one.found - one.true) for one in seen)
        widths = sorted(one.expanded_u for one in seen)
        assert widths[BENCHES // 2] < 1.3 * errors[round(0.95 * BENCHES) - 1], load_a


def test_a_tare_brings_light_load_efficiency_nearer_to_the_truth(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own.py").write_text(SEQUENCE, "utf-8")
    off: dict[str, float] = {}
    for tare in ("yes", "no"):
        light = [measured(tmp_path, seed, tare, monkeypatch)[0] for seed in range(1, 13)]
        off[tare] = sum((one.found - one.true) ** 2 for one in light) / len(light)
        assert sum(one.is_covered for one in light) >= 9  # 99.8 % of cases (binomial)
    # 5 mA of offset in 0.09 A are 3 points of efficiency; the tare leaves a tenth of a point.
    assert off["yes"] < off["no"] / 100.0
