"""The journal: every byte of it is proven, a torn end is tolerated, nothing else is."""

from __future__ import annotations

import errno
import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.errors import BadInput, StorageError
from runner.journal import Journal, read


class StillClock:
    """A clock that stands."""

    def now_s(self) -> float:
        return 12.5

    def utc(self) -> datetime:
        return datetime(2026, 6, 21, 4, 0, tzinfo=UTC)

    def sleep(self, s: float) -> None:
        raise AssertionError("a journal never waits")


def write_journal(folder: Path) -> Path:
    journal = Journal(folder, StillClock())
    journal.write("run", sequence="load_sweep")
    journal.write("step", index=0, step="Draw", args={"iout_a": 1.5})
    for k in range(3):
        journal.write("sample", sync=False, index=0, vin_v=24.0, iin_a=0.6, vout_v=9.0 + k / 7)
    journal.write("note", text='a "sum": "trap", and 25 °C')
    journal.write("end", ending="done", message="it came to its end", exit_code=0)
    journal.close()
    return journal.path


def test_what_was_written_is_read_back(tmp_path: Path) -> None:
    records = list(read(write_journal(tmp_path)))
    assert [r["kind"] for r in records] == [
        "run",
        "step",
        "sample",
        "sample",
        "sample",
        "note",
        "end",
    ]
    assert records[1]["args"] == {"iout_a": 1.5}
    assert records[3]["vout_v"] == 9.0 + 1 / 7  # exact: JSON carries the shortest round-trip form
    assert records[0]["utc"] == "2026-06-21T04:00:00.000Z"


def test_a_journal_is_plain_json_lines(tmp_path: Path) -> None:
    lines = write_journal(tmp_path).read_text("utf-8").splitlines()
    assert [json.loads(line)["n"] for line in lines] == list(range(7))


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_journal_cut_at_any_byte_gives_every_whole_record(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = write_journal(tmp_path_factory.mktemp("cut"))
    whole = path.read_bytes()
    cut = data.draw(st.integers(0, len(whole)))
    path.write_bytes(whole[:cut])
    assert len(list(read(path))) == whole[:cut].count(b"\n")


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_changed_byte_before_the_last_line_is_found_and_named(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = write_journal(tmp_path_factory.mktemp("flip"))
    whole = bytearray(path.read_bytes())
    last_line = whole.rstrip(b"\n").rindex(b"\n") + 1
    place = data.draw(st.integers(0, last_line - 1))
    whole[place] ^= data.draw(st.integers(1, 255))
    path.write_bytes(whole)
    line = bytes(whole[:place]).count(b"\n") + 1
    with pytest.raises(BadInput, match=r"line \d+: the record is damaged") as caught:
        list(read(path))
    assert f"line {line}:" in str(caught.value)


def test_a_lost_line_is_found(tmp_path: Path) -> None:
    path = write_journal(tmp_path)
    lines = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(b"".join(lines[:2] + lines[3:]))
    with pytest.raises(BadInput, match="line 3"):
        list(read(path))


def test_a_journal_is_never_written_over(tmp_path: Path) -> None:
    write_journal(tmp_path)
    with pytest.raises(StorageError, match="cannot create"):
        Journal(tmp_path, StillClock())


def test_a_missing_journal_is_bad_input(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="cannot read the journal"):
        list(read(tmp_path / "journal.jsonl"))


@pytest.mark.parametrize("kept_bytes", [0, 7, 10_000])
def test_a_record_that_found_no_room_leaves_nothing_behind(
    kept_bytes: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    journal, write = Journal(tmp_path, StillClock()), os.write
    journal.write("run", sequence="load_sweep")
    room = [kept_bytes]

    def full(descriptor: int, data: bytes) -> int:
        if not room:
            raise OSError(errno.ENOSPC, "No space left on device")
        return write(descriptor, data[: room.pop()])

    def unsynced(descriptor: int) -> None:
        raise OSError(errno.EIO, "Input/output error")

    with monkeypatch.context() as disk:
        disk.setattr(os, "write", full)
        disk.setattr(os, "fsync", unsynced)
        with pytest.raises(StorageError, match="what was written is intact"):
            journal.write("sample", vout_v=9.0)
    journal.write(
        "safe", confirmed=True, attempts=[]
    )  # somebody made room: the way out is still told
    journal.close()
    assert [record["kind"] for record in read(journal.path)] == ["run", "safe"]
