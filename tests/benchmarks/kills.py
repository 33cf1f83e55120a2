"""`kill -9` at random instants: what is lost, and whether the resumed outputs are the same.

By hand: `python tests/benchmarks/kills.py 500 [seed]`. Each run of a short sweep on the simulated
bench is a process of its own, killed at a random time once its journal exists, and resumed.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
SWEEP = ["run", "load_sweep", "--points", "6", "--lines-v", "20,30", "--soak-a", "2"]
OUTPUTS = ("readings.csv", "efficiency.csv", "derating.csv", "budget.csv")


def outputs(run: Path) -> dict[str, bytes]:
    """The bytes of every table of a run."""
    return {name: (run / name).read_bytes() for name in OUTPUTS}


def points(text: str, mark: str) -> int:
    """How many points a log or a journal tells of."""
    return sum(mark in line for line in text.splitlines())


def await_journal(run: Path) -> None:
    """Wait until a run has begun."""
    while not (run / "journal.jsonl").is_file():
        time.sleep(0.002)


def kill_and_resume(folder: Path, after_s: float, whole: dict[str, bytes]) -> str:
    """One kill; what came of it, in a word."""
    run, log = folder / "run", folder / "log"
    with log.open("w", encoding="utf-8") as told:
        process = subprocess.Popen(
            [*AMPWORTH, *SWEEP, "--out", str(run)], stdout=subprocess.DEVNULL, stderr=told
        )
        await_journal(run)
        time.sleep(after_s)
        process.kill()
        if process.wait() == 0:
            return "over before the kill"
    journal = run / "journal.jsonl"
    kept = journal.read_text("utf-8") if journal.is_file() else ""
    if kept.count("\n") < 1:
        return "killed before it began"
    said, stored = points(log.read_text("utf-8"), "point "), points(kept, '"outcome": "Point"')
    if said > stored:
        return f"LOST {said - stored} points"
    if '"kind": "end"' in kept:
        done = subprocess.run([*AMPWORTH, "report", str(run)], capture_output=True, check=False)
    else:
        done = subprocess.run([*AMPWORTH, "resume", str(run)], capture_output=True, check=False)
    if done.returncode:
        return f"NOT RESUMED: {done.stderr.decode()[-200:]}"
    return "equal" if outputs(run) == whole else "DIFFERENT"


def main(kills: int, seed_number: int) -> None:
    """Kill, resume, count."""
    seed = random.Random(seed_number)
    counts: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as scratch:
        first = Path(scratch, "whole")
        with subprocess.Popen(
            [*AMPWORTH, *SWEEP, "--out", str(first)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        ) as process:
            await_journal(first)
            began_s = time.monotonic()
            process.wait()
        took_s = time.monotonic() - began_s
        whole = outputs(first)
        k = 0
        while counts["equal"] + sum(n for word, n in counts.items() if word.isupper()) < kills:
            folder = Path(scratch, str(k))
            folder.mkdir()
            counts[kill_and_resume(folder, seed.uniform(0.0, 0.9) * took_s, whole)] += 1
            k += 1
            if k > 4 * kills:
                break
    print(f"a whole run takes {took_s:.2f} s from its first record; {k} runs were killed")
    for word, count in counts.most_common():
        print(f"  {count:4}  {word}")


if __name__ == "__main__":
    given = [int(text) for text in sys.argv[1:]]
    main(given[0] if given else 20, given[1] if len(given) > 1 else 1)
