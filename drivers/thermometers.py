"""Thermometers: a scanner that answers in degrees, or a multimeter on a bare sensor.

Built by `families.thermometer`. The scanner converts by itself and is told which
sensor is wired; from a multimeter come ohms or volts, which `sensors.py` converts.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from drivers.errors import SettingRefused
from drivers.numbers import number
from drivers.readback import Check, confirm
from drivers.sensors import ntc_temp_c, pt_temp_c, thermocouple_temp_c

if TYPE_CHECKING:
    from drivers.link import Link

SCANNER_WORDS = {"K": "TC,K", "T": "TC,T", "PT100": "RTD,85", "NTC": "THER,10000"}
OPEN_SENSOR = "Check that the sensor is not open and is wired to this channel"


class ScpiThermometer:
    """One channel of a scanning thermometer; see `roles.Thermometer`."""

    def __init__(self, link: Link, *, name: str, channel: int | None, sensor: str | None) -> None:
        self.link = link
        self.name = name
        self._list = "" if channel is None else f"(@{channel})"
        self._sensor = "" if sensor is None else SCANNER_WORDS[sensor]
        self.queries: tuple[str, ...] = (f"MEAS:TEMP? {self._list}".strip(),)

    def prepare(self) -> None:
        """Degrees Celsius, and the sensor that is wired."""
        commands, checks = ["*CLS", "UNIT:TEMP C"], [Check("UNIT:TEMP?", "C")]
        if self._sensor:
            parts = ",".join(part for part in (self._sensor, self._list) if part)
            commands.append(f"CONF:TEMP {parts}")
            checks.append(Check(f"TEMP:TRAN:TYPE? {self._list}".strip(), self._sensor))
        asked = f"°C and sensor {self._sensor or 'as set'} on channel {self._list or '1'}"
        confirm(self.link, commands, checks, name=self.name, asked=asked)

    def measure(self) -> float:
        """One reading [°C], in one round trip; an open sensor raises `BadReply`."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> float:
        """Turn the reply to `queries` into °C."""
        return _degrees(self.link, self.name, self.queries, replies, float)


class MeterThermometer:
    """A multimeter on a bare sensor; see `roles.Thermometer`.

    A thermocouple needs the temperature of its cold junction [°C], where copper begins.
    """

    queries: tuple[str, ...] = ("READ?",)

    def __init__(
        self, link: Link, *, name: str, sensor: str, cold_junction_c: float | None
    ) -> None:
        self.link = link
        self.name = name
        self._sensor = sensor
        if sensor in ("K", "T"):
            if cold_junction_c is None:
                raise SettingRefused(
                    f"a multimeter on a thermocouple {sensor} knows no cold junction",
                    instrument=name,
                    resource=link.resource,
                    todo="Give the cold junction's temperature or use a thermometer family",
                )
            cold_c = cold_junction_c
            self._configure = "CONF:VOLT:DC 0.1"
            self._convert: Callable[[float], float] = lambda volts: thermocouple_temp_c(
                sensor, volts * 1e3, cold_c
            )
        else:  # four wires for 0.4 ohm a kelvin, two suffice for an NTC
            self._configure = "CONF:FRES 1000" if sensor == "PT100" else "CONF:RES 1E6"
            self._convert = pt_temp_c if sensor == "PT100" else ntc_temp_c

    def prepare(self) -> None:
        """Fix the function and a range that holds the sensor's signal."""
        word = self._configure.removeprefix("CONF:").split()[0].removesuffix(":DC")
        confirm(
            self.link,
            ["*CLS", self._configure],
            [Check("CONF?", word)],
            name=self.name,
            asked=f"a {self._sensor} sensor",
        )

    def measure(self) -> float:
        """One reading [°C], in one round trip; an open sensor raises `BadReply`."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> float:
        """Turn the reply to `queries` into °C."""
        return _degrees(self.link, self.name, self.queries, replies, self._convert)


def _degrees(
    link: Link,
    name: str,
    queries: Sequence[str],
    replies: Sequence[str],
    convert: Callable[[float], float],
) -> float:
    try:
        (reply,) = replies
        return convert(number(reply))
    except ValueError as fault:
        raise link.bad_reply(
            queries[0], "; ".join(replies), f"{name}: {fault}", OPEN_SENSOR
        ) from fault
