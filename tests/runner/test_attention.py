"""Signals become requests that the next look finds; only the sequence's own code is interrupted."""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest

from runner.attention import STOP_FILE, Attention
from runner.errors import BadInput, Stopped


def test_a_signal_during_a_measurement_waits_for_the_next_look() -> None:
    with Attention().listening() as attention:
        signal.raise_signal(signal.SIGTERM)  # nothing is raised here
        with pytest.raises(Stopped, match="SIGTERM"):
            attention.check()


def test_a_second_signal_changes_nothing() -> None:
    with Attention().listening() as attention:
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGTERM)
        with pytest.raises(Stopped, match="SIGINT"):
            attention.check()


def test_a_signal_while_the_sequence_computes_stops_it_at_once() -> None:
    with (
        Attention().listening() as attention,
        pytest.raises(Stopped),
        attention.sequence_thinks(),
    ):
        signal.raise_signal(signal.SIGINT)
        pytest.fail("the sequence went on")


def test_a_sequence_that_computes_for_ever_is_ended() -> None:
    with (
        Attention(patience_s=0.05).listening() as attention,
        pytest.raises(BadInput, match="without a step"),
        attention.sequence_thinks(),
    ):
        while True:
            pass


def test_the_signals_are_given_back() -> None:
    before = signal.getsignal(signal.SIGINT)
    with Attention().listening():
        assert signal.getsignal(signal.SIGINT) != before
    assert signal.getsignal(signal.SIGINT) == before


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="POSIX signals")
def test_under_nohup_a_lost_terminal_does_not_end_the_run() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Attention().listening() as attention:
            signal.raise_signal(signal.SIGHUP)
            attention.check()
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_step_is_not_ended_for_the_time_that_the_one_before_took() -> None:
    with Attention(patience_s=0.02).listening() as attention:
        attention._overdue = True  # the watching thread saw the step before
        attention._patience_s = 60.0
        with attention.sequence_thinks():
            signal.raise_signal(signal.SIGINT)


def test_a_stop_file_asks_for_the_end_and_says_who(tmp_path: Path) -> None:
    attention = Attention()
    attention.obey(tmp_path / STOP_FILE)
    (tmp_path / STOP_FILE).write_text('{"who": "the keeper at boathouse"}', "utf-8")
    with pytest.raises(Stopped, match="request of the keeper at boathouse"):
        attention.check()
    (tmp_path / STOP_FILE).unlink()
    with pytest.raises(Stopped):  # asked once is asked
        attention.check()


@pytest.mark.parametrize("content", [b"", b"{", b"\xff\xfe", b"[]", b'{"who": ' + b"9" * 10_000])
def test_a_stop_file_that_cannot_be_read_stops_all_the_same(content: bytes, tmp_path: Path) -> None:
    attention = Attention()
    attention.obey(tmp_path / STOP_FILE)
    (tmp_path / STOP_FILE).write_bytes(content)
    with pytest.raises(Stopped, match="cannot be read"):
        attention.check()


def test_a_folder_named_stop_stops_too(tmp_path: Path) -> None:
    attention = Attention()
    attention.obey(tmp_path / STOP_FILE)
    (tmp_path / STOP_FILE).mkdir()
    with pytest.raises(Stopped, match="no file"):
        attention.check()


def test_a_request_from_before_the_start_is_done_with(tmp_path: Path) -> None:
    (tmp_path / STOP_FILE).write_text("{}", "utf-8")
    attention = Attention()
    attention.obey(tmp_path / STOP_FILE)
    attention.check()
    assert not (tmp_path / STOP_FILE).exists()


def test_the_stop_file_is_looked_for_twice_a_second_at_most(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s, looks = [100.0], [0]

    def exists(path: Path) -> bool:
        looks[0] += 1
        return False

    monkeypatch.setattr(time, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(Path, "exists", exists)
    attention = Attention()
    attention.obey(tmp_path / STOP_FILE)
    for k in range(1000):
        now_s[0] = 100.0 + k / 100.0
        attention.check()
    assert 19 <= looks[0] <= 21
