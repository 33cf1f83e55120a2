"""The live bench through PyVISA: framing, timeouts on the bench's clock, what opens and what not.

The rules are VPP-4.3 (reads end at END, a termination character or the count) and the message
exchange protocol of IEEE 488.2-1992 chapter 6, from memory.
"""

from __future__ import annotations

import time
from typing import Any

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from sim.build import SimBench
from tests.sim.conftest import CHAMBER, LOAD, SCANNER, SUPPLY, MakeBench

RESOURCES = (SUPPLY, LOAD, SCANNER, CHAMBER)


def open_box(bench: SimBench, resource: str, timeout_ms: int = 200, **settings: Any) -> Any:
    settings = {"read_termination": "\n", "write_termination": "\n"} | settings
    return bench.resource_manager().open_resource(resource, timeout=timeout_ms, **settings)


def refused(error: pytest.ExceptionInfo[pyvisa.errors.VisaIOError]) -> StatusCode:
    return StatusCode(error.value.error_code)


@pytest.mark.parametrize("resource", RESOURCES)
def test_every_kind_of_resource_answers(bench: SimBench, resource: str) -> None:
    assert open_box(bench, resource).query("*IDN?").count(",") == 3


def test_the_boxes_share_one_world_and_one_clock(bench: SimBench) -> None:
    supply, load = open_box(bench, SUPPLY), open_box(bench, LOAD)
    supply.write("VOLT 24;CURR 4;:OUTP ON")
    bench.clock.sleep(1.0)
    idle_a = float(supply.query("MEAS:CURR?"))
    load.write("CURR 3;:INP ON")
    bench.clock.sleep(1.0)
    assert float(supply.query("MEAS:CURR?")) > idle_a + 0.5


def test_an_answer_takes_the_time_a_box_takes(make_bench: MakeBench) -> None:
    bench = make_bench(reply_s=0.005)
    box = open_box(bench, SUPPLY)
    before_s = bench.clock.now_s()
    box.write("VOLT 1")
    box.query("VOLT?;CURR?")
    assert bench.clock.now_s() - before_s == pytest.approx(0.010)  # two messages


def test_a_timeout_passes_on_the_benchs_clock_and_not_on_the_wall(bench: SimBench) -> None:
    box = open_box(bench, SUPPLY, timeout_ms=60_000)
    before_s, wall_s = bench.clock.now_s(), time.monotonic()
    with pytest.raises(pyvisa.errors.VisaIOError) as caught:
        box.read()
    assert refused(caught) == StatusCode.error_timeout
    assert bench.clock.now_s() - before_s == pytest.approx(60.0)
    assert time.monotonic() - wall_s < 1.0


@pytest.mark.parametrize(
    "resource", ["GPIB0::30::INSTR", "TCPIP0::nobody::5025::SOCKET", "VXI0::1::INSTR"]
)
def test_a_resource_that_is_not_there_does_not_open(bench: SimBench, resource: str) -> None:
    with pytest.raises(pyvisa.errors.VisaIOError) as caught:
        bench.resource_manager().open_resource(resource)
    assert refused(caught) == StatusCode.error_resource_not_found


def test_two_benches_do_not_meet(make_bench: MakeBench) -> None:
    first, second = make_bench(), make_bench()
    open_box(first, SUPPLY).write("VOLT 5")
    assert open_box(second, SUPPLY).query("VOLT?") == "0.000"


def test_resources_are_listed(bench: SimBench) -> None:
    listed = bench.resource_manager().list_resources("?*")
    assert len(listed) == len(bench.devices)
    assert SUPPLY in listed


def test_an_exchange_throws_an_unread_reply_away_and_says_so(bench: SimBench) -> None:
    """IEEE 488.2-1992, 6.3.2.3: INTERRUPTED."""
    box = open_box(bench, LOAD)
    box.write("*IDN?")
    assert box.query("CURR?") == "0.000"
    assert box.query("SYST:ERR?") == '-410,"Query INTERRUPTED"'
    with pytest.raises(pyvisa.errors.VisaIOError):
        box.read()
    assert box.query("SYST:ERR?") == '-420,"Query UNTERMINATED"'


def test_a_stream_keeps_every_reply_in_order(bench: SimBench) -> None:
    box = open_box(bench, SUPPLY)
    box.write_raw(b"VOLT?\nCURR?\r\nSYST:ERR?\n")
    assert [box.read() for _ in range(3)] == ["0.000", "5.0000", '0,"No error"']


def test_a_message_may_arrive_in_pieces(bench: SimBench) -> None:
    box = open_box(bench, SUPPLY)
    for piece in (b"VO", b"LT 3", b";VOLT", b"?\n"):
        box.write_raw(piece)
    assert box.read() == "3.000"


def test_a_reply_may_be_fetched_in_pieces(bench: SimBench) -> None:
    box = open_box(bench, LOAD, chunk_size=20)
    whole = box.query("*IDN?")
    box.chunk_size = 4
    assert box.query("*IDN?") == whole
    box.write("*IDN?")
    assert box.read_bytes(5) == whole[:5].encode()


def test_end_ends_a_read_without_any_termination_character(bench: SimBench) -> None:
    box = open_box(bench, LOAD, read_termination=None, write_termination=None)
    assert box.query("CURR?") == "0.000\n"


def test_a_socket_without_termination_never_ends_a_read(bench: SimBench) -> None:
    """As with the pure-Python library on a real socket."""
    box = open_box(bench, SUPPLY, read_termination=None)
    box.write("VOLT?")
    with pytest.raises(pyvisa.errors.VisaIOError) as caught:
        box.read()
    assert refused(caught) == StatusCode.error_timeout


def test_clearing_a_device_throws_its_reply_away(bench: SimBench) -> None:
    for resource in (LOAD, SUPPLY):
        box = open_box(bench, resource)
        box.write("*IDN?")
        bench.clock.sleep(1.0)
        box.clear()
        assert box.query("SYST:ERR?") == '0,"No error"'


def test_the_status_byte_tells_that_a_reply_waits(bench: SimBench) -> None:
    """Bit 4, MAV: IEEE 488.2-1992, 11.2.1.2."""
    box = open_box(bench, LOAD)
    assert box.read_stb() == 0
    box.write("CURR?")
    assert box.read_stb() == 16
    box.read()
    box.write("FOO")
    assert box.read_stb() == 4


def test_a_message_that_never_ends_is_dropped_whole(bench: SimBench) -> None:
    box = open_box(bench, SUPPLY)
    box.write_raw(b"VOLT " + b"1" * 70_000)
    box.write_raw(b"1\n")
    assert box.query("SYST:ERR?") == '-363,"Input buffer overrun"'
    assert box.query("VOLT?") == "0.000"


def test_any_bytes_leave_the_box_answering(bench: SimBench) -> None:
    box = open_box(bench, SUPPLY)
    box.write_raw(bytes(range(256)) + b"\n")
    assert box.query("*CLS;*IDN?").startswith("BOATHOUSE")


def test_the_same_commands_give_the_same_bytes(make_bench: MakeBench) -> None:
    def session() -> list[str]:
        bench = make_bench(seed=9)
        supply, load = open_box(bench, SUPPLY), open_box(bench, LOAD)
        supply.write("VOLT 24;:OUTP ON")
        load.write("CURR 1;:INP ON")
        said = []
        for _ in range(20):
            bench.clock.sleep(0.1)
            said.append(supply.query("MEAS:VOLT?;CURR?") + load.query("MEAS:VOLT?;CURR?"))
        return said

    assert session() == session()
