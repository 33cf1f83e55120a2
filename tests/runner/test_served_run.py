"""The main job over real transports and in a process of its own: sockets, terminals, signals."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pandas as pd
import pytest

from runner import journal

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
POSIX = os.name == "posix"
BRISK = ["--audit", "no", "--tare", "no", "--warm-up-s", "0.2", "--settle-s", "0.05"]


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Path]:
    """The bench file of a served demo bench whose heat goes 60 times as fast."""
    path = tmp_path / "served.toml"
    arguments = [*AMPWORTH, "sim", "serve", "demo", "--write-bench", str(path), "--speed", "60"]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert "written" in server.stdout.readline()
        yield path
        server.terminate()
        assert server.wait(10) == 0


@contextmanager
def start(bench: Path, out: Path, *arguments: str) -> Iterator[subprocess.Popen[str]]:
    """A run in a process of its own, killed at the end if it still goes on."""
    command = [*AMPWORTH, "run", "load_sweep", "--bench", str(bench), "--out", str(out)]
    with subprocess.Popen(
        [*command, *BRISK, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def test_a_sweep_over_sockets_and_a_terminal_writes_both_tables(
    bench: Path, tmp_path: Path
) -> None:
    quick = ["--lines-v", "24", "--points", "4", "--samples", "3", "--every-s", "0.02"]
    quick += ["--soak-over-s", "5", "--soak-within-k", "4", "--soak-at-most-s", "60"]
    with start(bench, tmp_path / "run", *quick) as run:
        out, err = run.communicate(timeout=120)
    assert run.returncode == 0, err
    assert "derating.csv" in out
    table = pd.read_csv(tmp_path / "run" / "efficiency.csv")
    assert (table[table.iout_a > 0.15].efficiency_pct.between(80.0, 95.0)).all()
    assert len(pd.read_csv(tmp_path / "run" / "derating.csv")) > 10


@pytest.mark.skipif(not POSIX, reason="POSIX signals")
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_to_the_process_leaves_the_served_bench_off(
    bench: Path, tmp_path: Path, number: int
) -> None:
    with start(bench, tmp_path / "run") as run:
        wait_for(tmp_path / "run" / "journal.jsonl", '"Draw"')
        run.send_signal(number)
        run.send_signal(number)  # a second one changes nothing
        run.communicate(timeout=30)
    assert run.returncode == 5
    records = list(journal.read(tmp_path / "run" / "journal.jsonl"))
    assert records[-1]["ending"] == "stopped"
    assert records[-2]["kind"] == "safe" and records[-2]["confirmed"]
    assert outputs(bench) == ["0", "0"]


@pytest.mark.skipif(not POSIX, reason="POSIX signals")
def test_a_killed_run_leaves_a_journal_that_reads_and_reports(bench: Path, tmp_path: Path) -> None:
    with start(bench, tmp_path / "run") as run:
        wait_for(tmp_path / "run" / "journal.jsonl", '"kind": "fast", "label": "up"')
        run.send_signal(signal.SIGKILL)
        run.communicate(timeout=30)
    until(lambda: outputs(bench) == ["0", "0"], within_s=5.0)  # the watchdog's doing
    kinds = [record["kind"] for record in journal.read(tmp_path / "run" / "journal.jsonl")]
    assert kinds[0] == "run" and "end" not in kinds
    done = subprocess.run(
        [*AMPWORTH, "report", str(tmp_path / "run")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "the journal has no end: cut off" in done.stdout
    assert len(pd.read_csv(tmp_path / "run" / "efficiency.csv")) >= 1


@pytest.mark.skipif(not POSIX, reason="POSIX signals")
def test_a_killed_run_is_resumed_with_line_load_and_heat_brought_back(
    bench: Path, tmp_path: Path
) -> None:
    run, quick = tmp_path / "run", ["--lines-v", "24", "--points", "4", "--soak-at-most-s", "6"]
    with start(bench, run, *quick) as killed:
        wait_for(run / "journal.jsonl", '"kind": "fast", "label": "up"')
        killed.send_signal(signal.SIGKILL)
        killed.communicate(timeout=30)
    until(lambda: outputs(bench) == ["0", "0"], within_s=5.0)
    before = list(journal.read(run / "journal.jsonl"))
    done = subprocess.run(
        [*AMPWORTH, "resume", str(run)], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    records = list(journal.read(run / "journal.jsonl"))
    resumed = next(r for r in records if r["kind"] == "resumed")
    assert resumed["made_safe"]["confirmed"] and not resumed["rewound"]
    restored = [r["text"] for r in records if r["kind"] == "restored" and "text" in r]
    assert any("again: PowerUp" in text for text in restored)
    assert any("warmed up" in text or "again: Soak" in text for text in restored)
    ends = [r["t_s"] for r in records]
    assert ends == sorted(ends) and resumed["t_s"] > before[-1]["t_s"]
    points = [r["index"] for r in records if r["kind"] == "outcome"]
    assert points == list(range(len(points)))  # each step once
    assert outputs(bench) == ["0", "0"]


@pytest.mark.skipif(not POSIX, reason="POSIX signals")
def test_a_bench_in_use_names_its_holder_and_is_free_once_the_holder_is_dead(
    bench: Path, tmp_path: Path
) -> None:
    with start(bench, tmp_path / "run") as first:
        wait_for(tmp_path / "run" / "journal.jsonl", '"Draw"')
        with start(bench, tmp_path / "second") as second:
            _, err = second.communicate(timeout=30)
        assert second.returncode == 4
        assert f"is in use by process {first.pid}, run in {tmp_path / 'run'}" in err
        assert not (tmp_path / "second").exists()
        check = subprocess.run(
            [*AMPWORTH, "check", str(bench)], capture_output=True, text=True, check=False
        )
        assert check.returncode == 4 and f"in use by process {first.pid}" in check.stderr
        first.send_signal(signal.SIGKILL)
        first.communicate(timeout=30)
    until(lambda: outputs(bench) == ["0", "0"], within_s=5.0)
    quick = ["--lines-v", "24", "--points", "2", "--soak", "no", "--samples", "2"]
    with start(bench, tmp_path / "third", *quick) as third:
        third.communicate(timeout=60)
    assert third.returncode == 0


def test_make_safe_switches_a_bench_off_from_outside(bench: Path) -> None:
    ask(bench, 0, "VOLT 24;OUTP ON;OUTP?")
    assert outputs(bench)[0] == "1"
    done = subprocess.run(
        [*AMPWORTH, "make-safe", str(bench)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "every output is off" in done.stdout
    assert outputs(bench) == ["0", "0"]


def test_make_safe_names_what_it_cannot_reach(bench: Path, tmp_path: Path) -> None:
    lines = bench.read_text("utf-8").splitlines()
    first = next(k for k, line in enumerate(lines) if "127.0.0.1::" in line)
    lines[first] = 'resource = "TCPIP0::127.0.0.1::9::SOCKET"'
    (tmp_path / "lost.toml").write_text("\n".join(lines), "utf-8")
    done = subprocess.run(
        [*AMPWORTH, "make-safe", str(tmp_path / "lost.toml")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 6
    assert "COULD NOT CONFIRM OFF: supply output (supply)" in done.stderr


def wait_for(path: Path, text: str) -> None:
    until(lambda: path.is_file() and text in path.read_text("utf-8"), within_s=30.0)


def until(happened: Callable[[], bool], within_s: float) -> None:
    end_s = time.monotonic() + within_s
    while not happened():
        assert time.monotonic() < end_s
        time.sleep(0.05)


def outputs(bench: Path) -> list[str]:
    """Whether supply and load are on, as they say to a second client."""
    return [ask(bench, 0, "OUTP?"), ask(bench, 1, "INP?")]


def ask(bench: Path, box: int, question: str) -> str:
    """Ask the box at the bench file's n-th socket, through a plain socket of our own."""
    found = [line for line in bench.read_text("utf-8").splitlines() if "127.0.0.1::" in line]
    port = int(found[box].split("::")[2])
    with socket.create_connection(("127.0.0.1", port), timeout=5) as opened:
        opened.sendall(f"{question}\n".encode())
        with opened.makefile() as replies:
            return replies.readline().strip()
