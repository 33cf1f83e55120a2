"""How often a rule accepts what it should not: many demo benches whose truth is known.

The claim is exactly the true efficiency, the worst case for any rule: what passes then is half a
false accept. Each seed draws the errors of every box anew.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from scipy.stats import binom

from runner import run
from runner.analysis.decision import Rule
from runner.attention import Attention
from runner.report.judged_run import judge_run
from runner.run import execute, prepare
from runner.seam import SIMULATED, Seam, simulated_bench
from runner.sequence import load
from tests.runner.report.test_coverage import TruthTeller

BENCHES = 150
SEQUENCE = """\
from runner import *

def sequence(setup: Setup) -> Steps:
    yield Tare()
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Settle()
    yield Read()
    yield PowerDown()
"""
SIMPLE, GUARD, RISK = Rule("simple"), Rule("guard-band"), Rule("risk", risk=0.10)


def judged(folder: Path, seed: int, monkeypatch: pytest.MonkeyPatch) -> dict[Rule, str]:
    """The verdict of each rule on a claim of just what is true."""
    teller = TruthTeller()

    def open_live(*files: object) -> Seam:
        live = teller.bench = simulated_bench(*files, seed=seed)  # type: ignore[arg-type]
        return Seam(live.resource_manager(), live.clock, live.close, SIMULATED, stays_on=False)

    monkeypatch.setattr(run, "open_seam", open_live)
    monkeypatch.setattr("os.fsync", lambda descriptor: None)  # nothing is to outlive this test
    sequence, attention = load(str(folder / "own.py")), Attention()
    job = prepare(sequence, sequence.values({}), "demo", "demo", attention)
    execute(job, folder / str(seed), attention, teller)
    ((pin_w, pout_w),) = teller.powers_w
    claim = {
        "about": "efficiency",
        "efficiency_min_pct": 100.0 * pout_w / pin_w,
        "vin_v": 24.0,
        "iout_a": 2.0,
        "source": "the truth",
    }
    verdicts: dict[Rule, str] = {}
    for rule in (SIMPLE, GUARD, RISK):
        (found,) = judge_run(folder / str(seed), rule, [claim]).claims
        verdicts[rule] = found.verdict
    return verdicts


def bounds(probability: float) -> tuple[int, int]:
    """Counts that 99.8 % of such benches are in."""
    low, high = (binom.ppf(tail, BENCHES, probability) for tail in (0.001, 0.999))
    return int(low), int(high)


def test_false_accepts_are_as_rare_as_each_rule_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "own.py").write_text(SEQUENCE, "utf-8")
    benches = [judged(tmp_path, seed, monkeypatch) for seed in range(1, BENCHES + 1)]
    passed = {rule: sum(one[rule] == "pass" for one in benches) for rule in (SIMPLE, GUARD, RISK)}
    failed = {rule: sum(one[rule] == "fail" for one in benches) for rule in (SIMPLE, GUARD, RISK)}
    # One side of a 95 % interval is 2.5 %, that of simple acceptance at the limit is half
    # (ILAC-G8), and a stated risk is what it says.
    for rule, risk in ((SIMPLE, 0.5), (GUARD, 0.025), (RISK, 0.10)):
        low, high = bounds(risk)
        assert low <= passed[rule] <= high, (rule.words, passed[rule])
        assert low <= failed[rule] <= high, (rule.words, failed[rule])
