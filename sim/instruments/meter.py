"""A six-digit multimeter: volts, amperes, ohms; fixed ranges or autorange; 9.9E37 on overload.

`sim.build` makes it; it reads the place its leads go to and changes nothing. With a shunt
it sees the shunt's voltage, on a temperature the bare sensor's ohms or volts. Asked for what
it is not wired for, it reads about nought, or overload in ohms, as with open leads.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from random import Random

from sim.instruments import grammar, sensors
from sim.instruments.accuracy import Range, smallest_holding
from sim.instruments.commands import SWITCH, TEXT, Command, Limits, Number, mask
from sim.instruments.hookup import Hookup
from sim.instruments.scpi import ScpiBox
from sim.instruments.spec import Accuracy, BoxSpec, LostSensor
from sim.instruments.status import ScpiError

OVERLOAD = 9.9e37  # SCPI-1999 volume 1, 7.2.1.5: infinity as a number
OVER_RANGE = 1.2  # a range reads up to 120 % of its name (common practice, no source)
COUNTS = 1e6
CYCLE_S = 0.02  # one power line cycle at 50 Hz
MOST_SAMPLES = 1000
PLACES = {
    "supply": ("VOLT", "v_supply_v"),
    "load": ("VOLT", "v_load_v"),
    "vin": ("VOLT", "vin_v"),
    "vout": ("VOLT", "vout_v"),
    "iin": ("CURR", "iin_a"),
    "iout": ("CURR", "iout_a"),
    "hot_spot": ("TEMP", "hot_spot_temp_c"),
    "case": ("TEMP", "case_temp_c"),
    "capacitor": ("TEMP", "capacitor_temp_c"),
    "ambient": ("TEMP", "ambient_temp_c"),
    "chamber": ("TEMP", "ambient_temp_c"),
}
WORDS = {
    "VOLT": "VOLTage[:DC]",
    "CURR": "CURRent[:DC]",
    "RES": "RESistance",
    "FRES": "FRESistance",
}
UNITS = {"VOLT": "V", "CURR": "A", "RES": "OHM", "FRES": "OHM"}
_OHMS = [Accuracy(10.0**decade, 0.01, 0.001) for decade in range(2, 8)]
_USUAL = {  # of a good bench meter (common practice, no source)
    "VOLT": [Accuracy(r, 0.005, 0.003) for r in (0.1, 1.0, 10.0, 100.0, 1000.0)],
    "CURR": [Accuracy(r, 0.1, 0.01) for r in (0.01, 0.1, 1.0, 3.0, 10.0)],
    "RES": _OHMS,
    "FRES": _OHMS,
}


class _Function:
    """Ranges and settings of one function."""

    def __init__(self, accuracies: Sequence[Accuracy], random: Random) -> None:
        ordered = sorted(accuracies, key=lambda accuracy: accuracy.range_max)
        self.ranges = [Range(accuracy, random, COUNTS) for accuracy in ordered]
        self.reset()

    def reset(self) -> None:
        self.range = self.ranges[-1]
        self.auto = True
        self.cycles = 1.0

    def fix(self, value: float) -> None:
        """Fix the smallest range that holds `value`."""
        self.range = smallest_holding(self.ranges, value)
        self.auto = False

    def read(self, true: float) -> float:
        if self.auto:
            fits = (r for r in self.ranges if abs(true) <= OVER_RANGE * r.max)
            self.range = next(fits, self.ranges[-1])
        value = self.range.value(true, math.sqrt(self.cycles))
        if abs(value) > OVER_RANGE * self.range.max:
            return math.copysign(OVERLOAD, value)
        return self.range.rounded(value)


class ScpiMeter(ScpiBox):
    """A multimeter on one place of the bench."""

    def __init__(self, spec: BoxSpec, hookup: Hookup, random: Random) -> None:
        self.spec = spec
        self._quantity, self._place = PLACES.get(spec.wired, ("", ""))
        self._is_open = False
        self._terminals_temp_c = hookup.world.ambient_temp_c  # the cold junction: the room
        stated = _USUAL | {
            name: list(given)
            for name, given in (("VOLT", spec.voltage_accuracy), ("CURR", spec.current_accuracy))
            if given
        }
        self.functions = {name: _Function(stated[name], random) for name in WORDS}
        self._spoil()
        super().__init__(spec.identity, hookup)
        self.reset()

    def _spoil(self) -> None:
        """Put the faults of an ammeter, over its shunt too, on the function that reads it."""
        if self._quantity == "CURR":
            shunt_ohm = self.spec.shunt_ohm
            offset = self.spec.offset_a * (1.0 if shunt_ohm is None else shunt_ohm)
            for one in self.functions["CURR" if shunt_ohm is None else "VOLT"].ranges:
                one.spoil(offset, self.spec.scale_a)

    def commands(self) -> Sequence[Command]:
        """Return the meter's dialect."""
        return COMMANDS

    def reset(self) -> None:
        """Volts, autorange, one sample, nothing measured."""
        self.function = "VOLT"
        self.samples = 1
        self.readings: list[str] = []
        for function in self.functions.values():
            function.reset()

    def true_value(self) -> float:
        """Return what is at the terminals in the chosen function [V], [A] or [ohm]."""
        quantity, value = self._signal()
        if self._is_open:
            return math.inf  # a broken sensor drives the input over its range
        if self.function.removeprefix("F") == quantity:
            return value
        return math.inf if self.function.endswith("RES") else 0.0

    def _signal(self) -> tuple[str, float]:
        """Return what the leads bring: the quantity, and how much of it."""
        if not self._place:
            return "", 0.0
        value = float(getattr(self.hookup.look(), self._place))
        if self.spec.reversed_leads:
            value = -value
        if self._quantity == "TEMP":
            return self._sensed(value)
        if self._quantity == "CURR" and self.spec.shunt_ohm is not None:
            return "VOLT", value * self.spec.shunt_ohm
        return self._quantity, value

    def _sensed(self, temp_c: float) -> tuple[str, float]:
        sensor = self.spec.sensor.upper()
        if sensor in ("K", "T"):
            return "VOLT", sensors.thermocouple_v(sensor, temp_c, self._terminals_temp_c)
        resistance = sensors.ntc_ohm if sensor == "NTC" else sensors.platinum_ohm
        return "RES", resistance(temp_c)

    def stick(self) -> list[Callable[[], None]]:
        """Freeze it at what it reads now; return what ends that."""
        true = self.true_value()
        return [one.stick(true) for one in self.functions[self.function].ranges]

    def lose_sensor(self, how: LostSensor) -> Callable[[], None]:
        """Let the sensor fall off into the air, or its wire break; return what mends it."""
        place = self._place
        self._is_open, self._place = how == "open", "ambient_temp_c"

        def mend() -> None:
            self._is_open, self._place = False, place

        return mend

    def initiate(self) -> None:
        """Take the samples; each costs its power line cycles."""
        function = self.functions[self.function]
        true = self.true_value()
        self.readings = [f"{function.read(true):+.8E}" for _ in range(self.samples)]
        self.busy_s += self.samples * function.cycles * CYCLE_S

    def abort(self) -> None:
        """There is never a measurement under way between two messages."""

    def fetch(self) -> str:
        """Return the last readings; raise -230 when there are none."""
        if not self.readings:
            raise ScpiError(-230, "nothing measured")
        return ",".join(self.readings)

    def read(self) -> str:
        """Measure and return the readings."""
        self.initiate()
        return self.fetch()

    def choose(self, name: str) -> None:
        """Choose a function by its quoted name, `VOLT:DC`."""
        wanted = name.upper().removesuffix(":DC")
        for function, word in WORDS.items():
            if wanted in (function, word.removesuffix("[:DC]").upper()):
                self.function = function
                self.readings = []
                return
        raise ScpiError(-224, name)

    def chosen(self) -> str:
        """Return the function's name as `choose` takes it."""
        return self.function + (":DC" if "[:DC]" in WORDS[self.function] else "")

    def configure(self, function: str, parameters: Sequence[str]) -> None:
        """Choose function and range; no range, DEF or AUTO means autorange."""
        if len(parameters) > 1:
            raise ScpiError(-108, ",".join(parameters))
        wanted = self._wanted_range(function, parameters[0]) if parameters else None
        self.function = function
        self.samples = 1
        self.readings = []
        self.functions[function].reset()
        if wanted is not None:
            self.functions[function].fix(wanted)

    def _wanted_range(self, function: str, text: str) -> float | None:
        if text.upper() == "AUTO":
            return None
        value = grammar.number_or_limit(text, UNITS[function])
        ranges = self.functions[function].ranges
        if isinstance(value, str):
            return {"MIN": ranges[0].max, "MAX": ranges[-1].max}.get(value)
        if abs(value) > ranges[-1].max * (1 + 1e-9):
            raise ScpiError(-222, text)
        return value

    def configured(self, parameters: Sequence[str]) -> str:
        """Return function and range as one quoted string."""
        if parameters:
            raise ScpiError(-108, ",".join(parameters))
        return f'"{self.function} {self.functions[self.function].range.max:+.6E}"'


def _of(function: str) -> tuple[Command, ...]:
    """Return the commands of one function."""
    word = WORDS[function]

    def limits(box: ScpiMeter) -> Limits:
        ranges = box.functions[function].ranges
        return Limits(0.0, ranges[-1].max, ranges[-1].max, 6)

    def configure(box: ScpiMeter, parameters: Sequence[str]) -> None:
        box.configure(function, parameters)

    def measure(box: ScpiMeter, parameters: Sequence[str]) -> str:
        box.configure(function, parameters)
        return box.read()

    cycles = Number("", lambda box: Limits(0.02, 100.0, 1.0, 3))
    return (
        Command(
            f"[SENSe:]{word}:RANGe[:UPPer]",
            Number(UNITS[function], limits),
            lambda box, value: box.functions[function].fix(value),
            lambda box: box.functions[function].range.max,
        ),
        Command(
            f"[SENSe:]{word}:RANGe:AUTO",
            SWITCH,
            lambda box, value: setattr(box.functions[function], "auto", value),
            lambda box: box.functions[function].auto,
        ),
        Command(
            f"[SENSe:]{word}:NPLCycles",
            cycles,
            lambda box, value: setattr(box.functions[function], "cycles", value),
            lambda box: box.functions[function].cycles,
        ),
        Command(f"CONFigure:{word}", apply=configure, free=True),
        Command(f"MEASure[:SCALar]:{word}", answer=measure, free=True),
    )


COMMANDS = (
    *_of("VOLT"),
    *_of("CURR"),
    *_of("RES"),
    *_of("FRES"),
    Command(
        "CONFigure",
        apply=lambda box, parameters: box.configure("VOLT", parameters),
        answer=ScpiMeter.configured,
        free=True,
    ),
    Command("[SENSe:]FUNCtion[:ON]", TEXT, ScpiMeter.choose, ScpiMeter.chosen),
    Command(
        "SAMPle:COUNt",
        mask(MOST_SAMPLES),
        lambda box, count: setattr(box, "samples", max(1, count)),
        lambda box: box.samples,
    ),
    Command("INITiate[:IMMediate]", apply=ScpiMeter.initiate),
    Command("ABORt", apply=ScpiMeter.abort),
    Command("FETCh", answer=ScpiMeter.fetch),
    Command("READ", answer=ScpiMeter.read),
)
