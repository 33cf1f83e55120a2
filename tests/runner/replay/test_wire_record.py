"""The record of the wire: every text comes back, and so does every reading of the clock."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.style import SCPI
from drivers.wire import Failed, Wire
from runner.replay.recorded_lines import Line, recorded_lines
from runner.replay.stand_ins import RecordedClock
from runner.replay.tape import Tape
from runner.wire_record import WireRecord, as_cell, from_cell
from tests.runner.fakes import START, StepClock


class Restless:
    """A real clock in small: it goes on by itself between any two readings."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def now_s(self) -> float:
        self.t_s += 0.1
        return self.t_s

    def utc(self) -> datetime:
        self.t_s += 0.1
        return START + timedelta(seconds=1.0001 * self.t_s)

    def sleep(self, s: float) -> None:
        self.t_s += s + 0.01


@given(st.text())
def test_any_text_comes_back_from_its_cell(text: str) -> None:
    cell = as_cell(text)
    assert from_cell(cell) == text
    assert cell.isprintable() and "\t" not in cell and len(cell.splitlines()) <= 1


def test_a_backslash_in_plain_text_is_not_taken_for_an_escape() -> None:
    assert as_cell("a\\nb") != as_cell("a\nb")


@pytest.mark.parametrize("clock", [Restless(), StepClock()])
def test_a_replay_reads_the_clock_as_the_run_did(
    tmp_path: Path, clock: Restless | StepClock
) -> None:
    record = WireRecord(tmp_path / "wire.log", clock)
    read: list[float | datetime] = []
    for _ in range(3):
        read += [record.clock.now_s(), record.clock.utc(), record.clock.now_s()]
        record.clock.sleep(0.3)
        read.append(record.clock.now_s())
        record("supply", ">", "VOLT?")
        read.append(record.clock.utc())
    record.close()
    tape = Tape(recorded_lines(tmp_path / "wire.log"))
    again: list[float | datetime] = []
    replayed = RecordedClock(tape)
    for _ in range(3):
        again += [replayed.now_s(), replayed.utc(), replayed.now_s()]
        replayed.sleep(0.3)
        again.append(replayed.now_s())
        tape("supply", ">", "VOLT?")
        again.append(replayed.utc())
    assert again == read


def test_on_a_simulated_clock_next_to_no_reading_needs_a_note(tmp_path: Path) -> None:
    record = WireRecord(tmp_path / "wire.log", StepClock())
    for _ in range(100):
        record.clock.utc()
        record.clock.sleep(0.1)
        record.clock.now_s()
    record.close()
    assert [line.way for line in recorded_lines(tmp_path / "wire.log")] == ["@"]


class OneReply:
    """A VISA resource that gives one reply."""

    session = 0

    def __init__(self, data: bytes) -> None:
        self.visalib, self._data = self, data

    def read(self, session: int, count: int) -> tuple[bytes, int]:
        return self._data, 0

    def close(self) -> None:
        pass


@pytest.mark.parametrize(
    ("data", "way"), [(b"1.0\n", "<"), (b"1.0\r\n", "<"), (b"1.", "~"), (b"\x81\\\n", "~")]
)
def test_a_reply_is_recorded_so_that_it_is_judged_alike_again(
    tmp_path: Path, data: bytes, way: str
) -> None:
    record = WireRecord(tmp_path / "wire.log", StepClock())
    first = taken(data, record)
    record.close()
    lines = list(recorded_lines(tmp_path / "wire.log"))
    assert [line.way for line in lines] == ["*", way]
    tape = Tape(iter(lines))
    tape.take()
    assert taken(tape.reply()) == first


def taken(data: bytes, record: WireRecord | None = None) -> tuple[str, str]:
    """What a wire makes of a reply: the text, or why not and what came."""
    wire = Wire(
        lambda: OneReply(data),
        name="box",
        resource="TCPIP0::192.0.2.7::5025::SOCKET",
        timeout_s=1.0,
        style=SCPI,
        record=record,
        clock=StepClock(),
    )
    wire.open()
    try:
        return wire.receive(), ""
    except Failed as fault:
        return str(fault), fault.reply


def test_a_last_line_without_its_end_is_left_out(tmp_path: Path) -> None:
    (tmp_path / "wire.log").write_text("0.5\tsupply\t>\tVOLT?\n0.6\tsupply\t<\t24.0", "utf-8")
    lines = list(recorded_lines(tmp_path / "wire.log"))
    assert lines == [Line(1, 0.5, "supply", ">", "VOLT?")]
