"""Electronic loads: settings, ranges, trips and readbacks, and the two SCPI styles of them.

`sim.build` makes them; they drive `world.load`. CC, CR, CV and CP each keep their level;
the current's ranges are those of the bench file's accuracy.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from sim.instruments import comm_watchdog
from sim.instruments.accuracy import (
    Programmed,
    Range,
    decimals_of,
    resolution_of,
    smallest_holding,
    stated,
)
from sim.instruments.comm_watchdog import CommWatchdog
from sim.instruments.commands import SWITCH, Command, Limits, Number, word
from sim.instruments.hookup import Hookup
from sim.instruments.scpi import ScpiBox
from sim.instruments.spec import BoxSpec
from sim.instruments.status import ScpiError
from sim.wiring import OperatingPoint

ABOVE_RATING = 1.1
TRIP = 1.05  # of the rating: voltage, current and power trips that cannot be disarmed
LEAST_OHM, MOST_OHM = 0.05, 10_000.0
UNREGULATED = 2048
TRIP_BIT = {"OVP": 512, "OCP": 1024, "OPP": 4096}
FUNCTIONS = {"CURR": "CC", "RES": "CR", "VOLT": "CV", "POW": "CP"}


class ScpiLoad(ScpiBox):
    """A load of one input."""

    def __init__(self, spec: BoxSpec, hookup: Hookup, random: Random) -> None:
        self.spec = spec
        accuracies = stated(spec.current_accuracy, spec.rated_a)
        self._ranges = [Range(accuracy, random) for accuracy in accuracies]
        for one in self._ranges:
            one.spoil(spec.offset_a, spec.scale_a)
        self._programmed = [Programmed(accuracy, random) for accuracy in accuracies]
        self._volts = Range(stated(spec.voltage_accuracy, spec.rated_v)[-1], random)
        self.decimals_v = decimals_of(resolution_of(spec.rated_v))
        super().__init__(spec.identity, hookup)
        self.comm = CommWatchdog(hookup, self.fail)
        hookup.watches.append(self.watch)
        self.reset()

    def commands(self) -> Sequence[Command]:
        """Return the dialect of the family."""
        if self.spec.family == "scpi-load-mode":
            return (*COMMANDS, *comm_watchdog.COMMANDS, *switching("MODE", "OUTPut"))
        return (*COMMANDS, *comm_watchdog.COMMANDS, *switching("FUNCtion", "INPut"))

    def reset(self) -> None:
        """Input off, CC at 0 A on the greatest range, trips disarmed and cleared."""
        if self.comm is not None:
            self.comm.reset()
        self.function = "CURR"
        self.range = len(self._ranges) - 1
        self.levels = {
            "CURR": 0.0,
            "RES": MOST_OHM,
            "VOLT": self.spec.rated_v,
            "POW": 0.0,
        }
        self.ocp_a, self.ocp_armed = self.current_trip_limits().most, False
        self.opp_w, self.opp_armed = self.power_trip_limits().most, False
        self.remote_sense = False
        self.tripped = ""
        self.on = False
        self._drive()

    def current_limits(self) -> Limits:
        """Return what the current may be set to on the present range [A]."""
        return Limits(0.0, self._ranges[self.range].max, 0.0, self._programmed[self.range].decimals)

    def range_limits(self) -> Limits:
        """Return what may be asked of the range [A]."""
        most = self._ranges[-1].max
        return Limits(0.0, most, most, self._programmed[-1].decimals)

    def resistance_limits(self) -> Limits:
        """Return what the resistance may be set to [ohm]."""
        return Limits(LEAST_OHM, MOST_OHM, MOST_OHM, 3)

    def voltage_limits(self) -> Limits:
        """Return what the voltage may be set to [V]."""
        return Limits(0.0, self.spec.rated_v, self.spec.rated_v, self.decimals_v)

    def power_limits(self) -> Limits:
        """Return what the power may be set to [W]."""
        return Limits(0.0, self.spec.rated_w, 0.0, 3)

    def current_trip_limits(self) -> Limits:
        """Return what the current trip may be set to [A]."""
        most = self.spec.rated_a * ABOVE_RATING
        return Limits(0.0, most, most, self._programmed[-1].decimals)

    def power_trip_limits(self) -> Limits:
        """Return what the power trip may be set to [W]."""
        most = self.spec.rated_w * ABOVE_RATING
        return Limits(0.0, most, most, 3)

    def set_function(self, function: str) -> None:
        """Choose what is held: current, resistance, voltage or power."""
        self.function = function
        self._drive()

    def set_level(self, function: str, level: float) -> None:
        """Set the level of one function; it acts when that function is the chosen one."""
        self.levels[function] = level
        self._drive()

    def set_range(self, i_a: float) -> None:
        """Choose the smallest range that holds `i_a` [A]; a greater level is clipped to it."""
        self.range = self._ranges.index(smallest_holding(self._ranges, i_a))
        self.levels["CURR"] = min(self.levels["CURR"], self._ranges[self.range].max)
        self._drive()

    def range_a(self) -> float:
        """Return the greatest current of the present range [A]."""
        return self._ranges[self.range].max

    def set_input(self, on: bool) -> None:
        """Switch the input; raise -221 while a trip is latched."""
        if on and self.tripped:
            raise ScpiError(-221, f"{self.tripped} is latched")
        self.on = on
        self._drive()

    def set_remote_sense(self, on: bool) -> None:
        """Measure and regulate at the sense leads; raise -241 where there are none."""
        if on and not self.spec.remote_sense:
            raise ScpiError(-241, "remote sense")
        self.remote_sense = on
        self._drive()

    def clear_trip(self) -> None:
        """Forget the trip; the input stays off."""
        self.tripped = ""

    def watch(self, point: OperatingPoint) -> bool:
        """Trip when the operating point says so; tell whether anything changed."""
        if not self.on:
            return False
        power_w = point.v_load_v * point.iout_a
        if point.v_load_v > TRIP * self.spec.rated_v:
            return self._trip("OVP")
        limit_a = self.ocp_a if self.ocp_armed else TRIP * self.spec.rated_a
        if point.iout_a > limit_a:
            return self._trip("OCP")
        if power_w > TRIP * self.spec.rated_w or (self.opp_armed and power_w > self.opp_w):
            return self._trip("OPP")
        return False

    def stick(self) -> list[Callable[[], None]]:
        """Freeze both readbacks at what they show now; return what ends that."""
        point = self.hookup.look()
        v_v = point.vout_v if self.senses_at_module else point.v_load_v
        return [self._volts.stick(v_v), *(one.stick(point.iout_a) for one in self._ranges)]

    def fail(self) -> None:
        """Drop out without a cause outside: the input goes off and nothing is latched."""
        self.set_input(False)

    def _trip(self, kind: str) -> bool:
        self.tripped = kind
        self.on = False
        self._drive()
        self.questionable.update(self.condition())
        return True

    def _drive(self) -> None:
        level = self.levels[self.function]
        if self.function == "CURR":
            level = self._programmed[self.range].true(level)
        self.hookup.change(
            self.hookup.world.load,
            mode=FUNCTIONS[self.function],
            level=level,
            on=self.on,
            least_v=self.spec.least_v,
            remote_sense=self.senses_at_module,
        )

    @property
    def senses_at_module(self) -> bool:
        """Whether sense wires are in use; open ones leave it with its own terminals."""
        return self.remote_sense and not self.spec.sense_missing

    def condition(self) -> int:
        """Return the questionable condition: what tripped, or that the level is not held."""
        if self.tripped:
            return TRIP_BIT[self.tripped]
        return UNREGULATED * (self.on and not self.hookup.look().load_regulated)

    def measured_voltage(self) -> str:
        """Return the voltage readback, at the sense leads when they are in use."""
        point = self.hookup.look()
        return self._volts.text(point.vout_v if self.senses_at_module else point.v_load_v)

    def measured_current(self) -> str:
        """Return the current readback of the present range."""
        return self._ranges[self.range].text(self.hookup.look().iout_a)

    def measured_power(self) -> str:
        """Return the product of one reading of each."""
        return f"{float(self.measured_voltage()) * float(self.measured_current()):.3f}"


def level(header: str, function: str, number: Number) -> Command:
    """Return the command that sets the level of one function."""
    return Command(
        f"[SOURce:]{header}[:LEVel][:IMMediate][:AMPLitude]",
        number,
        lambda box, value: box.set_level(function, value),
        lambda box: box.levels[function],
    )


def trip(header: str, number: Number, name: str, armed: str) -> tuple[Command, Command]:
    """Return the commands that set and arm one trip."""
    return (
        Command(
            f"[SOURce:]{header}:PROTection[:LEVel]",
            number,
            lambda box, value: setattr(box, name, value),
            lambda box: getattr(box, name),
        ),
        Command(
            f"[SOURce:]{header}:PROTection:STATe",
            SWITCH,
            lambda box, value: setattr(box, armed, value),
            lambda box: getattr(box, armed),
        ),
    )


def switching(choose: str, switch: str) -> tuple[Command, ...]:
    """Return the commands in which the two styles differ."""
    return (
        Command(
            f"[SOURce:]{choose}",
            word("CURRent", "RESistance", "VOLTage", "POWer"),
            ScpiLoad.set_function,
            lambda box: box.function,
        ),
        Command(f"{switch}[:STATe]", SWITCH, ScpiLoad.set_input, lambda box: box.on),
        Command(f"{switch}:PROTection:CLEar", apply=ScpiLoad.clear_trip),
    )


_MEASURED = {
    "VOLTage[:DC]": ScpiLoad.measured_voltage,
    "CURRent[:DC]": ScpiLoad.measured_current,
    "POWer[:DC]": ScpiLoad.measured_power,
}

COMMANDS = (
    level("CURRent", "CURR", Number("A", ScpiLoad.current_limits)),
    level("RESistance", "RES", Number("OHM", ScpiLoad.resistance_limits)),
    level("VOLTage", "VOLT", Number("V", ScpiLoad.voltage_limits)),
    level("POWer", "POW", Number("W", ScpiLoad.power_limits)),
    Command(
        "[SOURce:]CURRent:RANGe",
        Number("A", ScpiLoad.range_limits),
        ScpiLoad.set_range,
        ScpiLoad.range_a,
    ),
    *trip("CURRent", Number("A", ScpiLoad.current_trip_limits), "ocp_a", "ocp_armed"),
    *trip("POWer", Number("W", ScpiLoad.power_trip_limits), "opp_w", "opp_armed"),
    Command(
        "SYSTem:SENSe[:STATe]", SWITCH, ScpiLoad.set_remote_sense, lambda box: box.remote_sense
    ),
    *(
        Command(f"{verb}[:SCALar]:{what}", answer=answer)
        for verb in ("MEASure", "FETCh")
        for what, answer in _MEASURED.items()
    ),
)
