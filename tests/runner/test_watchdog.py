"""The watchdog: it stands down for a runner that saw every output off, and for no other."""

from __future__ import annotations

import io
import time
from pathlib import Path

import pytest

from runner import watchdog
from runner.errors import BenchError
from runner.watchdog import Watchdog, await_silence, patience_s

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


def test_its_patience_outlasts_the_slowest_box() -> None:
    assert patience_s([]) == patience_s([2.0, 0.5]) == watchdog.PATIENCE_S
    assert patience_s([2.0, 20.0]) >= 4 * 20.0  # a reply and a token, each on two connections
