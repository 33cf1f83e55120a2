"""A page on a socket of its own, for tests that talk to it as any client does."""

from __future__ import annotations

import http.client
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from runner.live.serving import bind, server


@dataclass(frozen=True, slots=True)
class Answer:
    """What came back."""

    status: int
    text: str
    headers: http.client.HTTPMessage


@dataclass(frozen=True, slots=True)
class ServedPage:
    """Where a page is served."""

    port: int
    end: Callable[[], None]

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.port}"

    def ask(
        self,
        path: str,
        method: str = "GET",
        body: bytes | None = None,
        **headers: str,
    ) -> Answer:
        """One request; a header is named with underscores."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            connection.putrequest(method, path, skip_host="Host" in sent)
            for name, value in sent.items():
                connection.putheader(name, value)
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            reply = connection.getresponse()
            return Answer(reply.status, reply.read().decode(), reply.headers)
        finally:
            connection.close()

    def post(self, path: str, body: bytes = b"", **headers: str) -> Answer:
        """A form sent from the page itself, unless `headers` say otherwise."""
        return self.ask(path, "POST", body, **({"Origin": f"http://{self.host}"} | headers))


@contextmanager
def serve(archive: Path, token: str | None = None, *names: str) -> Iterator[ServedPage]:
    """Serve what is below `archive` on loopback until the end of the block."""
    listening = bind("127.0.0.1", 0)
    served = server(archive, "127.0.0.1", listening, names, token)
    thread = threading.Thread(target=served.run, kwargs={"sockets": [listening]})
    thread.start()

    def end() -> None:
        served.should_exit = True
        thread.join(15)
        listening.close()
        assert not thread.is_alive()

    try:
        yield ServedPage(listening.getsockname()[1], end)
    finally:
        end()
