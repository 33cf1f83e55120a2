"""Who may talk to the page: host, origin, token, and what every answer forbids the browser.

Wraps the page's routes. Knows nothing of runs. A request that is not let through gets a short
plain answer and reaches no route.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Iterable
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
ANY_ADDRESS = frozenset({"0.0.0.0", "::"})
OPEN_PATHS = ("/login", "/static/")
LEAST_TOKEN = 20
"""Fewest letters of a token a person chooses."""

ANSWER_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "
        "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-cache, private",
}


@dataclass(frozen=True, slots=True)
class Door:
    """What lets a request in: the address served, names it may be called by, and the token."""

    host: str
    port: int
    names: frozenset[str] = frozenset()
    token: str | None = None

    def knows_host(self, header: str) -> bool:
        """Whether a Host header names this page; another name may be a rebound one."""
        parts = _host_and_port(header)
        if parts is None or parts[1] not in (self.port, None):
            return False
        name = parts[0]
        if name in self.names or name == self.host:
            return True
        if self.host in ANY_ADDRESS:
            return name == "localhost" or _is_address(name)
        return self.host in LOOPBACK_NAMES and name in LOOPBACK_NAMES

    def opens_to(self, given: str) -> bool:
        """Whether `given` is the token, in a time that does not tell how much of it is right."""
        return self.token is not None and _same(given, self.token)


def _host_and_port(header: str) -> tuple[str, int | None] | None:
    try:
        parts = urlsplit(f"//{header}")
        if parts.username is not None or parts.path or not parts.hostname:
            return None
        return parts.hostname, parts.port
    except ValueError:
        return None


def _is_address(name: str) -> bool:
    """A bare address cannot be a name that was pointed here."""
    try:
        ipaddress.ip_address(name)
    except ValueError:
        return False
    return True


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "replace"), other.encode("utf-8", "replace"))


class Guard:
    """Lets requests through to `app`, or answers them itself."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self.door = app, door
        self._session = secrets.token_urlsafe(32)
        self._cookie = f"ampworth_{door.port}"  # cookies are shared by all ports of a host

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return await self._app(scope, receive, send)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in ANSWER_HEADERS.items():
                    headers[name] = value
            await send(message)

        refusal = self._refusal(scope)
        return await (refusal or self._app)(scope, receive, send_with_headers)

    def let_in(self, response: Response) -> Response:
        """Give the browser its session: what it shows from now on instead of the token."""
        response.set_cookie(self._cookie, self._session, httponly=True, samesite="strict", path="/")
        return response

    def _refusal(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self.door.knows_host(hosts[0]):
            return _refuse(421, "This page is not served under that name (Host).")
        if scope["method"] not in ("GET", "HEAD") and not _is_from(headers, hosts[0]):
            return _refuse(403, "A request from another page is not accepted (Origin).")
        if self.door.token is None or scope["path"].startswith(OPEN_PATHS) or self._knows(headers):
            return None
        if scope["method"] == "GET" and "text/html" in headers.get("accept", ""):
            return RedirectResponse("/login", 303)
        return _refuse(401, "The token is wanted: header Authorization: Bearer TOKEN, or /login.")

    def _knows(self, headers: Headers) -> bool:
        kind, _, given = headers.get("authorization", "").partition(" ")
        if kind.lower() == "bearer" and self.door.opens_to(given.strip()):
            return True
        try:
            cookies = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            return False
        found = cookies.get(self._cookie)
        return found is not None and _same(found.value, self._session)


def _is_from(headers: Headers, host: str) -> bool:
    """Whether a request comes from our own page: its Origin is where it was sent to."""
    origins = headers.getlist("origin")
    if len(origins) != 1:
        return False
    try:
        parts = urlsplit(origins[0])
    except ValueError:
        return False
    return parts.scheme in ("http", "https") and parts.netloc.lower() == host.lower()


def _refuse(status: int, text: str) -> Response:
    return PlainTextResponse(text + "\n", status, headers={"Connection": "close"})


def names_of(names: Iterable[str]) -> frozenset[str]:
    """Names as Host headers carry them."""
    return frozenset(name.lower().rstrip(".") for name in names)
