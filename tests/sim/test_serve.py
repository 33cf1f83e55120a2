"""The served bench, asked by the pure-Python VISA library, by plain sockets and by pyserial.

The clock is a real one, run fast; nothing here sleeps, every wait is for a reply.
"""

from __future__ import annotations

import socket
import sys
import threading
from collections.abc import Iterator
from typing import Any

import pytest
import pyvisa

from sim.build import SimBench, Simulation, build
from sim.faults import Fault
from sim.protection import Protection
from sim.serve import ServedBench
from tests.sim.conftest import CHAMBER, LOAD, SCANNER, SPECS, SUPPLY, TWIN

FIVE_S = 5.0  # far more than any reply takes


@pytest.fixture
def bench() -> SimBench:
    """Return a bench on a clock that runs a hundred times as fast as the wall."""
    simulation = Simulation(real_time=True, speed=100.0)
    return build(simulation, TWIN, Protection(), SPECS)


@pytest.fixture
def served(bench: SimBench) -> Iterator[ServedBench]:
    with ServedBench(bench) as running:
        yield running


@pytest.fixture
def manager() -> Iterator[pyvisa.ResourceManager]:
    opened = pyvisa.ResourceManager("@py")
    yield opened
    opened.close()


def connect(served: ServedBench, name: str) -> socket.socket:
    _, host, port, _ = served.addresses[name].split("::")
    client = socket.create_connection((host, int(port)), timeout=FIVE_S)
    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    return client


def line(client: socket.socket) -> bytes:
    """Read up to a line feed, or to the end of the connection."""
    got = b""
    while not got.endswith(b"\n"):
        piece = client.recv(1)
        if not piece:
            break
        got += piece
    return got


def query(client: socket.socket, message: bytes) -> bytes:
    client.sendall(message + b"\n")
    return line(client).removesuffix(b"\n")


def open_box(manager: pyvisa.ResourceManager, address: str) -> Any:
    return manager.open_resource(
        address, read_termination="\n", write_termination="\n", timeout=5000
    )


def test_every_box_answers_at_its_address(
    served: ServedBench, manager: pyvisa.ResourceManager
) -> None:
    assert set(served.addresses) == {spec.name for spec in SPECS}
    for name in ("supply", "load", "hot_spot", "vin", "chamber"):
        box = open_box(manager, served.addresses[name])
        assert box.query("*IDN?").count(",") == 3
        box.close()


def test_names_that_share_a_box_share_its_address(served: ServedBench) -> None:
    assert served.addresses["hot_spot"] == served.addresses["case"]


def test_the_world_is_one_behind_all_its_addresses(
    served: ServedBench, manager: pyvisa.ResourceManager
) -> None:
    supply, load = (open_box(manager, served.addresses[name]) for name in ("supply", "load"))
    supply.write("VOLT 24;CURR 4;:OUTP ON")
    while float(supply.query("MEAS:VOLT?")) < 23.9:
        pass
    idle_a = float(supply.query("MEAS:CURR?"))
    load.write("CURR 3;:INP ON")
    while float(load.query("MEAS:CURR?")) < 2.9:
        pass
    assert float(supply.query("MEAS:CURR?")) > idle_a + 0.5


def test_two_clients_have_each_their_own_replies(served: ServedBench) -> None:
    with connect(served, "supply") as first, connect(served, "supply") as second:
        first.sendall(b"VOLT 7\nVOLT?\n")
        second.sendall(b"*IDN?\n")
        assert line(first) == b"7.000\n"
        assert line(second).startswith(b"BOATHOUSE")
        assert query(second, b"VOLT?") == b"7.000"


def test_many_clients_at_once_get_whole_answers(served: ServedBench) -> None:
    wrong: list[bytes] = []

    def hammer(name: str, question: bytes, begins: bytes) -> None:
        with connect(served, name) as client:
            for _ in range(40):
                reply = query(client, question)
                if not reply.startswith(begins):
                    wrong.append(reply)

    work = [
        ("supply", b"*IDN?", b"BOATHOUSE,SUPPLY"),
        ("supply", b"CURR?", b"5.0000"),
        ("load", b"*IDN?", b"BOATHOUSE,LOAD"),
        ("load", b"FUNC?", b"CURR"),
    ]
    threads = [threading.Thread(target=hammer, args=one) for one in work]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_a_message_in_pieces_and_two_in_one_send(served: ServedBench) -> None:
    with connect(served, "load") as client:
        for piece in (b"CU", b"RR", b"?", b"\r\nFUNC?\n"):
            client.sendall(piece)
        assert line(client) == b"0.000\n"
        assert line(client) == b"CURR\n"


def test_a_client_that_leaves_in_the_middle_harms_nobody(served: ServedBench) -> None:
    for _ in range(5):
        client = connect(served, "supply")
        client.sendall(b"MEAS:VOLT?;CURR?\nMEAS:VO")
        client.close()
    with connect(served, "supply") as client:
        assert query(client, b"*IDN?").startswith(b"BOATHOUSE")


def test_a_client_that_never_reads_holds_nobody_up(served: ServedBench) -> None:
    with connect(served, "supply") as deaf, connect(served, "supply") as other:
        deaf.setblocking(False)
        try:
            for _ in range(200):
                deaf.send(b"*IDN?\n" * 1000)
        except BlockingIOError:
            pass
        assert query(other, b"VOLT?") == b"0.000"


def test_any_bytes_leave_the_box_answering(served: ServedBench) -> None:
    with connect(served, "supply") as client:
        client.sendall(bytes(range(256)) + b"\n*CLS\n")
        assert query(client, b"*IDN?").startswith(b"BOATHOUSE")


def test_a_cut_connection_ends_and_a_new_one_works(bench: SimBench, served: ServedBench) -> None:
    bench.devices[SUPPLY].faults.switch_on(Fault("disconnects", when="VOLT?"))
    with connect(served, "supply") as client:
        assert query(client, b"VOLT?") == b""
    with connect(served, "supply") as client:
        assert query(client, b"VOLT?") == b"0.000"


def test_a_late_reply_does_not_stop_the_next_command(bench: SimBench, served: ServedBench) -> None:
    bench.devices[SUPPLY].faults.switch_on(Fault("late", when="VOLT?", delay_s=30.0))
    with connect(served, "supply") as late, connect(served, "supply") as prompt:
        late.sendall(b"VOLT?\nVOLT 9\n")
        while query(prompt, b"VOLT?") != b"9.000":
            pass
        assert line(late) == b"0.000\n"  # 0.3 s on the wall


@pytest.mark.skipif(sys.platform == "win32", reason="there are no pseudo-terminals")
def test_a_serial_box_is_a_terminal_for_pyserial(served: ServedBench) -> None:
    import serial

    device = served.addresses["chamber"].removeprefix("ASRL").removesuffix("::INSTR")
    with serial.Serial(device, 9600, timeout=FIVE_S) as port:
        port.write(b"*IDN?\nTEMP 60;TEMP?\n")
        assert port.readline().count(b",") == 3
        assert port.readline() == b"60.00\n"
    with serial.Serial(device, 9600, timeout=FIVE_S) as port:  # and again
        port.write(b"TEMP?\n")
        assert port.readline() == b"60.00\n"


def test_it_listens_on_loopback_alone(served: ServedBench) -> None:
    sockets = [address for address in served.addresses.values() if address.startswith("TCPIP")]
    assert sockets and all("::127.0.0.1::" in address for address in sockets)


def test_ports_may_be_given_and_are_free_again_afterwards(bench: SimBench) -> None:
    with socket.create_server(("127.0.0.1", 0)) as probe:
        first = probe.getsockname()[1]
    for _ in range(2):
        fresh = build(bench.simulation, TWIN, Protection(), SPECS[:1])
        with ServedBench(fresh, first_port=first) as running:
            assert running.addresses == {"supply": f"TCPIP0::127.0.0.1::{first}::SOCKET"}
            with connect(running, "supply") as client:
                assert query(client, b"*OPC?") == b"1"


def test_a_port_that_is_taken_is_an_error_and_leaves_nothing_open(bench: SimBench) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        served = ServedBench(bench, first_port=taken.getsockname()[1])
        with pytest.raises(OSError, match="in use"):
            served.start()


def test_a_bench_on_a_virtual_clock_is_not_served() -> None:
    still = build(Simulation(), TWIN, Protection(), SPECS)
    with pytest.raises(ValueError, match="real_time"):
        ServedBench(still)


def test_boxes_behind_a_socket_are_streams(bench: SimBench, served: ServedBench) -> None:
    for resource in (LOAD, SCANNER, CHAMBER):
        assert not bench.devices[resource].exchange
