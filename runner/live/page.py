"""The web page: the runs of an archive, one run as it goes, and the stop button.

Pages are whole without any script; the script only fetches the same page again and swaps the
parts that changed. It reads journals and writes nothing but a stop request.
"""

from __future__ import annotations

import asyncio
import hashlib
import time
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route

from runner.errors import AmpworthError, BadInput
from runner.live.archive import KEPT_OPEN, Archive, LockedRun
from runner.live.guard import Door, Guard
from runner.live.shown import run_shown
from runner.live.state import ODD, verdicts_of
from runner.live.stop import ask_to_stop
from runner.live.words import clock_text, name_of, unit_of
from runner.report.plots import efficiency_plot, loss_plot, temperature_plot

HERE = Path(__file__).parent
STATIC = {"page.css": "text/css", "page.js": "text/javascript", "icon.svg": "image/svg+xml"}
SHOWN_RUNS = 200
MOST_BODY_BYTES = 4096
BODY_WITHIN_S = 5.0
LOOK_EVERY_S = 0.5
"""However many watch, a journal is looked at no more often than this [s]."""
CHUNKS_A_LOOK = 4


class Page:
    """The routes of one archive."""

    def __init__(self, archive: Archive, door: Door) -> None:
        self.archive = archive
        self.templates = Environment(
            loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined
        )
        self.templates.filters |= {
            "clock": clock_text,
            "name_of": name_of,
            "unit_of": unit_of,
            "link": _link,
        }
        self._static = {name: (HERE / "static" / name).read_bytes() for name in STATIC}
        self._rendered: dict[str, tuple[object, str]] = {}
        routes = [
            Route("/", self.runs),
            Route("/login", self.login_form),
            Route("/login", self.login, methods=["POST"]),
            Route("/static/{name}", self.static),
            Route("/runs/{name:path}/stop", self.stop, methods=["POST"]),
            Route("/runs/{name:path}", self.run),
        ]
        errors: dict[Any, Any] = {HTTPException: self._error, AmpworthError: self._error}
        self.guard = Guard(Starlette(routes=routes, exception_handlers=errors), door)

    # ------------------------------------------------------------------------ pages

    def runs(self, request: Request) -> Response:
        """The list of runs."""
        listed = self.archive.listed()
        skipped = _whole_number(request.query_params.get("from", "0"))
        shown = listed[skipped : skipped + SHOWN_RUNS]
        older = skipped + SHOWN_RUNS if len(listed) > skipped + SHOWN_RUNS else None
        text = self._render("runs.html", runs=shown, count=len(listed), older=older, first=skipped)
        return _answer(request, text)

    def run(self, request: Request) -> Response:
        """One run as it is now."""
        name = request.path_params["name"]
        with (run := self._find(name)).lock:
            text = self._text_of(run)
        return _answer(request, text)

    async def stop(self, request: Request) -> Response:
        """Ask the run for its safe state, then show the run."""
        await _body(request)
        name = request.path_params["name"]
        await run_in_threadpool(self._ask_to_stop, name, _client(request))
        return RedirectResponse(f"/runs/{_link(name)}", 303)

    def login_form(self, request: Request) -> Response:
        """Where the token is given."""
        return HTMLResponse(self._render("login.html", wrong=False))

    async def login(self, request: Request) -> Response:
        """Exchange the token for a session."""
        form = parse_qs((await _body(request)).decode("utf-8", "replace"))
        if not self.guard.door.opens_to(form.get("token", [""])[0].strip()):
            return HTMLResponse(self._render("login.html", wrong=True), 401)
        return self.guard.let_in(RedirectResponse("/", 303))

    def static(self, request: Request) -> Response:
        """The style sheet and the script."""
        name = request.path_params["name"]
        if name not in self._static:
            raise HTTPException(404)
        return Response(self._static[name], media_type=STATIC[name])

    # ------------------------------------------------------------------------ parts

    def _find(self, name: str) -> LockedRun:
        run = self.archive.run(name)
        if run is None:
            raise HTTPException(404, "There is no such run here.")
        return run

    def _ask_to_stop(self, name: str, who: str) -> None:
        with (run := self._find(name)).lock:
            self._look(run, at_once=True)
            ask_to_stop(run.watched, who)

    def _look(self, run: LockedRun, *, at_once: bool = False) -> None:
        """Take what is new in the journal; a long one is taken over several requests."""
        now_s = time.monotonic()
        if not at_once and now_s - run.looked_s < LOOK_EVERY_S:
            return
        run.looked_s = now_s
        for _ in range(CHUNKS_A_LOOK):
            run.watched.look()
            if not run.watched.follower.behind_bytes:
                return

    def _text_of(self, run: LockedRun) -> str:
        """The page of a run; made anew only when something changed."""
        try:
            self._look(run)
            return self._drawn(run)
        except BadInput:
            self.archive.forget(run.name)
            raise
        except ODD as error:
            self.archive.forget(run.name)
            raise BadInput(
                f"this version cannot show the journal ({type(error).__name__}: {error}); was it "
                "written by a newer one?"
            ) from error

    def _drawn(self, run: LockedRun) -> str:
        watched = run.watched
        ended = watched.state.end is not None
        silent_min = 0 if ended else watched.silent_min
        verdicts = verdicts_of(watched.folder)
        version = (id(run), watched.follower.read_bytes, watched.phase, silent_min, verdicts)
        kept = self._rendered.get(run.name)
        if kept is None or kept[0] != version:
            state = watched.state
            plots = [efficiency_plot(state.points), loss_plot(state.points)]
            plots.append(temperature_plot(state.trace.readings))
            shown = run_shown(run.name, watched, verdicts, silent_min)
            text = self._render("run.html", run=shown, plots=[Markup(plot) for plot in plots])
            kept = (version, text)
            self._rendered = {**dict([*self._rendered.items()][-KEPT_OPEN:]), run.name: kept}
        return kept[1]

    def _render(self, template: str, **values: Any) -> str:
        text = self.templates.get_template(template).render(**values)
        return text.encode("utf-8", "replace").decode()  # half a surrogate cannot be sent

    def _without_root(self, error: Exception) -> str:
        """A message without where the archive is on this machine."""
        return str(error).replace(str(self.archive.root), "").lstrip("/\\")

    async def _error(self, request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 409
        text = error.detail if isinstance(error, HTTPException) else self._without_root(error)
        headers = dict(getattr(error, "headers", None) or {})
        page = self._render("error.html", status=status, text=text)
        return HTMLResponse(page, status, headers=headers)


def _answer(request: Request, text: str) -> Response:
    """The page, or word that the browser's copy is still good."""
    content = text.encode()
    tag = f'"{hashlib.blake2b(content, digest_size=12).hexdigest()}"'
    if request.headers.get("if-none-match") == tag:
        return Response(status_code=304, headers={"ETag": tag})
    return HTMLResponse(content, headers={"ETag": tag})


async def _body(request: Request) -> bytes:
    """The body of a small form."""
    content = b""
    try:
        async with asyncio.timeout(BODY_WITHIN_S):
            async for chunk in request.stream():
                content += chunk
                if len(content) > MOST_BODY_BYTES:
                    raise HTTPException(413, "That is more than this form holds.")
    except TimeoutError:
        raise HTTPException(408, "The request did not come to its end.") from None
    return content


def _client(request: Request) -> str:
    return f"the page, from {request.client.host if request.client else 'an unknown address'}"


def _whole_number(text: str) -> int:
    return int(text) if text.isascii() and text.isdigit() and len(text) < 7 else 0


def _link(name: str) -> str:
    return quote(name)
