"""`ampworth --help` against `python -c pass`: medians of repeated starts. Run by hand."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

REPEATS = 15


def median_s(arguments: list[str]) -> float:
    """Median wall time of a command [s]."""
    times = []
    for _ in range(REPEATS):
        began_s = time.perf_counter()
        subprocess.run(arguments, check=True, stdout=subprocess.DEVNULL)
        times.append(time.perf_counter() - began_s)
    return statistics.median(times)


def main() -> None:
    """Print the starts and what help costs more."""
    bare_s = median_s([sys.executable, "-c", "pass"])
    for arguments in (["--help"], ["run", "load_sweep", "--help"], ["check", "demo"]):
        command = [sys.executable, "-c", "from runner.cli.main import entry; entry()", *arguments]
        took_s = median_s(command)
        print(f"ampworth {' '.join(arguments):<24} {took_s:.3f} s, {took_s - bare_s:+.3f} s")
    print(f"python -c pass                    {bare_s:.3f} s")


if __name__ == "__main__":
    main()
