"""A run on a bench that cannot be made anew goes on, or is refused; with the person who was there.

The seam of `Live` does not rewind: what is restored is what a real bench would be given.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from runner import journal
from runner.attention import Attention
from runner.errors import BadInput
from runner.files.toml_file import resolve
from runner.hand.person import Agreeing
from runner.journal import FILE_NAME, Journal
from runner.past import past_of
from runner.resume import prepare_again, resume
from runner.run import Run
from tests.runner.live import Heard, Live
from tests.runner.test_resume import Still

SHORT: dict[str, Any] = {"person": Agreeing(), "audit": "no"}


def records(folder: Path) -> list[dict[str, Any]]:
    return list(journal.read(folder / FILE_NAME))


def cut_after(live: Live, kind: str, name: str, which: int = 0) -> Path:
    """The run, its journal ending with the n-th record of a kind that names a step or outcome."""
    folder = live.folder / "run"
    lines = (folder / FILE_NAME).read_bytes().splitlines(keepends=True)
    ends = [k for k, r in enumerate(records(folder)) if r["kind"] == kind and r.get(kind) == name]
    (folder / FILE_NAME).write_bytes(b"".join(lines[: ends[which] + 1]))
    return folder


def go_on(folder: Path) -> Run:
    attention = Attention()
    return resume(prepare_again(folder, attention), attention, Heard(), Agreeing())


def found(folder: Path, quantity: str) -> list[float | None]:
    args = [r["args"] for r in records(folder) if r["kind"] == "step" and r["step"] == "Found"]
    return [one["value"] for one in args if one["quantity"] == quantity]


def test_a_short_that_was_cut_in_two_is_made_again_and_never_held_to_warm_up(live: Live) -> None:
    live.run("short_circuit", **SHORT)
    whole = found(live.folder / "run", "recovery_s")
    shorted = next(
        r["index"]
        for r in live.records()
        if r["kind"] == "step" and r["step"] == "Resist" and r["args"]["load_ohm"] < 0.5
    )
    lines = (live.folder / "run" / FILE_NAME).read_bytes().splitlines(keepends=True)
    end = next(
        k for k, r in enumerate(live.records()) if r["kind"] == "outcome" and r["index"] == shorted
    )
    folder = live.folder / "run"
    (folder / FILE_NAME).write_bytes(b"".join(lines[: end + 1]))
    assert go_on(folder).ending.name == "done"
    restored = [r["text"] for r in records(folder) if r["kind"] == "restored" and "text" in r]
    assert not any("Resist" in text for text in restored)
    assert found(folder, "recovery_s") == pytest.approx(whole, abs=0.05)
    steps = [r["index"] for r in records(folder) if r["kind"] == "outcome"]
    assert steps == list(range(len(steps)))


def test_lockout_goes_on_from_the_side_the_line_was_led_from(live: Live) -> None:
    live.run("lockout", audit="no")
    whole = [found(live.folder / "run", f"lockout_{edge}_line_v")[0] for edge in ("stop", "start")]
    folder = cut_after(live, "outcome", "Trace", 6)
    assert go_on(folder).ending.name == "done"
    again = [found(folder, f"lockout_{edge}_line_v")[0] for edge in ("stop", "start")]
    assert again == pytest.approx(whole, abs=0.05)  # as narrow as it brackets them


def test_who_swapped_the_leads_is_asked_to_see_that_they_still_lie_so(live: Live) -> None:
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")
    module = live.demo("module", 'kind = "none" #', 'kind = "schottky"\n#')
    live.run("reverse_polarity", module=module, hold_s="0.5", person=Agreeing())
    records_then = live.records()
    swapped = next(
        r["index"]
        for r in records_then
        if r["kind"] == "step" and r["args"].get("polarity") == "reversed"
    )
    end = next(
        k for k, r in enumerate(records_then) if r["kind"] == "outcome" and r["index"] == swapped
    )
    folder = live.folder / "run"
    lines = (folder / FILE_NAME).read_bytes().splitlines(keepends=True)
    (folder / FILE_NAME).write_bytes(b"".join(lines[: end + 1]))
    assert go_on(folder).ending.name == "done"
    asked = [r["text"] for r in records(folder) if r["kind"] == "question"]
    assert any("See that this is still so" in text and "Swap" in text for text in asked)
    assert live.bench is not None and live.bench.world.supply.polarity == "normal"
    end_found = [r["args"]["text"] for r in records(folder) if r.get("step") == "Found"]
    assert "after: works" in end_found


def test_a_run_that_went_on_while_it_was_looked_at_is_refused(live: Live) -> None:
    live.run("short_circuit", **SHORT)
    folder = cut_after(live, "outcome", "Point")
    attention = Attention()
    again = prepare_again(folder, attention)
    with_more = Journal(folder, Still(), go_on=True)
    with_more.write("note", text="somebody else was quicker")
    with_more.close()
    before = (folder / FILE_NAME).read_bytes()
    with pytest.raises(BadInput, match="went on while it was looked at"):
        resume(again, attention, Heard(), Agreeing())
    assert (folder / FILE_NAME).read_bytes() == before


def test_a_curve_that_a_claim_names_has_to_be_the_same(live: Live) -> None:
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")
    text = resolve("demo", "module").read_text("utf-8")
    text, count = re.subn(
        r"\npoints = \[.*?\n\]", '\ncurve_csv = "demo_curve.csv"', text, flags=re.S
    )
    assert count == 1
    module = live.folder / "module.toml"
    module.write_text(text, "utf-8")
    live.run("short_circuit", module=str(module), **SHORT)
    folder = cut_after(live, "outcome", "Point")
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,91\n", "utf-8")
    with pytest.raises(BadInput, match=r"efficiency_pct was 90\.0, it is 91\.0"):
        prepare_again(folder, Attention())


@pytest.mark.parametrize(
    ("kind", "values", "said"),
    [
        ("resumed", {"session": 2, "ended": "x", "from_n": -1}, "from_n is -1"),
        ("resumed", {"session": 2, "ended": "x", "from_n": 1.5}, "from_n is 1.5"),
        ("resumed", {"session": 2, "ended": "x", "from_n": "3"}, "from_n is '3'"),
        ("resumed", {"session": 2, "ended": "x", "from_n": 10**6}, "records before this one"),
        ("resumed", {"session": "two", "ended": "x", "from_n": 1}, "session is 'two'"),
        ("invalid", {"from_n": 3}, "why is not there"),
        ("outcome", {"index": 1, "outcome": [], "values": {}}, "outcome is []"),
        ("outcome", {"index": 1, "outcome": "Done", "values": [1]}, "values is [1]"),
        ("end", {"ending": "tripped"}, "message is not there"),
    ],
)
def test_a_record_that_follows_and_is_none_of_ours_is_refused_by_key(
    kind: str, values: dict[str, Any], said: str, tmp_path: Path
) -> None:
    forged = Journal(tmp_path, Still())
    forged.write("run", sequence="load_sweep")
    forged.write(kind, **values)
    forged.close()
    with pytest.raises(BadInput, match="line 2: this version cannot read the record") as caught:
        past_of(tmp_path)
    assert said in str(caught.value)


@pytest.mark.parametrize("text", ["[" * 100_000 + "]" * 100_000, "9" * 6000, "NaN", "oops"])
def test_a_line_that_follows_and_is_no_json_is_damaged(text: str, tmp_path: Path) -> None:
    first = Journal(tmp_path, Still())
    first.write("run", sequence="load_sweep")
    first.close()
    path = tmp_path / FILE_NAME
    _, before = journal.verify(path.read_bytes(), "")
    body = f'{{"n": 1, "kind": "note", "text": {text}'
    checksum = journal._checksum(before, body)
    with path.open("a", encoding="utf-8") as file:
        file.write(f'{body}, "sum": "{checksum}"}}\n')
    with pytest.raises(BadInput, match="line 2: the record is damaged"):
        list(journal.read(path))


def test_a_journal_that_is_a_link_is_not_written_through(live: Live) -> None:
    live.run("short_circuit", **SHORT)
    folder = cut_after(live, "outcome", "Point")
    shutil.move(folder / FILE_NAME, live.folder / "elsewhere")
    (folder / FILE_NAME).symlink_to(live.folder / "elsewhere")
    with pytest.raises(BadInput, match="is a link"):
        prepare_again(folder, Attention())
