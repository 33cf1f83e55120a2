"""The simulated bench on loopback TCP sockets and, where there are any, pseudo-terminals.

`ampworth sim serve` and the transport tests start it. One thread looks after every
connection, so clients may be several and no two messages ever touch the world at once.
It binds to loopback unless told otherwise: a served bench has no lock on its door.
"""

from __future__ import annotations

import contextlib
import os
import selectors
import socket
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from sim.build import SimBench
from sim.clock import Clock
from sim.seam import Device, Gone, Port

LOOPBACK = "127.0.0.1"
RECEIVED_AT_ONCE = 65_536
MOST_UNSENT = 4_000_000  # a client that asks for more and never reads is dropped
LONGEST_WAIT_S = 1.0
HAS_TERMINALS = sys.platform != "win32"


@dataclass(eq=False, slots=True)
class _Line:
    """One open connection: where bytes come from and go to, and its port on the box."""

    fd: int
    port: Port
    receive: Callable[[], bytes]
    send: Callable[[bytes], int]
    close: Callable[[], None]
    outgoing: bytearray = field(default_factory=bytearray)

    def unsent(self) -> int:
        """Return how many bytes this client has asked for and not taken."""
        return len(self.outgoing) + sum(len(reply.data) for reply in self.port.waiting)

    def collect(self, now_s: float) -> None:
        """Move the replies whose time has come to the bytes on their way out."""
        waiting = self.port.waiting
        while waiting and waiting[0].ready_s <= now_s:
            self.outgoing += waiting.popleft().data

    def push(self) -> None:
        """Send what the client's side takes just now."""
        with contextlib.suppress(BlockingIOError):
            while self.outgoing:
                del self.outgoing[: self.send(bytes(self.outgoing))]


class ServedBench:
    """A bench that other programs reach; start it, read `addresses`, stop it.

    `addresses` maps each instrument's name to the VISA resource that reaches it. With
    `first_port` the sockets take consecutive ports from there, else any that are free.
    Raises ValueError when the bench's clock is not a real one: nobody would move it on.
    """

    def __init__(self, bench: SimBench, host: str = LOOPBACK, first_port: int = 0) -> None:
        if not bench.simulation.real_time:
            raise ValueError("a served bench needs simulation.real_time = true")
        self.addresses: dict[str, str] = {}
        self._bench = bench
        self._host = host
        self._first_port = first_port
        self._selector = selectors.DefaultSelector()
        self._lines: dict[int, _Line] = {}
        self._closers = contextlib.ExitStack()
        self._thread: threading.Thread | None = None
        self._wake, self._woken = socket.socketpair()

    def start(self) -> ServedBench:
        """Bind every box and begin to answer; raise OSError when an address is taken."""
        with contextlib.ExitStack() as undo:
            undo.callback(self.stop)
            by_resource = {
                resource: self._bind(device, number)
                for number, (resource, device) in enumerate(self._bench.devices.items())
            }
            undo.pop_all()
        names = self._bench.resources.items()
        self.addresses = {name: by_resource[resource] for name, resource in names}
        self._selector.register(self._woken, selectors.EVENT_READ, None)
        self._thread = threading.Thread(target=self._run, name="served bench", daemon=True)
        self._thread.start()
        return self

    def stop(self) -> None:
        """Close every connection and every address."""
        if self._thread is not None:
            self._wake.send(b"x")
            self._thread.join()
            self._thread = None
        for line in list(self._lines.values()):
            self._drop(line)
        self._closers.close()
        self._wake.close()
        self._woken.close()
        self._selector.close()

    def __enter__(self) -> ServedBench:
        return self.start()

    def __exit__(self, *exc: object) -> None:
        self.stop()

    def _bind(self, device: Device, number: int) -> str:
        if HAS_TERMINALS and device.resource.startswith("ASRL"):
            return self._bind_terminal(device)
        return self._bind_socket(device, self._first_port and self._first_port + number)

    def _bind_socket(self, device: Device, wanted_port: int) -> str:
        device.exchange = False  # a raw socket is a stream, whatever the bench file calls the box
        listener = socket.create_server((self._host, wanted_port), backlog=16)
        listener.setblocking(False)
        self._closers.callback(listener.close)
        self._selector.register(
            listener, selectors.EVENT_READ, lambda: self._accept(listener, device)
        )
        host, bound = listener.getsockname()[:2]
        return f"TCPIP0::{LOOPBACK if host == '0.0.0.0' else host}::{bound}::SOCKET"

    def _bind_terminal(self, device: Device) -> str:
        import tty

        ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        name = os.ttyname(theirs)

        def close() -> None:
            os.close(ours)
            os.close(theirs)

        self._add(
            _Line(
                ours,
                device.connect(),
                receive=lambda: os.read(ours, RECEIVED_AT_ONCE),
                send=lambda data: os.write(ours, data),
                close=close,
            )
        )
        return f"ASRL{name}::INSTR"

    def _accept(self, listener: socket.socket, device: Device) -> None:
        try:
            client, _ = listener.accept()
        except OSError:  # the client gave up before we came to it
            return
        try:
            port = device.connect()
        except Gone:
            client.close()
            return
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._add(
            _Line(
                client.fileno(),
                port,
                receive=lambda: client.recv(RECEIVED_AT_ONCE),
                send=client.send,
                close=client.close,
            )
        )

    def _add(self, line: _Line) -> None:
        self._lines[line.fd] = line
        self._selector.register(line.fd, selectors.EVENT_READ, lambda: self._hear(line))

    def _drop(self, line: _Line) -> None:
        self._selector.unregister(line.fd)
        del self._lines[line.fd]
        line.port.device.disconnect(line.port)
        line.close()

    def _hear(self, line: _Line) -> None:
        try:
            data = line.receive()
            if data and line.unsent() < MOST_UNSENT:
                line.port.write(data)
                return
        except BlockingIOError:
            return
        except OSError:  # reset by the other side, or cut by a fault (`Gone`)
            pass
        if line.fd in self._lines:
            self._drop(line)

    def _run(self) -> None:
        try:
            while self._turn():
                pass
        finally:
            for line in list(self._lines.values()):
                self._drop(line)
            self._closers.close()

    def _turn(self) -> bool:
        """Serve whatever is ready; tell whether to go on."""
        for key, _ in self._selector.select(self._wait_s(self._bench.clock)):
            if key.data is None:
                return False
            key.data()
        if self._bench.faults.pending:  # also while nobody asks: a cut line is seen at once
            self._bench.faults.strike()
        now_s = self._bench.clock.now_s()
        for line in list(self._lines.values()):
            if not line.port.alive:
                self._drop(line)
                continue
            line.collect(now_s)
            try:
                line.push()
            except OSError:
                self._drop(line)
        return True

    def _wait_s(self, clock: Clock) -> float:
        """Return the wall time [s] until the next reply is ready."""
        now_s = clock.now_s()
        due = [
            line.port.waiting[0].ready_s - now_s
            for line in self._lines.values()
            if line.port.waiting
        ]
        unsent = any(line.outgoing for line in self._lines.values())
        soonest_s = min(due, default=LONGEST_WAIT_S) / self._bench.simulation.speed
        return min(0.01 if unsent else LONGEST_WAIT_S, max(0.0, soonest_s), LONGEST_WAIT_S)
