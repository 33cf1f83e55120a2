"""A served bench that goes away in the middle of a run: all of it, or the supply's socket alone.

The runner has to end by itself, say which outputs it could not see off, and leave a whole journal.
"""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from runner import journal

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
SEQUENCE = """
from runner import *

def sequence(setup: Setup) -> Steps:
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Wait(600.0)
    yield PowerDown()
"""


@contextmanager
def served(path: Path) -> Iterator[subprocess.Popen[str]]:
    """A demo bench of its own process; its bench file is at `path`."""
    command = [*AMPWORTH, "sim", "serve", "demo", "--write-bench", str(path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None and "written" in server.stdout.readline()
            yield server
        finally:
            server.kill()


@contextmanager
def running(bench: Path, out: Path) -> Iterator[subprocess.Popen[str]]:
    """A run that has come to its long wait."""
    sequence = out.parent / "own.py"
    sequence.write_text(SEQUENCE, "utf-8")
    command = [*AMPWORTH, "run", str(sequence), "--bench", str(bench), "--out", str(out)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            end_s = time.monotonic() + 60.0
            path = out / "journal.jsonl"
            while not (path.exists() and '"Wait"' in path.read_text("utf-8")):
                assert process.poll() is None and time.monotonic() < end_s
                time.sleep(0.05)
            yield process
        finally:
            process.kill()


class Relay:
    """Passes a socket on until it is cut; nobody comes through after that."""

    def __init__(self, port: int) -> None:
        self._to, self._is_cut, self._ends = port, False, list[socket.socket]()
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port = self._listening.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                near, _ = self._listening.accept()
                if self._is_cut:
                    near.close()
                    continue
                far = socket.create_connection(("127.0.0.1", self._to))
                self._ends += [near, far]
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=_pass_on, args=(one, other), daemon=True).start()

    def cut(self) -> None:
        """Break what is connected and let nobody in."""
        self._is_cut = True
        for end in self._ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def mend(self) -> None:
        """Let callers in again."""
        self._is_cut = False

    def close(self) -> None:
        """End it."""
        self._listening.close()
        self.cut()
        for end in self._ends:
            end.close()


def _pass_on(one: socket.socket, other: socket.socket) -> None:
    with suppress(OSError):
        while data := one.recv(4096):
            other.sendall(data)
    with suppress(OSError):
        other.shutdown(socket.SHUT_RDWR)


def ending(run: Path) -> tuple[dict[str, object], dict[str, object]]:
    """The way out and the ending, the last two records of a whole journal."""
    *_, way, end = journal.read(run / "journal.jsonl")
    assert (way["kind"], end["kind"]) == ("safe", "end")
    return way, end


def test_a_bench_that_dies_ends_the_run_with_every_output_named(tmp_path: Path) -> None:
    bench, out = tmp_path / "bench.toml", tmp_path / "run"
    with served(bench) as server, running(bench, out) as run:
        server.kill()
        began_s = time.monotonic()
        _, told = run.communicate(timeout=60)
        assert time.monotonic() - began_s < 40.0
    assert run.returncode == 6
    way, end = ending(out)
    assert end["exit_code"] == 6 and not way["confirmed"]
    for name in (
        "supply output (supply)",
        "load input (load)",
        "at its own switch or at the mains",
    ):
        assert name in told and name in str(end["message"])


def test_a_supply_that_is_pulled_alone_is_named_and_made_safe_once_it_is_back(
    tmp_path: Path,
) -> None:
    bench, out = tmp_path / "bench.toml", tmp_path / "run"
    with served(bench):
        text = bench.read_text("utf-8")
        own = re.search(r"\[instruments\.supply\].*?::(\d+)::SOCKET", text, re.S)
        assert own is not None
        relay = Relay(int(own[1]))
        try:
            bench.write_text(
                text.replace(f"::{own[1]}::SOCKET", f"::{relay.port}::SOCKET"), "utf-8"
            )
            with running(bench, out) as run:
                relay.cut()
                _, told = run.communicate(timeout=90)
            assert run.returncode == 6 and "supply output (supply)" in told
            way, _ = ending(out)
            attempts = way["attempts"]
            assert isinstance(attempts, list)
            assert {"action": "load off", "done": True, "detail": ""} in attempts
            relay.mend()
            made = subprocess.run(
                [*AMPWORTH, "make-safe", str(bench)], capture_output=True, text=True, check=False
            )
            assert made.returncode == 0 and "24.0" in made.stdout, made.stdout + made.stderr
        finally:
            relay.close()
