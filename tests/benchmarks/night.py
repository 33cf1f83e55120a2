"""A simulated day at 10 readings a second: memory and the journal. Run by hand.

`python tests/benchmarks/night.py 1 24` runs one hour and 24 hours and compares their peaks.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from runner import journal

SEQUENCE = '''
"""Hours of readings, ten a second, a point a minute."""
from runner import *

def sequence(setup: Setup, hours: int = 1) -> Steps:
    yield PowerUp(24.0)
    yield Draw(2.0)
    for _ in range(60 * hours):
        yield Settle()
        yield Read(samples=595, every_s=0.1)
    yield PowerDown()
'''
CODE = (
    "import resource, sys; from runner.cli.main import main; main(sys.argv[1:]); "
    "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
)


def main(hours: list[int]) -> None:
    """One run for each number of hours."""
    for count in hours:
        with tempfile.TemporaryDirectory() as name:
            path, run = Path(name, "night.py"), Path(name, "run")
            path.write_text(SEQUENCE, "utf-8")
            options = ["--hours", str(count), "--json"]
            began_s = time.monotonic()
            done = subprocess.run(
                [sys.executable, "-c", CODE, "run", str(path), *options, "--out", str(run)],
                check=True,
                capture_output=True,
                text=True,
            )
            took_s = time.monotonic() - began_s
            peak_mb = int(done.stdout.splitlines()[-1]) / 1024.0
            kinds = [record["kind"] for record in journal.read(run / journal.FILE_NAME)]
            samples, wanted = kinds.count("sample"), 60 * 595 * count
            size_mb = (run / journal.FILE_NAME).stat().st_size / 1e6
            print(
                f"{count:3} h  {samples} samples of {wanted}, ends with {kinds[-1]!r}, "
                f"journal {size_mb:.0f} MB, peak {peak_mb:.1f} MB, took {took_s:.0f} s"
            )


if __name__ == "__main__":
    main([int(text) for text in sys.argv[1:]] or [1, 24])
