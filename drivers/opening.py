"""Opens one VISA resource the way a link needs it. With `link.py` the only home of pyvisa.

Called by whoever opens a bench, through `drivers.link.open_visa`. It sends nothing.
"""

from __future__ import annotations

import socket
from typing import Any

from drivers.errors import LostInstrument


def is_stream(resource: str) -> bool:
    """Tell whether the line ending is all that ends a reply (raw socket, serial line)."""
    name = resource.upper()
    return name.startswith("ASRL") or name.endswith("SOCKET")


def failures() -> tuple[type[Exception], ...]:
    """What a VISA library raises for a resource that cannot be opened, `LostInstrument` apart."""
    from pyvisa.errors import Error

    return (Error, OSError, UnicodeError, ValueError, NotImplementedError)


def open_visa(
    resource_manager: Any,
    resource: str,
    *,
    timeout_s: float,
    baud: int | None = None,
    name: str = "instrument",
) -> Any:
    """Open `resource` with a finite timeout [s] and line-feed termination.

    Raises `LostInstrument` with the reason the VISA library gives.
    """
    from pyvisa.constants import StatusCode

    timeout_ms = max(1, round(timeout_s * 1000))
    try:
        opened = resource_manager.open_resource(resource, open_timeout=timeout_ms)
    except Exception as fault:  # the pure-Python VISA raises it bare
        raise LostInstrument(
            f"cannot be opened: {fault}",
            instrument=name,
            resource=resource,
            todo="Check the address, the cable and that no other program holds it",
        ) from fault
    opened.timeout = timeout_ms
    opened.read_termination = "\n"
    if baud is not None and resource.upper().startswith("ASRL"):
        opened.baud_rate = baud
    # a box that babbles fills the buffer; the link sees that itself and needs no warning
    opened.ignore_warning(StatusCode.success_max_count_read).__enter__()
    if resource.upper().endswith("SOCKET"):
        _send_at_once(opened)
    return opened


def _send_at_once(opened: Any) -> None:
    """Switch off Nagle's algorithm, which stalls a write after a write by 40 ms.

    The pure-Python VISA has no attribute for it, so its own socket is asked; a library
    without such a socket (a C library, which switches it off itself) is left alone.
    """
    session = getattr(opened.visalib, "sessions", {}).get(opened.session)
    interface = getattr(session, "interface", None)
    if isinstance(interface, socket.socket):
        interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
