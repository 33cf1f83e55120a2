"""The link over a loopback TCP socket and a pseudo-terminal, through the pure-Python VISA.

The faults are those of `test_link.py`, with short real delays.
"""

from __future__ import annotations

import random
import sys
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from pyvisa.constants import ResourceAttribute

from drivers.errors import InstrumentError, LostInstrument
from drivers.link import Link, open_visa
from drivers.style import SCPI, TERSE
from tests.drivers.faulty import FAULTS, IDENTITY, FaultyBox, Server, WallClock

TIMEOUT_S = 0.03
SEED = 20261125


def connect(visa: Any, resource: str, *, terse: bool = False, timeout_s: float = TIMEOUT_S) -> Link:
    return Link(
        lambda: open_visa(visa, resource, timeout_s=timeout_s, name="box"),
        name="box",
        resource=resource,
        timeout_s=timeout_s,
        style=replace(TERSE, gap_s=0.002) if terse else SCPI,
        clock=WallClock(),
    )


def converse(link: Link, box: FaultyBox, exchanges: int) -> int:
    """Ask under random faults; return how many answers came. A wrong one fails."""
    rng = random.Random(SEED)
    right = 0
    for number in range(exchanges):
        if number % 3 == 0:
            box.plan.append((rng.choice(FAULTS), rng.uniform(0.0, 4 * TIMEOUT_S)))
        try:
            assert link.batch([f"VAL? {number}.25", "VAL? 1"]) == [f"{number}.25", "1"]
            right += 1
        except InstrumentError as error:
            assert error.resource == link.resource
    return right


def test_no_fault_makes_a_wrong_answer_on_a_socket(
    pure_python_visa: Any, serve: Callable[[FaultyBox], Server]
) -> None:
    box = FaultyBox()
    server = serve(box)
    link = connect(pure_python_visa, f"TCPIP0::127.0.0.1::{server.port}::SOCKET")
    assert link.identity() == IDENTITY
    assert converse(link, box, 90) > 60
    link.close()


@pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals")
@pytest.mark.parametrize("terse", [False, True])
def test_no_fault_makes_a_wrong_answer_on_a_serial_line(
    terse: bool, pure_python_visa: Any, serve_on_terminal: Callable[[FaultyBox], str]
) -> None:
    box = FaultyBox(terse=terse)
    link = connect(pure_python_visa, serve_on_terminal(box), terse=terse)
    assert link.identity() == IDENTITY
    assert converse(link, box, 30 if terse else 60) > (10 if terse else 30)
    link.close()


def test_nagle_is_off(pure_python_visa: Any, serve: Callable[[FaultyBox], Server]) -> None:
    resource = f"TCPIP0::127.0.0.1::{serve(FaultyBox()).port}::SOCKET"
    opened = open_visa(pure_python_visa, resource, timeout_s=1.0)
    assert opened.get_visa_attribute(ResourceAttribute.tcpip_nodelay)
    opened.close()


def test_connection_closed_by_the_box_is_opened_again(
    pure_python_visa: Any, serve: Callable[[FaultyBox], Server]
) -> None:
    box = FaultyBox()
    server = serve(box)
    link = connect(pure_python_visa, f"TCPIP0::127.0.0.1::{server.port}::SOCKET")
    assert link.ask("VAL? 1") == "1"
    for line in list(server.lines.values()):
        line.shutdown(2)
    assert link.ask("VAL? 2") == "2"
    link.close()


def test_nobody_at_the_address_is_a_lost_instrument(pure_python_visa: Any) -> None:
    with pytest.raises(LostInstrument, match=r"box \(TCPIP0::127.0.0.1::9::SOCKET\).*Check that"):
        connect(pure_python_visa, "TCPIP0::127.0.0.1::9::SOCKET")


@pytest.mark.parametrize("resource", ["ASRL/dev/there-is-none::INSTR", "no resource name"])
def test_what_cannot_be_opened_says_why(resource: str, pure_python_visa: Any) -> None:
    with pytest.raises(LostInstrument, match=r"cannot be opened: .+ Check the address"):
        connect(pure_python_visa, resource)
