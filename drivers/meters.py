"""Multimeters: volts, or amperes over a shunt or through their own input.

Built by `families.meter`. One function on one fixed range, since a change of range
disturbs the circuit and the reading. Nothing here knows limits of a bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Literal

from drivers.errors import SettingRefused
from drivers.numbers import number, unquoted
from drivers.readback import Check, confirm

if TYPE_CHECKING:
    from drivers.link import Link

Quantity = Literal["V", "A"]


class ScpiMeter:
    """A multimeter as a meter of volts or of amperes; see `roles.Meter`."""

    queries: tuple[str, ...] = ("READ?",)

    def __init__(
        self, link: Link, *, name: str, quantity: Quantity, shunt_ohm: float | None
    ) -> None:
        if shunt_ohm is not None and not (quantity == "A" and 0.0 < shunt_ohm < float("inf")):
            raise SettingRefused(
                f"shunt_ohm = {shunt_ohm!r} for a meter of {quantity}",
                instrument=name,
                resource=link.resource,
                todo="Give a shunt above 0 ohm, and only to a meter of current",
            )
        self.link = link
        self.name = name
        self._unit = quantity
        self._scale = 1.0 if shunt_ohm is None else 1.0 / shunt_ohm
        self._node = "CURR" if quantity == "A" and shunt_ohm is None else "VOLT"

    def prepare(self, *, range_max: float) -> None:
        """Fix function and range so that `range_max` [V] or [A] fits; no autorange."""
        wanted = abs(range_max) / self._scale
        asked = f"a {self._node} range that holds {wanted:g}"
        (reply,) = confirm(
            self.link,
            ["*CLS", f"CONF:{self._node}:DC {wanted:.9g}", "SAMP:COUN 1"],
            [Check(f"{self._node}:RANG:AUTO?", False), Check("SAMP:COUN?", 1.0)],
            name=self.name,
            asked=asked,
            also=["CONF?"],
        )
        self._check_range(wanted, reply, asked)

    def measure(self) -> float:
        """One reading [V] or [A], in one round trip."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> float:
        """Turn the reply to `queries` into volts or amperes; an overload is an error."""
        try:
            (reply,) = replies
            return number(reply) * self._scale
        except ValueError as fault:
            raise self.link.bad_reply(
                "READ?",
                "; ".join(replies),
                f"{self.name}: {fault}",
                "Check the wiring; an overload needs a greater range",
            ) from fault

    def _check_range(self, wanted: float, reply: str, asked: str) -> None:
        """Look at the answer to `CONF?`, `"VOLT +1.000000E+01"`: function and range in one."""
        try:
            function, _, found = unquoted(reply).partition(" ")
            range_max = number(found.split(",")[0])
        except ValueError as fault:
            raise self.link.bad_reply("CONF?", reply, str(fault)) from fault
        if not function.upper().startswith(self._node) or range_max < wanted * (1.0 - 1e-6):
            raise SettingRefused(
                f"asked for {asked}",
                instrument=self.name,
                resource=self.link.resource,
                command=f"CONF:{self._node}:DC {wanted:.9g}",
                reply=reply,
                todo="Choose a range of the meter that holds it",
            )
