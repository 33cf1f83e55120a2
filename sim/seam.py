"""A box behind its wire: bytes to messages, replies to bytes that are ready at their time.

`sim.visa` and `sim.serve` open ports on a `Device`; both therefore frame, time, interrupt
and spoil messages alike. It knows nothing of VISA, sockets or what a command means.
"""

from __future__ import annotations

import threading
from collections import deque
from typing import Protocol

from sim.clock import Clock
from sim.faults import Box as Faulty
from sim.faults import Fault, Faults, clipped

LONGEST_MESSAGE = 65_536
INPUT_OVERRUN, INTERRUPTED, UNTERMINATED = -363, -410, -420


class Box(Faulty, Protocol):
    """What the wire needs of a box."""

    terminator: str
    busy_s: float

    def handle(self, message: str) -> str | None:
        """Obey one message; return the reply, if any."""
        ...

    def status_byte(self, unread: bool) -> int:
        """Return the status byte."""
        ...


class Due(Protocol):
    """What strikes by the clock, or by the count of messages: `sim.fault_schedule`."""

    pending: bool

    def strike(self, resource: str = "") -> None:
        """Bring about what is due; a message has come to the box at `resource`."""
        ...


class Gone(ConnectionError):
    """The box is not there, or the connection to it was cut."""


class Reply:
    """Bytes on their way out: when they are ready [s], whether they end a reply."""

    __slots__ = ("data", "ends", "ready_s")

    def __init__(self, ready_s: float, data: bytes, ends: bool = True) -> None:
        self.ready_s, self.data, self.ends = ready_s, data, ends


class Port:
    """One connection to a box.

    On GPIB and USB (`exchange`) the message exchange protocol of IEEE 488.2-1992 chapter 6
    holds: a new message throws an unread reply away. Sockets and serial lines are streams.
    """

    def __init__(self, device: Device) -> None:
        self.device = device
        self.alive = True
        self.waiting: deque[Reply] = deque()
        self._partial = b""
        self._overrun = False

    def write(self, data: bytes) -> None:
        """Take bytes from the client; raise `Gone` once the connection is cut."""
        with self.device.lock:
            if not self.alive:
                raise Gone(self.device.resource)
            if self.device.exchange and not data.endswith(b"\n"):
                data += b"\n"  # the END that comes with the last byte ends the message
            *lines, self._partial = (self._partial + data).split(b"\n")
            for line in lines:
                if self.alive:
                    self._message(line)
            if len(self._partial) > LONGEST_MESSAGE:
                self._partial, self._overrun = b"", True

    def _message(self, line: bytes) -> None:
        if self._overrun or len(line) > LONGEST_MESSAGE:
            self._overrun = False
            self.device.box.report(INPUT_OVERRUN)
            return
        if self.waiting and self.device.exchange:
            self.waiting.clear()
            self.device.box.report(INTERRUPTED)
        reply = self.device.obey(line.removesuffix(b"\r").decode("latin-1"))
        if reply is not None and self.alive:
            self.waiting.append(reply)

    def asked_nothing(self) -> None:
        """A client reads and no reply is coming; on an exchange that is an error."""
        if self.device.exchange:
            self.device.box.report(UNTERMINATED)

    def clear(self) -> None:
        """Clear the device; on a stream only what has arrived can be thrown away."""
        with self.device.lock:
            self._partial = b""
            now_s = self.device.clock.now_s()
            while self.waiting and (self.device.exchange or self.waiting[0].ready_s <= now_s):
                self.waiting.popleft()


class Device:
    """One box at one resource, with the faults that are switched on for it."""

    def __init__(
        self,
        resource: str,
        box: Box,
        clock: Clock,
        *,
        reply_s: float,
        seed: int,
        lock: threading.RLock | None = None,
    ) -> None:
        self.resource = resource
        self.box = box
        self.clock = clock
        self.lock = lock or threading.RLock()
        self.faults = Faults(f"{seed}/{resource}/faults")
        self.exchange = resource.endswith("INSTR") and not resource.startswith("ASRL")
        self.resource_name: str | None = None  # pyvisa-sim writes the full name here
        self.due: Due | None = None
        self._reply_s = reply_s
        self._busy_until_s = 0.0
        self._away_until_s = 0.0
        self._previous = b""
        self._ports: list[Port] = []

    def connect(self) -> Port:
        """Open a connection; every one of an exchange shares one. Raise `Gone` while away."""
        with self.lock:
            if self.due is not None and self.due.pending:
                self.due.strike()
            if self.clock.now_s() < self._away_until_s:
                raise Gone(self.resource)
            if self.exchange and self._ports:
                return self._ports[0]
            port = Port(self)
            self._ports.append(port)
            return port

    def disconnect(self, port: Port) -> None:
        """Forget a connection the client closed."""
        with self.lock:
            if port in self._ports and not self.exchange:
                self._ports.remove(port)

    def cut(self, away_s: float = 0.0) -> None:
        """Drop every connection and stay away for `away_s` [s]."""
        with self.lock:
            self._away_until_s = self.clock.now_s() + away_s
            for port in self._ports:
                port.alive = False
                port.waiting.clear()
            self._ports.clear()

    def obey(self, message: str) -> Reply | None:
        """Hand one message to the box; return its reply, ready when the box has had its time."""
        if self.due is not None and self.due.pending:
            self.due.strike(self.resource)
            if self.clock.now_s() < self._away_until_s:
                return None  # it went away with this message
        struck = self.faults.striking(message) if self.faults else ()
        for fault in struck:
            message = self._spoil_message(message, fault)
        if any(fault.kind in ("disconnects", "hangs") for fault in struck):
            return None
        text = self.box.handle(message)
        now_s = self.clock.now_s()
        ready_s = max(now_s, self._busy_until_s) + self._reply_s + self.box.busy_s
        self._busy_until_s = ready_s
        for fault in struck:
            for _ in range(fault.many if fault.kind == "error" else 0):
                self.box.report(fault.code)
        if text is None:
            return None
        reply = Reply(ready_s, (text + self.box.terminator).encode("latin-1", "replace"))
        previous, self._previous = self._previous, reply.data
        for fault in struck:
            if not self._spoil_reply(reply, fault, previous):
                return None
        return reply

    def _spoil_message(self, message: str, fault: Fault) -> str:
        if fault.kind == "restarts":
            self.box.power_cycle()
        elif fault.kind == "disconnects":
            self.cut(fault.delay_s)
        return clipped(message, fault) if fault.kind == "clips" else message

    def _spoil_reply(self, reply: Reply, fault: Fault, previous: bytes) -> bool:
        """Change the reply as the fault has it; tell whether anything is sent at all."""
        if fault.kind == "late":
            reply.ready_s += fault.delay_s
        elif fault.kind == "half-line":
            reply.data, reply.ends = reply.data[: max(1, len(reply.data) // 2)], False
        elif fault.kind == "garbage":
            reply.data = self.faults.garble() + self.box.terminator.encode()
        elif fault.kind == "previous":
            reply.data = previous
        return fault.kind != "no-reply" and bool(reply.data)
