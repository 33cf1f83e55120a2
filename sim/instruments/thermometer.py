"""A scanning thermometer: channels 101 to 120, each a sensor or open (9.9E37).

`sim.build` makes it from all bench-file entries that share its resource. It converts no
thermocouple voltages: a channel configured for another sensor than is wired reads overload.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random
from typing import NamedTuple

from sim.instruments import grammar
from sim.instruments.accuracy import Range
from sim.instruments.commands import Command, word
from sim.instruments.hookup import Hookup
from sim.instruments.meter import OVERLOAD
from sim.instruments.scpi import ScpiBox
from sim.instruments.spec import Accuracy, BoxSpec, LostSensor
from sim.instruments.status import ScpiError

CHANNELS = range(101, 121)
PLACES = {
    "case": "case_temp_c",
    "capacitor": "capacitor_temp_c",
    "hot_spot": "hot_spot_temp_c",
    "ambient": "ambient_temp_c",
    "chamber": "ambient_temp_c",
}
SENSORS = {
    "K": ("TC", "K"),
    "T": ("TC", "T"),
    "J": ("TC", "J"),
    "N": ("TC", "N"),
    "PT100": ("RTD", "85"),
    "NTC": ("THER", "10000"),
}
KINDS = word("TCouple", "TC", "RTD", "FRTD", "THERmistor")
_KIND = {"TCOUPLE": "TC", "TC": "TC", "RTD": "RTD", "FRTD": "RTD", "THER": "THER"}
_USUAL = Accuracy(range_max=200.0, offset=1.0)


class Sensor(NamedTuple):
    """What is wired to a channel: kind and type, where it sits, its errors."""

    kind: tuple[str, str]
    place: str
    errors: Range


class ScpiThermometer(ScpiBox):
    """A scanner of temperatures."""

    def __init__(self, specs: Sequence[BoxSpec], hookup: Hookup, random: Random) -> None:
        self.sensors = {
            spec.channel or CHANNELS[0]: Sensor(
                SENSORS.get(spec.sensor.upper(), SENSORS["K"]),
                PLACES[spec.wired],
                Range(spec.temp_accuracy or _USUAL, random, 1e4),
            )
            for spec in specs
            if spec.wired in PLACES
        }
        identity = next((spec.identity for spec in specs if spec.identity), "")
        super().__init__(identity, hookup)
        self.reset()

    def commands(self) -> Sequence[Command]:
        """Return the thermometer's dialect."""
        return COMMANDS

    def reset(self) -> None:
        """Degrees Celsius, every channel set for the sensor that is wired to it."""
        self.unit = "C"
        self.configured = dict.fromkeys(CHANNELS, SENSORS["K"])
        self.configured |= {channel: sensor.kind for channel, sensor in self.sensors.items()}

    def stick(self, channel: int) -> list[Callable[[], None]]:
        """Freeze one channel at what it reads now; return what ends that."""
        sensor = self.sensors[channel]
        return [sensor.errors.stick(getattr(self.hookup.look(), sensor.place))]

    def lose_sensor(self, channel: int, how: LostSensor) -> Callable[[], None]:
        """Let a sensor fall off into the air, or its wire break; return what mends it."""
        sensor = self.sensors.pop(channel)
        if how == "off":
            self.sensors[channel] = sensor._replace(place="ambient_temp_c")
        return lambda: self.sensors.update({channel: sensor})

    def measure(self, parameters: Sequence[str]) -> str:
        """Return the temperatures of a channel list, comma-joined."""
        return ",".join([self._text(channel) for channel in self._listed(parameters)])

    def _text(self, channel: int) -> str:
        sensor = self.sensors.get(channel)
        if sensor is None or self.configured[channel] != sensor.kind:
            return f"{OVERLOAD:+.8E}"
        temp_c = sensor.errors.value(getattr(self.hookup.look(), sensor.place))
        return f"{_CONVERT[self.unit](temp_c):+.4E}"

    def _listed(self, parameters: Sequence[str]) -> tuple[int, ...]:
        """Return the channels of the one parameter; the first channel when there is none."""
        if not parameters:
            return (CHANNELS[0],)
        if len(parameters) > 1:
            raise ScpiError(-108, ",".join(parameters))
        usual = _LISTS.get(parameters[0])
        if usual is not None:
            return usual
        channels = grammar.channel_list(parameters[0])
        if any(channel not in CHANNELS for channel in channels):
            raise ScpiError(-222, parameters[0])
        return channels

    def configure(self, parameters: Sequence[str]) -> None:
        """Set channels for a sensor: kind, type, list."""
        if len(parameters) < 3:
            raise ScpiError(-109, "CONF:TEMP")
        if len(parameters) > 3:
            raise ScpiError(-108, parameters[3])
        kind = _KIND[KINDS.parse(parameters[0])]
        channels = self._listed(parameters[2:])
        wanted = _type_of(kind, parameters[1])
        for channel in channels:
            wired = self.sensors.get(channel)
            default = wired.kind if wired else SENSORS["K"]
            self.configured[channel] = default if wanted is None else (kind, wanted)

    def transducer(self, parameters: Sequence[str]) -> str:
        """Return kind and type of the listed channels."""
        channels = self._listed(parameters)
        return ",".join(part for channel in channels for part in self.configured[channel])


_LISTS = {f"(@{channel})": (channel,) for channel in CHANNELS}  # the usual ones, at no cost
_CONVERT = {
    "C": lambda temp_c: temp_c,
    "K": lambda temp_c: temp_c + 273.15,
    "F": lambda temp_c: temp_c * 1.8 + 32.0,
}


def _type_of(kind: str, text: str) -> str | None:
    """Return the sensor type, None for DEF; raise -224 or a number's error."""
    upper = text.upper()
    if upper in ("DEF", "DEFAULT"):
        return None
    if kind == "TC":
        if upper not in ("K", "T", "J", "N"):
            raise ScpiError(-224, text)
        return upper
    if kind == "RTD" and upper == "PT100":
        return "85"
    value = grammar.number(text, "")
    if not 0.0 < value <= 1e6:
        raise ScpiError(-222, text)
    return str(round(value))


COMMANDS = (
    *(
        Command(header, answer=ScpiThermometer.measure, free=True)
        for header in ("MEASure[:SCALar]:TEMPerature", "FETCh:TEMPerature", "READ:TEMPerature")
    ),
    Command("CONFigure:TEMPerature", apply=ScpiThermometer.configure, free=True),
    Command("[SENSe:]TEMPerature:TRANsducer:TYPE", answer=ScpiThermometer.transducer, free=True),
    Command(
        "UNIT:TEMPerature",
        word("C", "F", "K"),
        lambda box, unit: setattr(box, "unit", unit),
        lambda box: box.unit,
    ),
)
