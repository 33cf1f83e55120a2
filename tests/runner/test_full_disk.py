"""A disk that takes no more: the bench is safe first, the journal is whole, and it is told."""

from __future__ import annotations

import contextlib
import errno
import io
import os
from pathlib import Path
from typing import Any

import pytest

from runner import run_folder
from runner.clock import Clock
from runner.errors import StorageError
from runner.wire_record import WireRecord
from tests.runner.live import TWO_POINTS, Heard, Live


def fill_the_disk_after(
    writes: int, monkeypatch: pytest.MonkeyPatch, where: str = "runner.journal.os.write"
) -> None:
    left = iter(range(writes))
    write = os.write

    def full(descriptor: int, data: bytes) -> int:
        if next(left, None) is None:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(descriptor, data)

    monkeypatch.setattr(where, full)


@pytest.mark.parametrize("writes", [1, 4, 9, 15, 25])
def test_a_full_disk_leads_to_the_safe_state_with_the_journal_intact(
    live: Live, writes: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    fill_the_disk_after(writes, monkeypatch)
    heard = Heard()
    with contextlib.suppress(StorageError):  # run.json cannot be written either
        done = live.run(live.sequence(TWO_POINTS), heard=heard)
        assert done.ending.exit_code == 7 and "No space left" in done.ending.message
    assert live.outputs_on() == (False, False)
    assert len(live.records()) == writes


def test_a_wire_record_that_cannot_be_written_keeps_nothing_from_being_switched_off(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Full(io.StringIO):
        def write(self, text: str) -> int:
            raise OSError(errno.ENOSPC, "No space left on device")

    begin = WireRecord.__init__

    def begin_full(self: WireRecord, path: Path, clock: Clock) -> None:
        begin(self, path, clock)
        self.close()
        self._file = Full()

    monkeypatch.setattr(WireRecord, "__init__", begin_full)
    done = live.run(live.sequence(TWO_POINTS))
    assert done.ending.exit_code == 0 and live.outputs_on() == (False, False)


def test_how_a_run_ended_is_told_though_its_summary_cannot_be_written(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    write, left = run_folder.write_summary, [1]

    def full(folder: Path, values: dict[str, Any]) -> None:
        if not left:
            raise StorageError("run.json: No space left on device")
        left.pop()
        write(folder, values)

    monkeypatch.setattr(run_folder, "write_summary", full)
    bench, heard = live.demo("bench", "ploss_max_w = 15.0", "ploss_max_w = 1.5"), Heard()
    done = live.run(live.sequence(TWO_POINTS), bench=bench, heard=heard)
    assert done.ending.name == "tripped" and "run.json: No space" in heard.notes[-1]
