"""Whatever ends a run, in a process of its own on a served bench: off, recorded, said.

Each way is really gone: the terminal is closed, the memory is short, the parent is killed,
the instrument's library hangs.
"""

from __future__ import annotations

import os
import resource
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from runner import journal
from tests.runner.test_served_run import AMPWORTH, outputs, until, wait_for

pytestmark = pytest.mark.skipif(os.name != "posix", reason="POSIX processes")

HOLD = """
    yield PowerUp(24.0)
    yield Draw(2.0)
    yield Settle()
    yield Read()
    for _ in range(600):
        yield Wait(0.1)
        yield Read(samples=3)
    yield PowerDown()
"""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """One served demo bench for all that is tried here: each try has to leave it off."""
    path = tmp_path_factory.mktemp("served") / "served.toml"
    arguments = [*AMPWORTH, "sim", "serve", "demo", "--write-bench", str(path)]
    with subprocess.Popen(arguments, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None
        assert "written" in server.stdout.readline()
        yield path
        server.terminate()


def command(bench: Path, folder: Path, body: str = HOLD) -> list[str]:
    """The run of a sequence of our own."""
    sequence = folder / "own.py"
    head = "from runner import *\n\ndef sequence(setup: Setup) -> Steps:\n"
    sequence.write_text(head + textwrap.indent(textwrap.dedent(body), "    "), "utf-8")
    return [*AMPWORTH, "run", str(sequence), "--bench", str(bench), "--out", str(folder / "run")]


def ended(bench: Path, folder: Path) -> dict[str, Any]:
    """The end record of a run whose journal is whole and whose outputs are off."""
    records = list(journal.read(folder / "run" / "journal.jsonl"))
    assert [record["kind"] for record in records[-2:]] == ["safe", "end"]
    assert records[-2]["confirmed"]
    assert outputs(bench) == ["0", "0"]
    return records[-1]


def drawing(folder: Path) -> None:
    """Wait until the run has power on and a load."""
    wait_for(folder / "run" / "journal.jsonl", '"kind": "fast"')


# -------------------------------------------------------------- from outside the process


def test_a_terminal_that_is_lost(bench: Path, tmp_path: Path) -> None:
    ours, theirs = os.openpty()
    with subprocess.Popen(
        command(bench, tmp_path),
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        preexec_fn=lambda: _own_terminal(theirs),
    ) as run:
        os.close(theirs)
        drawing(tmp_path)
        os.close(ours)  # the window is closed: the kernel hangs up
        assert run.wait(20) == 5
    assert "SIGHUP" in ended(bench, tmp_path)["message"]


def _own_terminal(terminal: int) -> None:
    import fcntl
    import termios

    fcntl.ioctl(terminal, termios.TIOCSCTTY, 0)


def test_a_second_and_a_tenth_ctrl_c_on_the_way_out(bench: Path, tmp_path: Path) -> None:
    with subprocess.Popen(command(bench, tmp_path), stderr=subprocess.PIPE, text=True) as run:
        drawing(tmp_path)
        for _ in range(10):
            run.send_signal(signal.SIGINT)
            time.sleep(0.01)
        _, err = run.communicate(timeout=20)
    assert run.returncode == 5 and "stopped by SIGINT" in err
    assert "SIGINT" in ended(bench, tmp_path)["message"]


@pytest.mark.parametrize("keeps", [False, True], ids=["plain", "nohup"])
def test_a_parent_that_is_killed(bench: Path, tmp_path: Path, keeps: bool) -> None:
    asked = command(bench, tmp_path)
    started = ["nohup", *asked] if keeps else asked
    script = (
        "import subprocess, sys, time; p = subprocess.Popen(sys.argv[1:], "
        "stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL); print(p.pid, flush=True); "
        "time.sleep(60)"
    )
    asked = [sys.executable, "-c", script, *started]
    with subprocess.Popen(asked, stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        drawing(tmp_path)
        parent.kill()
    if keeps:
        time.sleep(1.5)
        assert outputs(bench) == ["1", "1"]  # it was started to outlive who started it
        os.kill(pid, signal.SIGTERM)
    log = tmp_path / "run" / "journal.jsonl"
    until(lambda: '"kind": "end"' in log.read_text("utf-8"), within_s=10.0)
    message = ended(bench, tmp_path)["message"]
    assert ("SIGTERM" if keeps else "the death of the process that started it") in message


def test_a_box_switches_off_by_itself_when_runner_and_watchdog_are_gone(
    bench: Path, tmp_path: Path
) -> None:
    text = bench.read_text("utf-8").replace("rated_v =", "comm_watchdog_s = 2.0\nrated_v =", 2)
    alone = tmp_path / "alone.toml"
    alone.write_text(text, "utf-8")
    with subprocess.Popen(command(alone, tmp_path), stderr=subprocess.DEVNULL) as run:
        drawing(tmp_path)
        time.sleep(2.5)  # longer than its time: the looks of the run feed it
        assert outputs(bench) == ["1", "1"]
        children = Path(f"/proc/{run.pid}/task/{run.pid}/children").read_text("ascii")
        for pid in map(int, children.split()):
            os.kill(pid, signal.SIGKILL)
        run.kill()
    time.sleep(1.0)
    records = list(journal.read(tmp_path / "run" / "journal.jsonl"))
    assert not [r for r in records if "not available" in r.get("text", "")]
    time.sleep(1.5)  # nobody asks: any question would feed it
    assert outputs(bench) == ["0", "0"]


# ---------------------------------------------------------------- inside the process


def limited(what: int, most: int) -> Callable[[], None]:
    """Before the run begins: so much of something and no more."""
    return lambda: resource.setrlimit(what, (most, most))


def finished(
    bench: Path, folder: Path, body: str, prepare: Callable[[], None] | None = None
) -> tuple[int, str]:
    """A run to its end: exit code and what it said."""
    done = subprocess.run(
        command(bench, folder, body),
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        preexec_fn=prepare,
    )
    return done.returncode, done.stderr


ON = "yield PowerUp(24.0)\nyield Draw(2.0)\npoint = yield Read()\n"


def test_a_sequence_that_needs_more_memory_than_there_is(bench: Path, tmp_path: Path) -> None:
    body = ON + "if point.vout_v != 9.0:\n    kept = [bytes(50_000_000) for _ in range(1000)]"
    code, err = finished(bench, tmp_path, body, limited(resource.RLIMIT_AS, 2_000_000_000))
    assert code == 2 and "MemoryError" in err
    assert ended(bench, tmp_path)["ending"] == "failed"


def test_a_runner_that_runs_out_of_memory_itself(bench: Path, tmp_path: Path) -> None:
    """Memory runs short in the performer, outside the sequence's own code."""
    body = ON + textwrap.dedent(
        """
        if point.vout_v != 9.0:
            import runner.perform as perform
            def full(*a): return [bytes(50_000_000) for _ in range(1000)]
            perform.electrical_rest = full
        yield Settle()
        """
    )
    code, err = finished(bench, tmp_path, body, limited(resource.RLIMIT_AS, 2_000_000_000))
    assert code == 70 and "MemoryError" in err
    assert "MemoryError" in ended(bench, tmp_path)["message"]


def test_a_disk_that_takes_no_more(bench: Path, tmp_path: Path) -> None:
    """A file may grow to 20 kB and no further: the system's own refusal, not a pretended one."""
    code, err = finished(bench, tmp_path, HOLD, limited(resource.RLIMIT_FSIZE, 20_000))
    assert code == 7 and "cannot write" in err
    assert outputs(bench) == ["0", "0"]
    records = list(journal.read(tmp_path / "run" / "journal.jsonl"))
    assert len(records) > 10


# ------------------------------------------------------------------ a call that hangs

HANGS = """
import sys, time
from pathlib import Path

import pyvisa_py.highlevel as library

from runner import watchdog

hang = Path(sys.argv.pop(1))
read = library.PyVisaLibrary.read


def hanging(self, session, count):
    while hang.exists():  # a library that forgets its timeout
        time.sleep(0.02)
    return read(self, session, count)


library.PyVisaLibrary.read = hanging
watchdog.COMMAND = (
    "from runner import watchdog; watchdog.PATIENCE_S = 1.5; watchdog.TIMEOUTS_A_CALL = 0.5; "
    + watchdog.COMMAND
)
from runner.cli.main import entry

entry()
"""


def test_an_instrument_call_that_hangs_is_made_safe_by_the_watchdog(
    bench: Path, tmp_path: Path
) -> None:
    hang = tmp_path / "hang"
    asked = command(bench, tmp_path)
    hanging = [sys.executable, "-c", HANGS, str(hang), *asked[len(AMPWORTH) :]]
    with subprocess.Popen(hanging, stderr=subprocess.PIPE, text=True) as run:
        drawing(tmp_path)
        hang.touch()
        began_s = time.monotonic()
        until(lambda: outputs(bench) == ["0", "0"], within_s=6.0)
        assert time.monotonic() - began_s > 1.0  # its patience, not the runner's doing
        assert run.poll() is None
        wait_for(tmp_path / "run" / "watchdog.log", "every output is off")
        hang.unlink()  # the call comes back after all
        _, err = run.communicate(timeout=30)
    assert run.returncode in (3, 4), err
    assert ended(bench, tmp_path)["exit_code"] == run.returncode
    log = (tmp_path / "run" / "watchdog.log").read_text("utf-8")
    assert "no sign of life for 1.5 s" in log and "every output is off" in log
