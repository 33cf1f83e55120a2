"""Each named fault does to the wire what it says, and no more."""

from __future__ import annotations

from typing import Any

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from sim.build import SimBench
from sim.faults import Fault
from tests.sim.conftest import LOAD, SUPPLY


@pytest.fixture
def supply(bench: SimBench) -> Any:
    """Return the supply's socket, with half a second of patience."""
    return bench.resource_manager().open_resource(
        SUPPLY, read_termination="\n", write_termination="\n", timeout=500
    )


def switch_on(bench: SimBench, kind: Any, **details: Any) -> None:
    bench.devices[SUPPLY].faults.switch_on(Fault(kind, **details))


def times_out(box: Any, question: str) -> bool:
    with pytest.raises(pyvisa.errors.VisaIOError) as caught:
        box.query(question)
    return bool(caught.value.error_code == StatusCode.error_timeout)


def test_a_late_reply_is_taken_for_the_next_answer_on_a_stream(
    bench: SimBench, supply: Any
) -> None:
    switch_on(bench, "late", when="VOLT?", delay_s=0.8)
    supply.write("VOLT 7;CURR 3")
    assert times_out(supply, "VOLT?")
    assert supply.query("CURR?") == "7.000"
    assert supply.read() == "3.0000"


def test_no_reply_still_obeys(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "no-reply", when="VOLT 7")
    assert times_out(supply, "VOLT 7;VOLT?")
    assert supply.query("VOLT?") == "7.000"


def test_half_a_line_leaves_its_beginning_for_the_next_read(bench: SimBench, supply: Any) -> None:
    supply.write("VOLT 12.345")
    switch_on(bench, "half-line", when="VOLT?")
    supply.write("VOLT?")
    supply.write("CURR?")
    assert supply.read() == "12.5.0000"


def test_half_a_line_times_out_alone(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "half-line", when="*IDN?")
    assert times_out(supply, "*IDN?")
    assert supply.query("VOLT?") == "0.000"


def test_garbage_is_no_text(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "garbage", when="VOLT?")
    with pytest.raises(UnicodeDecodeError):
        supply.query("VOLT?")
    assert supply.query("VOLT?") == "0.000"


def test_the_previous_reply_comes_again(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "previous", when="CURR?")
    assert supply.query("VOLT?") == "0.000"
    assert supply.query("CURR?") == "0.000"
    assert supply.query("CURR?") == "5.0000"


def test_a_setting_is_clipped_and_nobody_is_told(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "clips", when="VOLT", most=20.0, times=0)
    assert supply.query("VOLT 24;:CURR 3;:VOLT?;:CURR?;:SYST:ERR?") == (
        '20.000;3.0000;0,"No error"'
    )


def test_an_error_is_queued_beside_the_answer(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "error", when="VOLT 5", code=-222)
    supply.write("VOLT 5")
    assert supply.query("VOLT?;:SYST:ERR?") == '5.000;-222,"Data out of range"'


def test_a_restart_loses_the_settings_and_shows_power_on(bench: SimBench, supply: Any) -> None:
    supply.write("VOLT 24;*CLS;:OUTP ON")
    switch_on(bench, "restarts", when="OUTP?")
    assert supply.query("OUTP?;:VOLT?;*ESR?") == "0;0.000;128"
    assert not bench.world.supply.on


def test_a_cut_connection_stays_cut_and_a_new_one_works(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "disconnects", when="VOLT?", delay_s=3.0)
    supply.write("VOLT 7")
    for _ in range(2):
        with pytest.raises(pyvisa.errors.VisaIOError) as caught:
            supply.query("VOLT?")
        assert caught.value.error_code == StatusCode.error_connection_lost
    manager = bench.resource_manager()
    settings: dict[str, Any] = {"read_termination": "\n", "write_termination": "\n"}
    with pytest.raises(pyvisa.errors.VisaIOError):
        manager.open_resource(SUPPLY, **settings)
    bench.clock.sleep(3.0)
    again: Any = manager.open_resource(SUPPLY, **settings)
    assert again.query("VOLT?") == "7.000"


def test_an_exchange_that_is_cut_comes_back_too(bench: SimBench) -> None:
    manager = bench.resource_manager()
    settings: dict[str, Any] = {"read_termination": "\n", "write_termination": "\n"}
    load: Any = manager.open_resource(LOAD, **settings)
    bench.devices[LOAD].faults.switch_on(Fault("disconnects"))
    with pytest.raises(pyvisa.errors.VisaIOError):
        load.query("CURR?")
    load.close()
    again: Any = manager.open_resource(LOAD, **settings)
    assert again.query("CURR?") == "0.000"


def test_a_fault_strikes_after_so_many_and_only_so_often(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "no-reply", when="VOLT?", skip=2, times=1)
    answered = []
    for _ in range(5):
        try:
            answered.append(supply.query("VOLT?") == "0.000")
        except pyvisa.errors.VisaIOError:
            answered.append(False)
    assert answered == [True, True, False, True, True]


def test_faults_go_away_when_switched_off(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "no-reply", times=0)
    assert times_out(supply, "VOLT?")
    bench.devices[SUPPLY].faults.switch_off()
    assert supply.query("VOLT?") == "0.000"


def test_two_faults_strike_together(bench: SimBench, supply: Any) -> None:
    switch_on(bench, "late", when="VOLT?", delay_s=0.1)
    switch_on(bench, "error", when="VOLT?", code=-310)
    before_s = bench.clock.now_s()
    assert supply.query("VOLT?") == "0.000"
    assert bench.clock.now_s() - before_s > 0.1
    assert supply.query("SYST:ERR?") == '-310,"System error"'
