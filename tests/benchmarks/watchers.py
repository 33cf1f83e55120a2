"""Fifty watchers on the page of a live run: how much longer the run takes. Run by hand.

Twice the same sweep, unwatched and watched, on a served bench in real time, where a run mostly
waits, and on the simulated bench of the process, where it only computes: the worst case.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
WATCHERS = 50
EVERY_S = 2.0
SERVED = ["--lines-v", "24", "--points", "12", "--soak", "no", "--warm-up-s", "2"]
IN_PROCESS = ["--points", "400", "--soak", "no"]


@contextmanager
def started(*arguments: str) -> Iterator[str]:
    """A command that serves something; gives its first line."""
    with subprocess.Popen(
        [*AMPWORTH, *arguments], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as process:
        assert process.stdout is not None
        try:
            yield process.stdout.readline()
        finally:
            process.terminate()


def watch(url: str, ended: threading.Event, served: list[int]) -> None:
    """Fetch the run's page every two seconds as its script does."""
    while not ended.wait(EVERY_S):
        try:
            with urllib.request.urlopen(url, timeout=10) as answer:
                served.append(len(answer.read()))
        except OSError:
            served.append(0)


def took_s(archive: Path, name: str, bench: str, arguments: list[str]) -> float:
    """How long one run takes [s], from start to end of the process."""
    began_s = time.monotonic()
    command = ["run", "load_sweep", "--bench", bench, "--out", str(archive / name)]
    subprocess.run([*AMPWORTH, *command, *arguments], check=True, capture_output=True)
    return time.monotonic() - began_s


def watched_s(archive: Path, name: str, bench: str, arguments: list[str]) -> tuple[float, int]:
    """The same with fifty watchers; and how many pages were served."""
    with started("page", str(archive), "--port", "0") as line:
        url = f"{line.split()[-1].rstrip('/')}/runs/{name}"
        ended, served = threading.Event(), list[int]()
        threads = [
            threading.Thread(target=watch, args=(url, ended, served)) for _ in range(WATCHERS)
        ]
        for thread in threads:
            thread.start()
        try:
            return took_s(archive, name, bench, arguments), sum(map(bool, served))
        finally:
            ended.set()
            for thread in threads:
                thread.join()


def compare(archive: Path, label: str, bench: str, arguments: list[str]) -> None:
    """Print one pair."""
    alone_s = took_s(archive, f"{label}-alone", bench, arguments)
    many_s, pages = watched_s(archive, f"{label}-watched", bench, arguments)
    print(
        f"{label:10}  unwatched {alone_s:6.2f} s   {WATCHERS} watchers {many_s:6.2f} s   "
        f"ratio {many_s / alone_s:.3f}   {pages} pages served"
    )


def main() -> None:
    """Both benches."""
    with tempfile.TemporaryDirectory() as scratch:
        archive, bench = Path(scratch, "runs"), Path(scratch, "served.toml")
        archive.mkdir()
        with started("sim", "serve", "demo", "--write-bench", str(bench)):
            compare(archive, "served", str(bench), SERVED)
        compare(archive, "in-process", "demo", IN_PROCESS)


if __name__ == "__main__":
    main()
