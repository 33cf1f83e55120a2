"""Reverse polarity on twins with and without protection, alive and dead."""

from __future__ import annotations

from typing import Any

import pytest

from runner.errors import BadInput
from runner.hand.person import Agreeing
from tests.runner.conftest import live
from tests.runner.live import Live
from tests.sequences.held_out import found, named

__all__ = ["live"]

QUICK: dict[str, Any] = {"hold_s": "0.5", "destructive_s": "2", "person": Agreeing()}
EARNEST: dict[str, Any] = {"destructive": "yes", **QUICK}


def protected(live: Live, kind: str, more: str = "") -> str:
    return live.demo("module", 'kind = "none" #', f'kind = "{kind}"\n{more}#')


def steps_of(live: Live, name: str) -> list[dict[str, object]]:
    return [r["args"] for r in live.records() if r["kind"] == "step" and r["step"] == name]


def questions(live: Live) -> list[str]:
    return [r["text"] for r in live.records() if r["kind"] == "question"]


@pytest.fixture(autouse=True)
def curve_beside(live: Live) -> None:
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")


@pytest.mark.parametrize("kind", ["schottky", "p-channel"])
def test_a_part_that_blocks_is_found_to_and_the_module_lives(live: Live, kind: str) -> None:
    done = live.run("reverse_polarity", module=protected(live, kind), **QUICK)
    assert done.ending.exit_code == 0, done.ending.message
    current, before, after = (
        named(found(live), "reverse_current_a"),
        *[one for one in found(live) if one.quantity == "output_v"],
    )
    assert current.text == "blocks up to 24 V reversed"
    assert current.value is not None and abs(current.value) < 0.001  # the twins leak 100 and 1 µA
    assert before.text == "before: works" and after.text == "after: works"
    assert live.bench is not None and live.bench.world.supply.polarity == "normal"
    assert live.bench.world.dead is None


def test_the_line_comes_up_backwards_gently_and_briefly(live: Live) -> None:
    """At most 5 s, 100 mA, 2 V first (common practice, no source)."""
    live.run("reverse_polarity", module=protected(live, "schottky"), person=Agreeing())
    records = live.records()
    swapped = next(k for k, r in enumerate(records) if "Swap its two leads" in str(r.get("text")))
    righted = next(k for k, r in enumerate(records) if "lay its leads right" in str(r.get("text")))
    starts = [
        r["args"] for r in records[swapped:righted] if r["kind"] == "step" and r["step"] == "Start"
    ]
    assert [start["line_v"] for start in starts] == [1.0, 2.0, 24.0]
    assert all(start["limit_a"] <= 0.1 and start["watch_s"] <= 5.0 for start in starts)


def test_nobody_touches_a_lead_before_the_supply_was_seen_to_be_off(live: Live) -> None:
    live.run("reverse_polarity", module=protected(live, "schottky"), **QUICK)
    records = live.records()
    for word in ("Swap its two leads", "lay its leads right"):
        asked = next(k for k, r in enumerate(records) if word in str(r.get("text")))
        before = [r["step"] for r in records[:asked] if r["kind"] == "step"]
        assert "PowerDown" in before[before.index("Start") :]
        last = max(k for k, step in enumerate(before) if step == "Start")
        assert before[last + 1] == "PowerDown"


def test_a_leaking_part_goes_no_further_than_the_first_line(live: Live) -> None:
    """A Schottky that passes 80 mA backwards blocks nothing; 24 V reversed is never tried."""
    more = "[protection.diode]\nleakage_a = 0.08\n"
    done = live.run("reverse_polarity", module=protected(live, "schottky", more), **QUICK)
    assert done.ending.exit_code == 0, done.ending.message
    current = named(found(live), "reverse_current_a")
    assert current.value is None and current.text.startswith("conducts at ")
    assert any(
        "DOES NOT BLOCK" in note["text"] for note in live.records() if note["kind"] == "note"
    )


def test_leads_that_were_not_swapped_are_noticed(
    live: Live, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody confirms without having done it: the module works, and nothing is concluded."""
    monkeypatch.setattr("sim.build.SimBench.swap", lambda bench, polarity: None)
    done = live.run("reverse_polarity", module=protected(live, "p-channel"), **QUICK)
    assert done.ending.exit_code == 4
    assert "the leads are not swapped; nothing was reversed" in done.ending.message
    assert not [one for one in found(live) if one.quantity == "reverse_current_a"]


def test_without_protection_it_is_refused_before_anything_is_switched_on(live: Live) -> None:
    with pytest.raises(BadInput, match=r"names nothing that stands in front.*--destructive yes"):
        live.run("reverse_polarity", **QUICK)
    assert not (live.folder / "run").exists()


def test_a_sacrifice_asks_for_the_units_name_and_records_its_death(live: Live) -> None:
    """The twin dies above 0.5 A backwards and is shorted then: the line stands on its output."""
    done = live.run("reverse_polarity", **EARNEST)
    assert done.ending.exit_code == 0, done.ending.message
    assert any(text.endswith("type destroy unit 1 and press Enter") for text in questions(live))
    after = [one for one in found(live) if one.quantity == "output_v"][-1]
    assert after.text == "after: DEAD, its switch is shorted"
    assert after.line_v == pytest.approx(2.0)  # the nominal line was not put on its output
    assert live.bench is not None and live.bench.world.dead == "short"
    assert any("the module is DEAD" in r["text"] for r in live.records() if r["kind"] == "note")


def test_a_unit_that_dies_open_is_dead_as_well(live: Live) -> None:
    module = live.demo("module", 'dies = "short"', 'dies = "open" ')
    live.run("reverse_polarity", module=module, **EARNEST)
    after = [one for one in found(live) if one.quantity == "output_v"][-1]
    assert after.text == "after: DEAD, no output"


def test_a_fuse_opens_before_its_clamp_lets_the_module_die(live: Live) -> None:
    """Real current: the clamp carries it, the module sees a diode's drop, the fuse opens."""
    module = protected(live, "fuse-and-clamp", "fuse_a = 1.0\nfuse_a2s = 2.0\n")
    done = live.run("reverse_polarity", module=module, **EARNEST)
    assert done.ending.exit_code == 0, done.ending.message
    assert live.bench is not None and live.bench.world.fuse.open
    assert live.bench.world.dead is None
    after = [one for one in found(live) if one.quantity == "output_v"][-1]
    assert after.text == "after: DEAD, no output"  # until the fuse is replaced


def test_it_cannot_be_run_unattended(live: Live) -> None:
    with pytest.raises(BadInput, match="reverse_polarity asks a person to confirm"):
        live.run("reverse_polarity", module=protected(live, "schottky"))
