"""The watchdog: it stands down for a runner that saw every output off, and for no other."""

from __future__ import annotations

import io
import subprocess
import sys
import time
from pathlib import Path

import pytest

from runner import safe, watchdog
from runner.errors import BenchError
from runner.watchdog import Watchdog, await_silence, patience_s
from tests.runner.fakes import StepClock, boxes

ECHO = """
import sys
from runner.watchdog import await_silence
print(await_silence(sys.stdin.buffer) or "stood down", file=sys.stderr)
"""


@pytest.mark.parametrize(
    ("heard", "why"),
    [
        (b"..q", ""),
        (b"..", "the runner died"),
        (b".!", "the runner could not confirm that every output is off"),
    ],
)
def test_it_acts_unless_it_is_told_to_stand_down(heard: bytes, why: str) -> None:
    assert await_silence(io.BytesIO(heard), 5.0) == why


@pytest.mark.parametrize("may_stand_down", [True, False])
def test_it_is_let_go_only_when_nothing_may_be_on(
    may_stand_down: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watchdog, "COMMAND", ECHO)
    guard = Watchdog(tmp_path / "bench.toml", tmp_path / "watchdog.log")
    guard.beat()
    guard.may_stand_down = may_stand_down
    guard.close()
    acted = "the runner could not confirm that every output is off"
    assert guard.said() == ("stood down" if may_stand_down else acted)


def test_a_run_does_not_go_on_without_its_watchdog(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watchdog, "COMMAND", "raise SystemExit('no such bench')")
    monkeypatch.setattr(watchdog, "BEAT_EVERY_S", 0.0)
    guard = Watchdog(tmp_path / "bench.toml", tmp_path / "watchdog.log")
    end_s = time.monotonic() + 10.0
    with pytest.raises(BenchError, match=r"ended by itself \(exit code 1: no such bench\)"):
        while time.monotonic() < end_s:
            guard.beat()
    guard.close()


def test_it_ends_cleanly_while_the_runner_still_holds_the_pipe() -> None:
    command = [sys.executable, "-c", watchdog.COMMAND, "watchdog", "demo"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.PIPE) as process:
        assert process.stdin is not None and process.stderr is not None
        process.stdin.write(b".q")
        process.stdin.flush()
        assert process.wait(30.0) == 0  # the thread that listens is still reading then
        assert process.stderr.read() == b""


def test_its_patience_outlasts_the_slowest_box() -> None:
    assert patience_s([]) == patience_s([2.0, 0.5]) == watchdog.PATIENCE_S
    assert patience_s([2.0, 20.0]) >= 4 * 20.0  # a reply and a token, each on two connections


def test_the_way_out_beats_before_everything_it_tries() -> None:
    script, supply, load = boxes()
    script.fails = {"supply off": [OSError("mute")] * 2, "load off": [OSError("mute")] * 2}
    beats: list[int] = []
    safe.leave(
        supply,
        load,
        None,
        StepClock(),
        emergency=True,
        alive=lambda: beats.append(len(script.commands)),
    )
    # before each command a beat, however the one before it ended
    assert set(range(len(script.commands))) <= set(beats)


def test_a_watchdog_that_has_ended_keeps_nothing_from_being_switched_off() -> None:
    def ended() -> None:
        raise BenchError("the watchdog has ended by itself")

    _, supply, load = boxes()
    way = safe.leave(supply, load, None, StepClock(), emergency=True, alive=ended)
    assert way.confirmed and not supply.on and not load.on
