"""Links to a faulty box: in process, on a loopback socket, on a pseudo-terminal."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from typing import Any

import pytest
import pyvisa

from drivers.link import Link, open_visa
from drivers.style import SCPI, TERSE, Style
from tests.drivers.faulty import FaultyBox, FaultyLibrary, Server, VirtualClock

LinkMaker = Callable[..., Link]


@pytest.fixture
def link_in_process() -> Iterator[LinkMaker]:
    """Make a link to a faulty box inside this process, on a virtual clock."""
    managers = []

    def make(
        box: FaultyBox,
        *,
        resource: str = "TCPIP0::faulty.boathouse.example::5025::SOCKET",
        style: Style | None = None,
        timeout_s: float = 1.0,
        record: Any = None,
        clock: VirtualClock | None = None,
    ) -> Link:
        clock = clock or VirtualClock()
        manager = FaultyLibrary.around(box, clock, resource)
        managers.append(manager)
        return Link(
            lambda: open_visa(manager, resource, timeout_s=timeout_s, name="box"),
            name="box",
            resource=resource,
            timeout_s=timeout_s,
            style=style or (TERSE if box.terse else SCPI),
            record=record,
            clock=clock,
        )

    yield make
    for manager in managers:
        manager.close()


@pytest.fixture
def pure_python_visa() -> Iterator[Any]:
    manager = pyvisa.ResourceManager("@py")
    yield manager
    manager.close()


@pytest.fixture
def serve() -> Iterator[Callable[[FaultyBox], Server]]:
    """Serve a box on a loopback socket."""
    servers = []

    def start(box: FaultyBox) -> Server:
        servers.append(Server(box))
        return servers[-1]

    yield start
    for server in servers:
        server.stop()


@pytest.fixture
def serve_on_terminal() -> Iterator[Callable[[FaultyBox], str]]:
    """Serve a box on a pseudo-terminal; give the resource name that reaches it."""
    import tty  # not on every machine

    servers = []
    ends: list[int] = []

    def start(box: FaultyBox) -> str:
        box_end, our_end = os.openpty()
        tty.setraw(our_end)
        ends.extend((box_end, our_end))
        servers.append(Server(box, box_end))
        return f"ASRL{os.ttyname(our_end)}::INSTR"

    yield start
    for server in servers:
        server.stop()
    for end in ends:
        os.close(end)
