"""The simulated bench behind PyVISA: a library of live devices on the simulated clock.

`sim.build` hands an instance to `ResourceManager`; the drivers never know. Only open, close,
read, write, clear, flush and the status byte are our own; a timeout passes on the bench's
clock, so on a virtual one it costs no wall time. Attributes and names are pyvisa-sim's.
"""

from __future__ import annotations

import itertools
from typing import Any

from pyvisa import ResourceManager as ResourceManager
from pyvisa import rname
from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from sim.clock import Clock
from sim.seam import Device, Gone, Port

LINE_FEED = 10


class LiveLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim is not typed
    """A VISA library whose instruments are the boxes of one simulated bench."""

    _paths = itertools.count()  # libraries are cached by path: every bench needs its own

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()
        self.ports: dict[int, Port] = {}

    def open(
        self, session: int, resource_name: str, *args: Any, **kwargs: Any
    ) -> tuple[int, StatusCode]:
        """Open a resource; raise `VisaIOError` where no box answers to the name."""
        try:
            opened, status = super().open(session, resource_name, *args, **kwargs)
        except ValueError:  # an interface that pyvisa-sim has no session for
            opened, status = 0, StatusCode.error_resource_not_found
        if opened:
            try:
                self.ports[opened] = self.sessions[opened].device.connect()
            except Gone:
                del self.sessions[opened]
                opened, status = 0, StatusCode.error_resource_not_found
        return opened, self._returned(opened or None, status)

    def close(self, session: int) -> StatusCode:
        """Close a session and its connection to the box."""
        port = self.ports.pop(session, None)
        if port is not None:
            port.device.disconnect(port)
        closed: StatusCode = super().close(session)
        return closed

    def write(self, session: int, data: bytes) -> tuple[int, StatusCode]:
        """Hand bytes to the box."""
        port = self.ports.get(session)
        if port is None:
            return 0, self._returned(session, StatusCode.error_invalid_object)
        try:
            port.write(bytes(data))
        except Gone:
            return 0, self._returned(session, StatusCode.error_connection_lost)
        return len(data), self._returned(session, StatusCode.success)

    def read(self, session: int, count: int) -> tuple[bytes, StatusCode]:
        """Read until the terminator, the end of the reply, `count` bytes or the timeout."""
        port = self.ports.get(session)
        if port is None:
            return b"", self._returned(session, StatusCode.error_invalid_object)
        settings = self.sessions[session].attrs
        timeout_ms = settings.get(ResourceAttribute.timeout_value, 2000)
        with port.device.lock:
            data, status = take(port, count, self._terminator(session), timeout_ms / 1000.0)
        return data, self._returned(session, status)

    def _returned(self, session: int | None, status: StatusCode) -> StatusCode:
        """Remember the status; raise `VisaIOError` when it is an error."""
        returned: StatusCode = self.handle_return_value(session, status)
        return returned

    def _terminator(self, session: int) -> int | None:
        """Return the byte that ends a read: a serial line ends at one unless told otherwise."""
        opened = self.sessions[session]
        if opened.attrs.get(ResourceAttribute.termchar_enabled, False):
            return int(opened.attrs.get(ResourceAttribute.termchar, LINE_FEED))
        return LINE_FEED if opened.parsed.interface_type == "ASRL" else None

    def clear(self, session: int) -> StatusCode:
        """Clear the device."""
        self.ports[session].clear()
        return self._returned(session, StatusCode.success)

    def flush(self, session: int, mask: Any) -> StatusCode:
        """Throw away what has arrived; like a real serial line, what is late still comes."""
        self.ports[session].clear()
        return self._returned(session, StatusCode.success)

    def read_stb(self, session: int) -> tuple[int, StatusCode]:
        """Return the status byte, as a serial poll does."""
        port = self.ports[session]
        with port.device.lock:
            byte = port.device.box.status_byte(unread=bool(port.waiting))
        return byte, self._returned(session, StatusCode.success)


def take(
    port: Port, count: int, terminator: int | None, timeout_s: float
) -> tuple[bytes, StatusCode]:
    """Read from a port, waiting on the bench's clock; a half read is lost with its timeout."""
    clock, waiting = port.device.clock, port.waiting
    deadline_s = clock.now_s() + timeout_s
    taken = b""
    while True:
        if not port.alive:
            return b"", StatusCode.error_connection_lost
        if not waiting or waiting[0].ready_s > deadline_s:
            return _time_out(port, clock, deadline_s, nothing=not (waiting or taken))
        reply = waiting[0]
        clock.sleep(reply.ready_s - clock.now_s())
        room = count - len(taken)
        end = -1 if terminator is None else reply.data.find(terminator, 0, room)
        piece = reply.data[: end + 1] if end >= 0 else reply.data[:room]
        taken += piece
        reply.data = reply.data[len(piece) :]
        if not reply.data:
            waiting.popleft()
        if end >= 0:
            return taken, StatusCode.success_termination_character_read
        if not reply.data and reply.ends and port.device.exchange:
            return taken, StatusCode.success
        if len(taken) == count:
            return taken, StatusCode.success_max_count_read


def _time_out(
    port: Port, clock: Clock, deadline_s: float, *, nothing: bool
) -> tuple[bytes, StatusCode]:
    clock.sleep(deadline_s - clock.now_s())
    if nothing:
        port.asked_nothing()
    return b"", StatusCode.error_timeout


def resource_manager(devices: dict[str, Device]) -> ResourceManager:
    """Return a resource manager that finds exactly these devices."""
    library = LiveLibrary(f"live-bench-{next(LiveLibrary._paths)}")
    for resource, device in devices.items():
        device.resource_name = None
        library.devices.add_device(str(rname.ResourceName.from_string(resource)), device)
    return ResourceManager(library)
