"""The one way out: order, insistence, honesty. Orders are common practice, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import BoxError, LostInstrument
from runner.safe import leave
from tests.runner.fakes import FakeChamber, StepClock, boxes


def lost(what: str = "no answer") -> LostInstrument:
    return LostInstrument(what, instrument="supply", resource="TCPIP0::mast::5025::SOCKET")


def actions(commands: list[str]) -> list[str]:
    return [c for c in commands if "measure" not in c]


def test_a_normal_end_ramps_the_load_then_load_off_then_supply_off() -> None:
    script, supply, load = boxes()
    way = leave(supply, load, None, StepClock(), emergency=False, iout_set_a=2.0)
    assert actions(script.commands) == [
        "load 1.5 A",
        "load 1 A",
        "load 0.5 A",
        "load 0 A",
        "load off",
        "supply off",
    ]
    assert way.confirmed and not way.unconfirmed


def test_an_emergency_switches_the_supply_off_before_the_load() -> None:
    script, supply, load = boxes()
    way = leave(supply, load, None, StepClock(), emergency=True, iout_set_a=2.0)
    assert actions(script.commands) == ["supply off", "load off"]
    assert way.confirmed


def test_a_command_that_failed_is_tried_again_after_a_reconnect() -> None:
    script, supply, load = boxes()
    script.fails["supply off"] = [lost()]
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert actions(script.commands)[:3] == ["supply off", "supply reopen", "supply off"]
    assert way.confirmed


def test_the_load_is_still_switched_off_when_the_supply_is_lost() -> None:
    script, supply, load = boxes()
    script.fails["supply off"] = [lost()] * 99
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert "load off" in script.commands
    # The load is off, but its terminals still carry the module's volts: both are named.
    assert way.unconfirmed == ["supply output (supply)", "load input (load)"]
    assert "COULD NOT CONFIRM OFF: supply output (supply), load input" in way.instructions()


def test_volts_that_stay_are_reported_though_every_command_was_acknowledged() -> None:
    _, supply, load = boxes()
    supply.stuck_v = 23.8
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert way.unconfirmed == ["supply output (supply)"]
    assert any("still 23.800 V" in attempt.detail for attempt in way.attempts)


def test_a_driver_that_raises_something_unheard_of_does_not_end_the_way_out() -> None:
    script, supply, load = boxes()
    script.fails["supply off"] = [ZeroDivisionError("a bug")]
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert way.confirmed


def test_a_chamber_that_does_not_stop_is_named() -> None:
    script, supply, load = boxes()
    script.fails["chamber stop"] = [lost()] * 9
    way = leave(supply, load, FakeChamber(script), StepClock(), emergency=False)
    tries = ["chamber stop", "chamber reopen", "chamber stop"]
    assert actions(script.commands) == ["load off", "supply off", *tries]
    assert way.unconfirmed == ["chamber (chamber)"]


COMMANDS = ["load 1.5 A", "load off", "supply off", "supply measure", "load measure"]
COMMANDS += ["supply reopen", "load reopen"]


@given(
    faults=st.dictionaries(st.sampled_from(COMMANDS), st.integers(1, 4)), emergency=st.booleans()
)
def test_under_any_fault_both_outputs_are_off_or_named(
    faults: dict[str, int], emergency: bool
) -> None:
    script, supply, load = boxes()
    script.fails = {command: [lost()] * times for command, times in faults.items()}
    way = leave(supply, load, None, StepClock(), emergency=emergency, iout_set_a=2.0)
    assert "supply off" in script.commands and "load off" in script.commands
    assert not supply.on or "supply output (supply)" in way.unconfirmed
    assert not load.on or "load input (load)" in way.unconfirmed


def test_a_load_that_disobeys_makes_a_normal_end_an_emergency() -> None:
    script, supply, load = boxes()
    script.fails["load 1 A"] = [lost()]
    way = leave(supply, load, None, StepClock(), emergency=False, iout_set_a=2.0)
    assert actions(script.commands) == ["load 1.5 A", "load 1 A", "supply off", "load off"]
    assert way.confirmed


def test_a_load_that_stays_on_is_tried_again_once_the_supply_is_off() -> None:
    script, supply, load = boxes()
    script.fails["load off"] = [lost()]
    way = leave(supply, load, None, StepClock(), emergency=False)
    assert actions(script.commands) == ["load off", "supply off", "load off"]
    assert way.confirmed


def test_a_box_on_its_way_back_is_told_again_for_a_while() -> None:
    script, supply, load = boxes()
    script.fails["supply off"] = [lost()] * 4
    clock = StepClock()
    way = leave(supply, load, None, clock, emergency=True)
    assert way.confirmed and script.commands.count("supply off") == 5
    assert script.commands.index("load off") < len(script.commands) - 3  # it was not kept waiting


def test_a_box_that_was_without_power_is_told_again_at_once() -> None:
    script, supply, load = boxes()
    script.fails["supply off"] = [lost()]
    dark = LostInstrument("off and on", instrument="supply", resource="TCPIP", command="*ESR?")
    script.fails["supply reopen"] = [dark]
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert actions(script.commands)[:3] == ["supply off", "supply reopen", "supply off"]
    assert way.confirmed


@pytest.mark.parametrize("is_on", [False, True])
def test_a_box_that_only_complains_is_asked_whether_it_is_off(is_on: bool) -> None:
    script, supply, load = boxes()
    complaint = BoxError("flooded", entries=((-310, ""),), instrument="supply", resource="TCPIP")
    script.fails["supply off"] = [complaint] * 99
    supply.on = is_on
    way = leave(supply, load, None, StepClock(), emergency=True)
    assert way.confirmed is not is_on
