"""Simulated bench time per second of real time for a whole derating run. Run by hand."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

from runner.attention import Attention
from runner.run import execute, prepare
from runner.sequence import load
from tests.runner.live import Heard


def main() -> None:
    """Print the ratio of simulated to real time, start-up and tables left out."""
    sequence, attention = load("derating"), Attention()
    values = sequence.values({"ambients_c": "25,40,60"})
    job = prepare(sequence, values, "demo", "demo", attention)
    with tempfile.TemporaryDirectory() as name:
        heard = Heard()
        last_s = 0.0

        def on_reading(reading: object) -> None:
            nonlocal last_s
            last_s = reading.t_s  # type: ignore[attr-defined]

        heard.on_reading = on_reading  # type: ignore[method-assign]
        began_s = time.perf_counter()
        execute(job, Path(name) / "run", attention, heard)
        took_s = time.perf_counter() - began_s
    print(
        f"{last_s / 3600:.2f} bench-hours in {took_s:.2f} s: {last_s / took_s:,.0f} times real time"
    )


if __name__ == "__main__":
    main()
