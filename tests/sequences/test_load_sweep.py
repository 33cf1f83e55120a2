"""The load sweep that places its own loads: how many, where, and beside a current limit."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import pytest

from tests.runner.conftest import live
from tests.runner.live import Live

__all__ = ["live"]

FAST: dict[str, Any] = {"soak": "no", "audit": "no", "lines_v": "24", "spacing": "adaptive"}


def points(live: Live, *labels: str) -> list[dict[str, float]]:
    found = [r["values"] for r in live.records() if r.get("outcome") == "Point"]
    return [values for values in found if values["label"] in labels]


def planned(live: Live) -> int:
    return int(next(r for r in live.records() if r["kind"] == "run")["points_planned"])


@pytest.mark.parametrize("count", [8, 9, 12])
def test_so_many_loads_are_taken_as_were_asked_for_and_planned(live: Live, count: int) -> None:
    done = live.run("load_sweep", **FAST, points=str(count))
    assert done.ending.exit_code == 0, done.ending.message
    taken = points(live, "up", "placed")
    assert len(taken) == count == len({round(one["iout_set_a"], 6) for one in taken})
    assert len(points(live, "placed")) == count - 7
    assert planned(live) == len(points(live, "no load", "reference", "up", "placed"))


def test_it_begins_at_the_loads_people_ask_about(live: Live) -> None:
    """Of the demo module a mean of four loads is claimed; without 3 A it could not be judged."""
    live.run("load_sweep", **FAST, points="9")
    loads_a = [one["iout_set_a"] for one in points(live, "up")]
    assert loads_a == pytest.approx([0.2, 0.4, 1.0, 2.0, 3.0, 4.0, 4.4])


def test_without_a_claim_on_the_mean_one_load_more_is_placed(live: Live) -> None:
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")
    claim = 'about = "average-efficiency"\nefficiency_min_pct = 89.0\nmethod = "four-point-mean"\n'
    instead = 'about = "efficiency"\nefficiency_min_pct = 89.0\niout_a = 3.6\n'
    done = live.run("load_sweep", module=live.demo("module", claim, instead), **FAST, points="9")
    assert done.ending.exit_code == 0, done.ending.message
    loads_a = [one["iout_set_a"] for one in points(live, "up")]
    assert loads_a == pytest.approx([0.2, 0.4, 1.0, 2.0, 4.0, 4.4])
    assert len(points(live, "placed")) == 3


def test_the_mode_of_switching_changes_between_loads_placed_close(live: Live) -> None:
    """At 24 V the current of the demo module runs dry below 0.6 A: from its ripple, 5.5 V and 9 V
    over 33 µH at 150 kHz, half of (24 - 0.7 - 9) x 9.3 / 23.6 / 33e-6 / 150e3 = 0.57 A."""
    live.run("load_sweep", **FAST, points="10")
    loads_a = sorted(one["iout_set_a"] for one in points(live, "up", "placed"))
    beside = [b - a for a, b in pairwise(loads_a) if a <= 0.57 <= b]
    assert min(beside) <= 0.35
    assert sum(load_a < 1.0 for load_a in loads_a) >= 5


def test_few_loads_are_spaced_in_equal_ratios(live: Live) -> None:
    live.run("load_sweep", **FAST, points="5")
    loads_a = [one["iout_set_a"] for one in points(live, "up", "placed")]
    ratios = [b / a for a, b in pairwise(loads_a)]
    assert ratios == pytest.approx([22.0**0.25] * 4, rel=1e-4)


def test_a_current_limit_is_approached_by_halves(live: Live) -> None:
    """A module that limits at 3 A: the sweep finds it, and covers what lies below."""
    module = live.demo("module", "current_a = 5.0 ", "current_a = 3.0 ")
    (live.folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")
    done = live.run("load_sweep", module=module, **FAST, points="12")
    assert done.ending.exit_code == 0, done.ending.message
    held = [one for one in points(live, "up", "placed") if "VOUT_LOW" not in one["flags"]]  # type: ignore[operator]
    greatest_a = max(one["iout_set_a"] for one in held)
    assert 2.7 <= greatest_a <= 3.0
    assert len(points(live, "up", "placed")) <= 12


def test_down_again_takes_every_load_that_held(live: Live) -> None:
    live.run("load_sweep", **FAST, points="8", down="yes")
    up = sorted(one["iout_set_a"] for one in points(live, "up", "placed"))
    down = [one["iout_set_a"] for one in points(live, "down")]
    assert down == up[::-1]
