"""Small supply, load and meter on `scpipy`, a general SCPI server library none of us wrote.

It parses messages, keeps the error queue and the IEEE 488.2 registers its own way: after
an error it drops the rest of a message and sends nothing.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from typing import Any

from scpipy.server import Context, Router, Server
from scpipy.shared.errors import DefaultScpiErrors, ScpiException

LOADED_OHM = 10.0


def refuse_above(text: str, most: float) -> float:
    value = float(text)
    if not 0.0 <= value <= most:
        raise ScpiException(DefaultScpiErrors.DATA_OUT_OF_RANGE.value)
    return value


class Switch:
    """An ON/OFF setting with its query."""

    def __init__(self, router: Router, header: str, changed: Callable[[Any, bool], None]) -> None:
        self.on = False

        def put(context: Context, value: str) -> None:
            self.on = value.upper() in ("1", "ON")
            changed(context, self.on)

        router.add_route(f"{header} <value>", put)
        router.add_route(f"{header}?", lambda context: int(self.on))


class Level:
    """A level with its query and its greatest value."""

    def __init__(self, router: Router, header: str, most: float, digits: int = 3) -> None:
        self.value = 0.0

        def put(context: Context, value: str) -> None:
            self.value = refuse_above(value, most)

        router.add_route(f"{header} <value>", put)
        router.add_route(f"{header}?", lambda context: f"{self.value:.{digits}f}")


def nothing(context: Any, on: bool) -> None:
    """A switch without consequences."""


def set_condition(bits: int) -> Callable[[Any, bool], None]:
    def changed(context: Any, on: bool) -> None:
        context.status.questionable.set_condition(bits if on else 0)

    return changed


def supply(suffix: str = "") -> Router:
    """A 30 V supply on 10 ohm, without an over-current trip."""
    router, source = Router(), f"SOURce{suffix}:" if suffix else ""
    volts = Level(router, f"{source}VOLTage[:LEVel]", 30.0)
    Level(router, f"{source}CURRent[:LEVel]", 5.0)
    Level(router, f"{source}VOLTage:PROTection[:LEVel]", 33.0)
    output = Switch(router, f"OUTPut{suffix}[:STATe]", set_condition(2))
    Switch(router, f"SYSTem:SENSe{suffix}[:STATe]", nothing)
    router.add_route(f"OUTPut{suffix}:PROTection:CLEar", lambda context: None)
    router.add_route(f"MEASure{suffix}:VOLTage?", lambda context: f"{volts.value * output.on:+.5E}")
    router.add_route(
        f"MEASure{suffix}:CURRent?", lambda context: f"{volts.value * output.on / LOADED_OHM:+.5E}"
    )
    if suffix:
        router.add_route(
            f"STATus:QUEStionable:INSTrument:ISUMmary{suffix}:CONDition?",
            lambda context: 2 * output.on,
        )
    return router


def load(mode: str, switch: str) -> Router:
    """A 30 A load on a 9 V source, in one of the two usual trees."""
    router = Router()
    state = {"mode": "CURR", "range": 30.0}
    levels = {
        node: Level(router, f"{header}[:LEVel]", most)
        for node, header, most in (
            ("CURR", "CURRent", 30.0),
            ("RES", "RESistance", 1e4),
            ("VOLT", "VOLTage", 80.0),
            ("POW", "POWer", 200.0),
        )
    }
    on = Switch(router, f"{switch}[:STATe]", nothing)

    def put_mode(context: Context, value: str) -> None:
        state["mode"] = value

    def put_range(context: Context, value: str) -> None:
        state["range"] = 6.0 if refuse_above(value, 30.0) <= 6.0 else 30.0

    router.add_route(f"{mode} <value>", put_mode)
    router.add_route(f"{mode}?", lambda context: state["mode"])
    router.add_route("CURRent:RANGe <value>", put_range)
    router.add_route("CURRent:RANGe?", lambda context: state["range"])
    router.add_route(f"{switch}:PROTection:CLEar", lambda context: None)
    Level(router, "CURRent:PROTection[:LEVel]", 33.0)
    Switch(router, "CURRent:PROTection:STATe", nothing)
    Level(router, "POWer:PROTection[:LEVel]", 220.0)
    Switch(router, "POWer:PROTection:STATe", nothing)
    router.add_route("MEASure:VOLTage?", lambda context: "9.0000")
    router.add_route("MEASure:CURRent?", lambda context: f"{levels['CURR'].value * on.on:.4f}")
    return router


def meter(volts: float, ohms: float) -> Router:
    """A multimeter with 9 V at its terminals, or a resistance."""
    router = Router()
    state = {"function": "VOLT", "range": "1.000000E+03"}

    def configure(function: str) -> Callable[[Any, str], None]:
        def put(context: Context, value: str) -> None:
            state.update(function=function, range=f"{refuse_above(value, 1e7):+.6E}")

        return put

    def read(context: Context) -> str:
        value = volts if state["function"] == "VOLT" else ohms
        return f"{value:+.8E}" if value <= 1.2 * float(state["range"]) else "+9.90000000E+37"

    router.add_route("CONFigure:VOLTage:DC <value>", configure("VOLT"))
    router.add_route("CONFigure:FRESistance <value>", configure("FRES"))
    router.add_route("CONFigure:RESistance <value>", configure("RES"))
    router.add_route("CONFigure?", lambda context: f'"{state["function"]} {state["range"]}"')
    router.add_route("VOLTage:RANGe:AUTO?", lambda context: 0)
    Level(router, "SAMPle:COUNt", 1000.0, digits=0)
    router.add_route("READ?", read)
    return router


class Served(threading.Thread):
    """The server in a thread of its own; its port is chosen by the system."""

    def __init__(self, router: Router, identity: str) -> None:
        super().__init__(daemon=True)
        router.add_route("*IDN?", lambda context: identity)
        self._ready = threading.Event()
        self._server = Server("127.0.0.1", 0, shared_context=True, lifespan=self._lifespan)
        self._server.include_router(router)
        self.start()
        self._ready.wait(5.0)

    @asynccontextmanager
    async def _lifespan(self, server: Any) -> AsyncIterator[dict[str, Any]]:
        self._loop = asyncio.get_running_loop()
        self._loop.create_task(self._announce())
        yield {}

    async def _announce(self) -> None:
        while self._server._server is None:
            await asyncio.sleep(0)
        self.port: int = self._server._server.sockets[0].getsockname()[1]
        self._ready.set()

    def run(self) -> None:
        self._server.run()

    def stop(self) -> None:
        self._loop.call_soon_threadsafe(self._server.stop)
        self.join(5.0)
