"""What a person sees while a run goes on says names and paths as they are."""

from __future__ import annotations

import io

import pytest

from runner.cli.screen import LiveBlock, Progress
from runner.pace import Pace


def test_brackets_in_a_name_or_a_path_are_shown_as_they_are(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shown = io.StringIO()
    monkeypatch.setattr("sys.stderr", shown)
    block = LiveBlock(Progress("load_sweep: mast [red] on pier [/b]", 3, Pace.of([1.0]), ()))
    with block:
        block.on_note("cannot write /runs/[/old]/journal.jsonl :fire:")
        block._live.refresh()
    assert "note: cannot write /runs/[/old]/journal.jsonl :fire:" in shown.getvalue()
