"""A link in a hurry gives a silent box up within a second, and puts up with less than that."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from drivers.errors import InstrumentError, LostInstrument
from drivers.link import Link
from sim.build import SimBench
from sim.faults import Fault, Kind
from tests.drivers.live_bench import bench_of, link_to, load_box, supply_box

WITHIN_S = 1.0
"""With a second between two looks, this leaves a second to the output off (common practice)."""


@pytest.fixture(params=["scpi-supply", "line-supply", "scpi-load-function"])
def pair(request: pytest.FixtureRequest) -> Iterator[tuple[SimBench, Link]]:
    """A box and a hurried link to it."""
    family = request.param
    spec = load_box(family) if "load" in family else supply_box(family, "ASRL5::INSTR")
    if family == "scpi-supply":
        spec = supply_box(family)
    bench = bench_of([spec] if "supply" in family else [supply_box("scpi-supply"), spec])
    link = link_to(bench, spec)
    link.hurry(True)
    yield bench, link
    bench.close()


def strike(bench: SimBench, link: Link, kind: Kind, **how: Any) -> None:
    bench.devices[link.resource].faults.switch_on(Fault(kind, **how))


def question(link: Link) -> str:
    return "V1?" if link.resource.startswith("ASRL") else "CURR?"


@pytest.mark.parametrize("kind", ["no-reply", "hangs", "garbage", "half-line", "previous"])
def test_a_box_that_gives_no_answer_is_given_up_within_a_second(
    pair: tuple[SimBench, Link], kind: Kind
) -> None:
    bench, link = pair
    strike(bench, link, kind, times=0)
    began_s = bench.clock.now_s()
    with pytest.raises(InstrumentError):
        for _ in range(3):  # the reply before may be the right one, once
            link.batch((question(link),))
    assert bench.clock.now_s() - began_s < WITHIN_S


@pytest.mark.parametrize(
    ("kind", "how"),
    [("late", {"delay_s": 0.5}), ("no-reply", {}), ("half-line", {}), ("garbage", {})],
)
def test_what_is_over_sooner_costs_nothing(
    pair: tuple[SimBench, Link], kind: Kind, how: dict[str, float]
) -> None:
    bench, link = pair
    before = link.batch((question(link),))
    strike(bench, link, kind, **how)
    assert link.batch((question(link),)) == before
    assert link.slips == 1


def test_a_cut_line_is_opened_anew_at_once(pair: tuple[SimBench, Link]) -> None:
    bench, link = pair
    strike(bench, link, "disconnects")
    assert link.batch((question(link),))
    assert link.slips == 1


def test_a_box_that_was_slow_before_is_given_its_time() -> None:
    spec = supply_box("scpi-supply")
    bench = bench_of([spec])
    link = link_to(bench, spec)
    strike(bench, link, "late", delay_s=0.3)
    link.batch(("CURR?",))
    link.hurry(True)
    strike(bench, link, "late", delay_s=0.8)
    link.batch(("CURR?",))
    assert link.slips == 0


def test_a_box_that_hangs_is_opened_anew_in_a_hurry_too() -> None:
    spec = supply_box("scpi-supply")
    bench = bench_of([spec])
    link = link_to(bench, spec)
    link.hurry(True)
    strike(bench, link, "no-reply", times=0)
    began_s = bench.clock.now_s()
    with pytest.raises(LostInstrument):
        link.reopen()
    assert bench.clock.now_s() - began_s <= 1.0


def test_patience_comes_back_with_the_end_of_the_hurry() -> None:
    spec = supply_box("scpi-supply")
    bench = bench_of([spec])
    link = link_to(bench, spec)
    link.hurry(True)
    link.hurry(False)
    strike(bench, link, "late", delay_s=0.8)
    link.batch(("CURR?",))
    assert link.slips == 0
    strike(bench, link, "no-reply", times=0)
    with pytest.raises(LostInstrument, match="also not after closing and reopening"):
        link.batch(("CURR?",))
