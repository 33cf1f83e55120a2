"""The terse line protocol: one command a line, numbers with a unit letter, no error queue."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim.build import SimBench
from tests.sim.conftest import SPECS, MakeBench

RESOURCE = "ASRL4::INSTR"


@pytest.fixture
def line_bench(make_bench: MakeBench) -> SimBench:
    supply = replace(SPECS[0], family="line-supply", resource=RESOURCE, channel=1)
    return make_bench(specs=(supply, *SPECS[1:]))


def test_settings_echo_their_name_and_readbacks_carry_their_unit(line_bench: SimBench) -> None:
    box = line_bench.devices[RESOURCE].box
    assert box.handle("V1 24.0") is None
    assert box.handle("v1?") == "V1 24.000"
    assert box.handle("I1 2;I1?") == "I1 2.0000"
    assert box.handle("OP1?") == "0"
    box.handle("OP1 1")
    line_bench.clock.sleep(1.0)
    reading = box.handle("V1O?")
    assert reading is not None and reading.endswith("V")
    assert float(reading[:-1]) == pytest.approx(24.0, abs=0.05)
    assert (box.handle("I1O?") or "").endswith("A")
    assert box.handle("MODE1?") == "CV"


def test_every_query_has_its_own_line(line_bench: SimBench) -> None:
    assert line_bench.devices[RESOURCE].box.handle("V1 3;V1?;OP1?") == "V1 3.000\r\n0"


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("V1 99", "2"),
        ("V1 -1", "2"),
        ("OP1 2", "2"),
        ("V2 5", "1"),
        ("FOO", "1"),
        ("V1", "1"),
        ("V1 five", "1"),
        ("V1O 5", "1"),
        ("OVP1O?", "1"),
        ("V1 1 2", "1"),
    ],
)
def test_what_is_wrong_is_silent_but_remembered(
    line_bench: SimBench, line: str, error: str
) -> None:
    box = line_bench.devices[RESOURCE].box
    box.handle("V1 7")
    assert box.handle(line) is None
    assert box.handle("ERR?") == error
    assert box.handle("ERR?") == "0"
    assert box.handle("V1?") == "V1 7.000"


def test_a_trip_holds_the_output_off_until_it_is_reset(line_bench: SimBench) -> None:
    box = line_bench.devices[RESOURCE].box
    box.handle("V1 24;OP1 1")
    line_bench.clock.sleep(1.0)
    box.handle("OVP1 15")
    assert box.handle("OP1?;MODE1?") == "0\r\nOVP"
    box.handle("OP1 1")
    assert box.handle("ERR?;OP1?") == "3\r\n0"
    box.handle("OVP1 30;TRIPRST;OP1 1")
    assert box.handle("OP1?") == "1"


def test_the_current_trip_is_always_armed(line_bench: SimBench) -> None:
    box = line_bench.devices[RESOURCE].box
    line_bench.devices[line_bench.resources["load"]].box.handle("CURR 4;:INP ON")
    box.handle("V1 24;I1 5;OCP1 1;OP1 1")
    for _ in range(3):
        line_bench.clock.sleep(0.5)
        box.handle("OP1?")
    assert box.handle("MODE1?") == "OCP"


@settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(
    st.one_of(
        st.text(max_size=30),
        st.from_regex(r"(V|I|OVP|OCP|OP|MODE)[0-9](O)?(\?| [-+.0-9eE#H]{0,8})", fullmatch=True),
    )
)
def test_no_line_makes_the_box_raise(line_bench: SimBench, line: str) -> None:
    box = line_bench.devices[RESOURCE].box
    reply = box.handle(line)
    assert reply is None or isinstance(reply, str)
    assert box.handle("*IDN?")
