"""The main job over real transports and in a process of its own: sockets, terminals, signals."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

from runner import journal

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
POSIX = os.name == "posix"


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


def start(bench: Path, out: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [*AMPWORTH, "run", "load_sweep", "--bench", str(bench), "--out", str(out)]
    return subprocess.Popen(
        [*command, *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def test_a_sweep_over_sockets_and_a_terminal_writes_both_tables(
    bench: Path, tmp_path: Path
) -> None:
    quick = ["--lines-v", "24", "--points", "4", "--samples", "3", "--every-s", "0.02"]
    quick += ["--settle-s", "0.05", "--warm-up-s", "0.2"]
    quick += ["--soak-over-s", "5", "--soak-within-k", "1", "--soak-at-most-s", "60"]
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
        wait_for(tmp_path / "run" / "journal.jsonl", '"Point"')
        run.send_signal(signal.SIGKILL)
        run.communicate(timeout=30)
    kinds = [record["kind"] for record in journal.read(tmp_path / "run" / "journal.jsonl")]
    assert kinds[0] == "run" and "end" not in kinds
    done = subprocess.run(
        [*AMPWORTH, "report", str(tmp_path / "run")], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0 and "the journal has no end: cut off" in done.stdout
    assert len(pd.read_csv(tmp_path / "run" / "efficiency.csv")) >= 1


def wait_for(path: Path, text: str) -> None:
    end_s = time.monotonic() + 30.0
    while not (path.is_file() and text in path.read_text("utf-8")):
        assert time.monotonic() < end_s, f"{text} never came"
        time.sleep(0.05)


def outputs(bench: Path) -> list[str]:
    """Ask supply and load through a second client of its own, a plain socket."""
    answers = []
    for line in bench.read_text("utf-8").splitlines():
        if "127.0.0.1::" in line and len(answers) < 2:
            port = int(line.split("::")[2])
            question = b"OUTP?\n" if not answers else b"INP?\n"
            with socket.create_connection(("127.0.0.1", port), timeout=5) as box:
                box.sendall(question)
                answers.append(box.makefile().readline().strip())
    return answers
