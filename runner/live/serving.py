"""Puts the page on a socket: binding, limits on clients, and an end without noise.

A client that is slow to ask is cut off, so that silent connections cannot use the page up.
"""

from __future__ import annotations

import asyncio
import os
import socket
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import h11
import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from runner.errors import BadInput
from runner.live.archive import Archive
from runner.live.guard import Door, names_of
from runner.live.page import Page

MOST_CONNECTIONS = 200
MOST_HEAD_BYTES = 16_384
ASK_WITHIN_S = 10.0


class PromptProtocol(H11Protocol):
    """HTTP/1.1 from clients that send a whole request head in `ASK_WITHIN_S`."""

    def connection_made(self, transport: Any) -> None:
        """Begin to wait for a request."""
        super().connection_made(transport)
        self._look_later(transport)

    def _look_later(self, transport: asyncio.Transport) -> None:
        asked = id(self.cycle)
        self.loop.call_later(ASK_WITHIN_S, self._look_at, transport, asked)

    def _look_at(self, transport: asyncio.Transport, asked: int) -> None:
        if transport.is_closing():
            return
        is_waiting = self.conn.their_state is h11.IDLE and asked == id(self.cycle)
        if is_waiting:
            transport.close()
        else:
            self._look_later(transport)


def bind(host: str, port: int) -> socket.socket:
    """A listening socket. Raises BadInput when the address cannot be had."""
    if not 0 <= port <= 65535:
        raise BadInput(f"--port {port}: allowed is 0 (any that is free) to 65535")
    try:
        family, kind, number, _, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        bound = socket.socket(family, kind, number)
    except (OSError, UnicodeError) as error:
        raise BadInput(f"--host {host}: is no address of this machine ({error})") from error
    try:
        if os.name == "posix":  # elsewhere it would let another program share the port
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind(address)
        bound.listen(128)
    except OSError as error:
        bound.close()
        raise BadInput(
            f"--host {host} --port {port}: cannot be bound ({error}); "
            "choose an address of this machine and a port that is free"
        ) from error
    return bound


def server(
    archive: Path, host: str, listening: socket.socket, names: Iterable[str], token: str | None
) -> uvicorn.Server:
    """A server for what is below `archive`; `run(sockets=[listening])` serves."""
    port = listening.getsockname()[1]
    door = Door(host.lower(), port, names_of(names), token)
    page = Page(Archive(archive), door)
    settings = uvicorn.Config(
        page.guard,
        http=PromptProtocol,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        proxy_headers=False,  # what a client says of itself is not who it is
        server_header=False,
        date_header=False,
        limit_concurrency=MOST_CONNECTIONS,
        h11_max_incomplete_event_size=MOST_HEAD_BYTES,
        timeout_keep_alive=8,
        timeout_graceful_shutdown=2,
    )
    return uvicorn.Server(settings)
