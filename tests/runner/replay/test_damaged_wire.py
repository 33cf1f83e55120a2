"""A replay of a record that was cut, damaged or tampered with."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
from pathlib import Path

import pytest

from runner.errors import BadInput, Stopped, StorageError
from runner.replay import offline as replay_module
from runner.replay.offline import DIFFERS, replay
from runner.steps import Step
from tests.runner.live import TWO_POINTS, Live
from tests.runner.replay.replays import two_points


def killed(folder: Path, wire_bytes: int) -> None:
    """As a `kill -9` leaves a folder: no ending, and the wire written up to some byte."""
    lines = (folder / "journal.jsonl").read_bytes().split(b"\n")
    whole = [k for k, line in enumerate(lines) if line and json.loads(line)["kind"] == "safe"]
    (folder / "journal.jsonl").write_bytes(b"\n".join(lines[: whole[0]]) + b"\n")
    wire = (folder / "wire.log").read_bytes()
    (folder / "wire.log").write_bytes(wire[:wire_bytes])


def test_a_killed_run_is_replayed_as_far_as_its_wire_goes(live: Live) -> None:
    folder = two_points(live)
    whole = (folder / "wire.log").read_bytes()
    killed(folder, len(whole) * 2 // 3)
    told = replay(folder)
    assert told.exit_code == 0 and told.journals.outcomes >= 3
    assert "where the run was cut" in told.until


@pytest.mark.parametrize("writes", [4, 9, 25])
def test_a_run_that_a_full_disk_ended_is_replayed_up_to_there(
    live: Live, writes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    left, write = iter(range(writes)), os.write

    def full(descriptor: int, data: bytes) -> int:
        if next(left, None) is None:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(descriptor, data)

    with monkeypatch.context() as patched, contextlib.suppress(StorageError):
        patched.setattr("runner.journal.os.write", full)
        live.run(live.sequence(TWO_POINTS))
    told = replay(live.folder / "run")
    assert told.exit_code == 0 and "No space left on device" in told.until
    assert told.journals.records == writes


def test_a_wire_cut_at_any_byte_gives_a_clear_answer(live: Live) -> None:
    folder = two_points(live)
    whole = (folder / "wire.log").read_bytes()
    begins = whole.index(b"supply\t>")
    for size in [0, 1, 17, *range(begins, len(whole), len(whole) // 60)]:
        (folder / "wire.log").write_bytes(whole[:size])
        with pytest.raises(BadInput, match=r"wire.log|record of the wire"):
            replay(folder)
    (folder / "wire.log").write_bytes(whole)
    killed(folder, len(whole))
    for size in range(begins, len(whole), len(whole) // 60):
        (folder / "wire.log").write_bytes(whole[:size])
        told = replay(folder)
        assert told.exit_code == 0 and "where the run was cut" in told.until


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"\x00\xff\xfe" * 1000 + b"\n", "line 1: found"),
        (b"1" * 1_000_000, "more than 200000 bytes"),
        (b"0.0\tsupply\t>\n", "no line of a wire record"),
        (b"nan\tsupply\t>\tVOLT?\n", "no line of a wire record"),
        (b"-1.0\tsupply\t>\tVOLT?\n", "no line of a wire record"),
        (b"0.0\tsupply\t=\t\n", "no line of a wire record"),
        (b"0.0\t\t@\tyesterday\n", "no line of a wire record"),
        (b"0.0\t\t@\t9999-12-31T23:59:59+00:00\n", "no line of a wire record"),
        (b"0.0\t\t@\t2026-06-21T04:00:00\n", "no line of a wire record"),
        (b"0.0\tsupply\t>\t\\x4\n", "no line of a wire record"),
        (b"0.0\tsupply\t>\t*IDN?\n", "does not say what time it was"),
        (b"", "does not say what time it was|ends with line 0"),
    ],
)
def test_a_hostile_wire_record_is_one_clear_error(live: Live, content: bytes, said: str) -> None:
    folder = two_points(live)
    (folder / "wire.log").write_bytes(content)
    with pytest.raises(BadInput, match=said):
        replay(folder)


def test_garbage_in_the_middle_is_no_fault_of_a_box(live: Live) -> None:
    folder = two_points(live)
    rows = (folder / "wire.log").read_bytes().split(b"\n")
    middle = len(rows) // 2
    (folder / "wire.log").write_bytes(b"\n".join([*rows[:middle], b"\x81\x82", *rows[middle:]]))
    with pytest.raises(BadInput, match=f"line {middle + 1}: found"):
        replay(folder)


def test_a_reply_that_was_altered_is_found(live: Live) -> None:
    folder = two_points(live)
    text = (folder / "wire.log").read_text("utf-8")
    at = text.index("\t<\t24.0", len(text) // 2)
    (folder / "wire.log").write_text(text[:at] + "\t<\t23.9" + text[at + 7 :], "utf-8")
    told = replay(folder)
    assert told.exit_code == DIFFERS and told.differences[-1].of in ("journal", "tables")


def test_a_signal_ends_the_replay_and_is_not_taken_for_a_stop_of_then(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = two_points(live)
    plain = replay_module.Heard.on_step

    def interrupted(self: replay_module.Heard, index: int, step: Step) -> None:
        plain(self, index, step)
        if index == 2:
            os.kill(os.getpid(), signal.SIGINT)

    monkeypatch.setattr(replay_module.Heard, "on_step", interrupted)
    with pytest.raises(Stopped, match="the replay was stopped by SIGINT"):
        replay(folder)


def test_a_run_without_a_wire_record_or_a_beginning_is_refused(live: Live) -> None:
    folder = two_points(live)
    (folder / "wire.log").unlink()
    with pytest.raises(BadInput, match="record of the wire cannot be read"):
        replay(folder)
    (folder / "journal.jsonl").write_bytes(b"")
    with pytest.raises(BadInput, match="no run record"):
        replay(folder)
