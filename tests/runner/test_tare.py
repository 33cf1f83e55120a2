"""The tare: only with everything off, its samples journaled raw, its outcome in the journal."""

from __future__ import annotations

import pytest

from runner.errors import BadInput
from tests.runner.live import Live


def test_a_tare_reads_both_ammeters_with_everything_off(live: Live) -> None:
    done = live.run(live.sequence("yield Tare(samples=12)\nyield PowerUp(24.0)\nyield PowerDown()"))
    assert done.ending.name == "done"
    records = live.records()
    (tared,) = [r for r in records if r.get("outcome") == "Tared"]
    samples = [r for r in records if r["kind"] == "sample" and r["index"] == tared["index"]]
    assert len(samples) == tared["values"]["samples"] == 12
    for name in ("iin_a", "iout_a"):
        mean = sum(sample[name] for sample in samples) / 12
        assert tared["values"][name] == pytest.approx(mean, abs=1e-9)
        assert tared["values"]["sd"][name] > 0.0
        # The demo bench's ammeters are off by some milliamperes at nought, within their statement.
        assert 1e-5 < abs(mean) < 0.0051
    assert {sample["supply_mode"] for sample in samples} == {"OFF"}


@pytest.mark.parametrize(
    "before", ["yield PowerUp(24.0)", "yield PowerUp(24.0)\nyield Draw(1.0)\nyield Release()"]
)
def test_a_tare_with_the_supply_on_is_refused_on_paper(live: Live, before: str) -> None:
    with pytest.raises(BadInput, match="with the supply or the load on"):
        live.run(live.sequence(f"{before}\nyield Tare()\nyield PowerDown()"))
    assert not (live.folder / "run").exists()


def test_a_tare_may_follow_a_power_down(live: Live) -> None:
    body = "yield PowerUp(24.0)\nyield PowerDown()\nyield Wait(5.0)\nyield Tare()"
    assert live.run(live.sequence(body)).ending.name == "done"


def test_the_shipped_sequences_take_a_tare_before_power_up_unless_told_not_to(live: Live) -> None:
    live.run("load_sweep", points="2", soak="no", lines_v="24", warm_up_s="1")
    steps = [r["step"] for r in live.records() if r["kind"] == "step"]
    assert steps.index("Tare") < steps.index("PowerUp")


def test_a_sweep_repeats_its_reference_point(live: Live) -> None:
    live.run("load_sweep", points="2", soak="no", warm_up_s="1", tare="no")
    records = live.records()
    assert "Tare" not in [r.get("step") for r in records]
    points = [r["values"] for r in records if r.get("outcome") == "Point"]
    places = [k for k, values in enumerate(points) if values["label"] == "reference"]
    swept = [k for k, values in enumerate(points) if values["label"] in ("no load", "up")]
    assert len(places) == 3
    assert places[0] < swept[0] < places[1] < swept[-1] < places[2] == len(points) - 1
    assert {(points[k]["line_set_v"], points[k]["iout_set_a"]) for k in places} == {(24.0, 2.0)}
