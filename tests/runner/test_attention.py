"""Signals become requests that the next look finds; only the sequence's own code is interrupted."""

from __future__ import annotations

import signal

import pytest

from runner.attention import Attention
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
