"""A box with faults on its wire, in process, on a socket and on a pseudo-terminal.

The box answers `VAL? n` with n, so a wrong answer shows at once, and keeps one
setting, `SET n`. Its wire loses, delays, cuts, doubles and spoils replies as a plan
says. In process the clock is virtual, and a timeout costs no wall time.
"""

from __future__ import annotations

import itertools
import os
import selectors
import socket
import threading
import time
from collections import deque
from collections.abc import Iterable, Iterator
from typing import Any

import pyvisa
from pyvisa import rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

IDENTITY = "BOATHOUSE,FAULTY BOX,7,1.0"
FAULTS = ("lost", "late", "half", "cut", "twice", "noise", "foreign", "bytes", "no-end")


class VirtualClock:
    """Time that moves when somebody sleeps."""

    def __init__(self) -> None:
        self.now = 0.0

    def now_s(self) -> float:
        return self.now

    def sleep(self, s: float) -> None:
        self.now += max(0.0, s)


class WallClock:
    """The wall's time, waited for by an event."""

    def now_s(self) -> float:
        return time.monotonic()

    def sleep(self, s: float) -> None:
        threading.Event().wait(max(0.0, s))


class FaultyBox:
    """Commands in, replies with their delays out; `plan` spoils one reply line after another."""

    def __init__(self, plan: Iterable[tuple[str, float]] = (), *, terse: bool = False) -> None:
        self.plan = deque(plan)
        self.terse = terse
        self.setting = "0"
        self.mask = "0"
        self.events = 128
        self.queue: list[str] = []
        self.heard: list[str] = []
        self.mute = False
        self.stick = False  # the setting does not move any more

    def power_cycle(self) -> None:
        self.mask, self.setting, self.events = "0", "0", 128

    def replies(self, message: str) -> list[tuple[float, bytes]]:
        """Give (delay in s, bytes) for each line that one message brings."""
        self.heard.append(message)
        answers = [a for unit in message.split(";") if (a := self._answer(unit)) is not None]
        if not answers or self.mute:
            return []
        lines = answers if self.terse else [";".join(answers)]
        return [piece for line in lines for piece in self._spoil(line)]

    def _answer(self, unit: str) -> str | None:
        head, _, value = unit.strip().lstrip(":").partition(" ")
        if head == "VAL?":
            return value
        if head == "SET?":
            return self.setting
        if head == "*IDN?":
            return IDENTITY
        if head == "SET":
            self.setting = self.setting if self.stick else value
        elif not self.terse:
            return self._standard(head, value)
        return None

    def _standard(self, head: str, value: str) -> str | None:
        if head == "*ESE":
            self.mask = value
        elif head == "*ESE?":
            return self.mask
        elif head == "*SRE?":
            return "0"
        elif head == "*ESR?":
            events, self.events = self.events, 0
            return str(events)
        elif head == "SYST:ERR?":
            return self.queue.pop(0) if self.queue else '0,"No error"'
        elif head != "*CLS":
            self.queue.append(f'-113,"Undefined header;{head}"')
            self.events |= 32
        return None

    def _spoil(self, line: str) -> Iterator[tuple[float, bytes]]:
        fault, delay_s = self.plan.popleft() if self.plan else ("none", 0.0)
        whole = line.encode() + b"\n"
        middle = len(whole) // 2
        if fault == "late":
            yield delay_s, whole
        elif fault == "half":  # the tail comes when nobody waits for it any more
            yield 0.0, whole[:middle]
            yield delay_s, whole[middle:]
        elif fault == "cut":
            yield 0.0, whole[:middle] + b"\n"
        elif fault == "twice":
            yield 0.0, whole + whole
        elif fault == "noise":
            yield 0.0, b"\n" + whole
        elif fault == "foreign":
            yield 0.0, b"12.0000;1.0000;1\n" + whole
        elif fault == "bytes":
            yield 0.0, b"\xff\xfe" + whole
        elif fault == "no-end":
            yield 0.0, whole[:-1]
        elif fault != "lost":
            yield 0.0, whole


class FaultyLibrary(SimVisaLibrary):  # type: ignore[misc]
    """pyvisa-sim's library around one faulty box: replies are queued with the time they come."""

    _paths = itertools.count()

    @classmethod
    def around(cls, box: FaultyBox, clock: VirtualClock, resource: str) -> Any:
        library = cls(f"faulty-{next(cls._paths)}")
        library.box, library.clock = box, clock
        box.resource_name = None  # type: ignore[attr-defined]
        library.devices.add_device(str(rname.ResourceName.from_string(resource)), box)
        return pyvisa.ResourceManager(library)

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()
        self.waiting: deque[tuple[float, int]] = deque()
        self.free_s = 0.0

    def open(self, *args: Any, **kwargs: Any) -> Any:
        session, status = super().open(*args, **kwargs)
        if self.sessions[session].parsed.resource_class == "SOCKET":
            self.waiting.clear()  # what a closed connection still owed never comes
        return session, status

    def write(self, session: int, data: bytes) -> tuple[int, StatusCode]:
        for message in data.decode().splitlines():
            for delay_s, piece in self.box.replies(message):
                self.free_s = max(self.free_s, self.clock.now + delay_s)  # a wire keeps order
                self.waiting.extend((self.free_s, byte) for byte in piece)
        return len(data), self.handle_return_value(session, StatusCode.success)

    def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
        timeout_ms = self.sessions[session].get_attribute(ResourceAttribute.timeout_value)[0]
        until_s = self.clock.now + timeout_ms / 1000.0
        taken = bytearray()
        while self.waiting and self.waiting[0][0] <= until_s and len(taken) < count:
            ready_s, byte = self.waiting.popleft()
            self.clock.now = max(self.clock.now, ready_s)
            taken.append(byte)
            if byte == 10:
                status = StatusCode.success_termination_character_read
                return bytes(taken), self.handle_return_value(session, status)
        self.clock.now = until_s  # what was taken so far is lost, as it is in real libraries
        return b"", self.handle_return_value(session, StatusCode.error_timeout)

    def clear(self, session: int) -> StatusCode:
        raise AssertionError("clear() on a stream may hang")


class Server(threading.Thread):
    """Serves a faulty box on a loopback socket, or on the file descriptor of a terminal."""

    def __init__(self, box: FaultyBox, terminal: int | None = None) -> None:
        super().__init__(daemon=True)
        self.box = box
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port: int = self.listener.getsockname()[1]
        self.terminal = terminal
        self.ended, self._wake = socket.socketpair()
        self.due: list[tuple[float, int, bytes]] = []
        self.free_s = 0.0
        self.start()

    def run(self) -> None:
        self.buffers: dict[int, bytes] = {}
        self.lines: dict[int, socket.socket] = {}
        with selectors.DefaultSelector() as selector:
            selector.register(self.ended, selectors.EVENT_READ)
            selector.register(self.listener, selectors.EVENT_READ)
            if self.terminal is not None:
                selector.register(self.terminal, selectors.EVENT_READ)
            while self._step(selector):
                self._send_due()
        for line in (*self.lines.values(), self.listener, self.ended):
            line.close()

    def _step(self, selector: selectors.BaseSelector) -> bool:
        wait_s = max(0.0, self.due[0][0] - time.monotonic()) if self.due else None
        for key, _ in selector.select(wait_s):
            if key.fileobj is self.ended:
                return False
            if key.fileobj is self.listener:
                line, _address = self.listener.accept()
                self.lines[line.fileno()] = line
                selector.register(line, selectors.EVENT_READ)
            elif not self._hear(key.fd):
                selector.unregister(key.fileobj)
                self.lines.pop(key.fd).close()
        return True

    def _hear(self, fd: int) -> bool:
        try:
            data = os.read(fd, 65536)
        except ConnectionError:
            return False
        *messages, self.buffers[fd] = (self.buffers.get(fd, b"") + data).split(b"\n")
        for message in messages:
            for delay_s, piece in self.box.replies(message.decode().strip()):
                self.free_s = max(self.free_s, time.monotonic() + delay_s)
                self.due.append((self.free_s, fd, piece))
        return bool(data)

    def _send_due(self) -> None:
        while self.due and self.due[0][0] <= time.monotonic():
            _, fd, piece = self.due.pop(0)
            if fd in self.lines or fd == self.terminal:
                try:
                    os.write(fd, piece)
                except ConnectionError:
                    return

    def stop(self) -> None:
        self._wake.send(b"x")
        self.join()
        self._wake.close()
