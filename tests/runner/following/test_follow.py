"""Following a journal: at any byte, against tampering, at a cost that does not grow."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from runner import journal
from runner.errors import BadInput
from runner.live import follow
from runner.live.follow import Follower, folder_of_run, glance
from tests.runner.following.journals import END, RUN, going, short, write


@pytest.fixture
def whole(tmp_path: Path) -> bytes:
    return write(tmp_path / "source", *short()).read_bytes()


def grow(path: Path, content: bytes) -> None:
    with path.open("ab") as file:
        file.write(content)


def test_a_record_is_given_once_with_the_byte_that_completes_it(
    whole: bytes, tmp_path: Path
) -> None:
    follower, given = Follower(tmp_path), []
    for k in range(len(whole)):
        grow(tmp_path / journal.FILE_NAME, whole[k : k + 1])
        given += follower.poll()
        assert len(given) == whole[: k + 1].count(b"\n")
    assert given == list(journal.read(tmp_path / "source" / journal.FILE_NAME))


@pytest.mark.parametrize("step", [2, 3, 7, 50, 333])
def test_any_pieces_give_the_same_records(step: int, whole: bytes, tmp_path: Path) -> None:
    follower, given = Follower(tmp_path), []
    for k in range(0, len(whole), step):
        grow(tmp_path / journal.FILE_NAME, whole[k : k + step])
        given += follower.poll()
    assert given == list(journal.read(tmp_path / "source" / journal.FILE_NAME))


def test_every_changed_byte_is_found_in_its_line(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / journal.FILE_NAME
    for k in range(0, len(whole), 5):
        changed = whole[:k] + bytes([whole[k] ^ 1]) + whole[k + 1 :]
        path.write_bytes(changed)
        line = whole[:k].count(b"\n") + 1
        with pytest.raises(BadInput, match=f"line {line}: the record is damaged"):
            Follower(tmp_path).poll()
            pytest.fail(f"byte {k} was changed and nobody saw it")


@pytest.mark.parametrize("change", ["lost", "swapped", "doubled"])
def test_lines_that_do_not_follow_are_refused(change: str, whole: bytes, tmp_path: Path) -> None:
    lines = whole.splitlines(keepends=True)
    instead = {
        "lost": [lines[0], *lines[2:]],
        "swapped": [lines[0], lines[2], lines[1], *lines[3:]],
        "doubled": [lines[0], lines[0], *lines[1:]],
    }[change]
    (tmp_path / journal.FILE_NAME).write_bytes(b"".join(instead))
    with pytest.raises(BadInput, match="line 2: the record is damaged"):
        Follower(tmp_path).poll()


def test_a_poll_reads_only_what_is_new(whole: bytes, tmp_path: Path) -> None:
    """The part that was read is overwritten: nobody looks at it again."""
    path, cut = tmp_path / journal.FILE_NAME, whole.rindex(b"\n", 0, -1) + 1
    path.write_bytes(whole[:cut])
    follower = Follower(tmp_path)
    follower.poll()
    path.write_bytes(b"x" * cut + whole[cut:])
    assert [record["kind"] for record in follower.poll()] == ["end"]


def test_a_long_journal_is_read_in_pieces_of_one_size(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(follow, "CHUNK_BYTES", 4096)
    notes = [("note", {"text": "w" * 100})] * 200
    path = write(tmp_path, ("run", RUN), *notes)
    follower, polls, given = Follower(tmp_path), 0, 0
    while True:
        before = follower.read_bytes
        given += len(follower.poll())
        assert follower.read_bytes - before <= 4096
        polls += 1
        if not follower.behind_bytes:
            break
    assert given == 201 and polls > path.stat().st_size // 4096


def test_a_line_longer_than_any_of_ours_is_damage_not_a_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(follow, "CHUNK_BYTES", 4096)
    (tmp_path / journal.FILE_NAME).write_bytes(b"x" * 5000)
    with pytest.raises(BadInput, match="line 1: the record is damaged"):
        Follower(tmp_path).poll()


def test_a_torn_line_that_is_cut_off_and_written_anew_is_followed(
    whole: bytes, tmp_path: Path
) -> None:
    """As a run that is resumed does it."""
    path, cut = tmp_path / journal.FILE_NAME, whole.index(b"\n") + 1
    path.write_bytes(whole[: cut + 20])
    follower = Follower(tmp_path)
    assert len(follower.poll()) == 1
    path.write_bytes(whole)
    assert len(follower.poll()) == 5


def test_a_journal_that_became_shorter_is_an_error(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / journal.FILE_NAME
    path.write_bytes(whole)
    follower = Follower(tmp_path)
    follower.poll()
    path.write_bytes(whole[:10])
    with pytest.raises(BadInput, match="became shorter"):
        follower.poll()
    path.unlink()
    with pytest.raises(BadInput, match="became shorter"):
        follower.poll()


def test_a_journal_that_is_not_there_yet_has_no_records(tmp_path: Path) -> None:
    assert Follower(tmp_path).poll() == []


@pytest.mark.skipif(not hasattr(os, "O_NOFOLLOW"), reason="links are followed on this system")
def test_a_journal_that_is_a_link_is_not_read(whole: bytes, tmp_path: Path) -> None:
    (tmp_path / journal.FILE_NAME).symlink_to(tmp_path / "source" / journal.FILE_NAME)
    with pytest.raises(BadInput, match="cannot read the journal"):
        Follower(tmp_path).poll()
    with pytest.raises(BadInput, match="cannot read the journal"):
        glance(tmp_path)


def test_a_glance_sees_both_ends(tmp_path: Path) -> None:
    write(tmp_path / "ended", *short())
    write(tmp_path / "going", *going())
    ended, still = glance(tmp_path / "ended"), glance(tmp_path / "going")
    assert ended.first is not None and ended.first["sequence"] == "own"
    assert ended.last is not None and ended.last["ending"] == END["ending"]
    assert still.last is not None and still.last["kind"] == "note"


def test_a_glance_at_any_cut_is_what_is_whole(whole: bytes, tmp_path: Path) -> None:
    path = tmp_path / journal.FILE_NAME
    for k in range(0, len(whole), 3):
        path.write_bytes(whole[:k])
        lines = whole[:k].count(b"\n")
        seen = glance(tmp_path)
        assert (seen.last or {}).get("n") == (lines - 1 if lines else None)


def test_a_glance_finds_a_changed_ending(whole: bytes, tmp_path: Path) -> None:
    (tmp_path / journal.FILE_NAME).write_bytes(whole.replace(b'"exit_code": 0', b'"exit_code": 6'))
    with pytest.raises(BadInput, match="last record is damaged"):
        glance(tmp_path)


def test_what_is_no_run_folder_is_said(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="there is no such folder"):
        folder_of_run(tmp_path / "nowhere")
    with pytest.raises(BadInput, match="is no run folder"):
        folder_of_run(tmp_path)
