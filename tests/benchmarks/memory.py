"""Memory of runs of 10,000 to 1,000,000 samples, the tables included. Run by hand."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

SEQUENCE = '''
"""Many samples in one point."""
from runner import *

def sequence(setup: Setup, samples: int = 1000) -> Steps:
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Settle()
    yield Read(samples=samples, every_s=0.0)
'''


def peak_mb(samples: int) -> float:
    """Greatest resident memory [MB] of a process that runs and writes the tables."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "many.py"
        path.write_text(SEQUENCE, "utf-8")
        code = (
            "import resource, sys; from runner.cli.main import main; main(sys.argv[1:]); "
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
        )
        arguments = ["run", str(path), "--samples", str(samples), "--out", f"{name}/run", "--json"]
        done = subprocess.run(
            [sys.executable, "-c", code, *arguments],
            check=True,
            capture_output=True,
            text=True,
        )
    return int(done.stdout.splitlines()[-1]) / 1024.0


def main() -> None:
    """Print the peaks."""
    for samples in (10_000, 100_000, 1_000_000):
        print(f"{samples:>9,} samples: {peak_mb(samples):.1f} MB")


if __name__ == "__main__":
    main()
