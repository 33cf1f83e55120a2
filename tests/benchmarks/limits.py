"""How good the sequences that look for limits are, on drawn modules and drawn instrument errors.

    python tests/benchmarks/limits.py [MODULES]

Prints how often the truth lies within the stated uncertainty (95 %), and how many values were
tried. Not a timed test.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from random import Random

import pytest

sys.path.insert(0, str(Path(__file__).parent.parent.parent))

from tests.runner.live import Live
from tests.sequences.held_out import changed, found, misses, named

RANDOM = Random(2026)
KINDS = ("constant-current", "foldback", "hiccup", "latch-off")


def one(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[list[float], int]:
    """A drawn module on a drawn bench: how far each result misses in its U; loads tried."""
    live = Live(folder, monkeypatch)
    kind, current_a = RANDOM.choice(KINDS), RANDOM.uniform(2.9, 5.4)
    short_a, stop_v = RANDOM.uniform(0.2, 0.7) * current_a, RANDOM.uniform(3.0, 14.0)
    start_v = stop_v + RANDOM.uniform(0.0, 3.0)
    module = changed(
        live,
        "module",
        twin__limit__kind=kind,
        twin__limit__current_a=current_a,
        twin__limit__short_circuit_a=short_a,
        twin__lockout__stop_v=stop_v,
        twin__lockout__start_v=start_v,
    )
    bench = changed(live, "bench", simulation__seed=RANDOM.randrange(1_000_000))
    live.run("current_limit", module=module, bench=bench, audit="no")
    knee_a = current_a
    if kind == "foldback":
        knee_a /= 1.0 + 0.012 / 9.04 * (current_a - short_a)
    results = found(live)
    missed = [misses(named(results, "current_limit_a"), knee_a)]
    missed.append(0.0 if named(results, "current_limit_kind").text.startswith(kind) else 99.0)
    tried = sum(r["kind"] == "step" and r["step"] == "Draw" for r in live.records()) - 1
    second = Live(folder / "second", monkeypatch)
    second.folder.mkdir()
    second.run("lockout", module=module, bench=bench, audit="no")
    results = found(second)
    missed.append(misses(named(results, "lockout_stop_line_v"), stop_v))
    missed.append(misses(named(results, "lockout_start_line_v"), start_v))
    return missed, tried


def main(modules: int) -> None:
    """Print the figures."""
    rows = []
    for _ in range(modules):
        with tempfile.TemporaryDirectory() as name, pytest.MonkeyPatch.context() as monkeypatch:
            rows.append(one(Path(name), monkeypatch))
    for k, what in enumerate(("knee", "kind", "lockout stop", "lockout start")):
        missed = [row[0][k] for row in rows]
        within = sum(one <= 1.0 for one in missed)
        print(f"{what}: {within} of {modules} within U (95 %), worst {max(missed):.2f} U")
    tried = [row[1] for row in rows]
    print(f"loads tried to a knee within 1 %: {min(tried)} to {max(tried)}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
