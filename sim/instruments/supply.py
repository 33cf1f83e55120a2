"""Supplies: one channel's settings, trips and readbacks, and the SCPI dialects of four styles.

`sim.build` makes them. A channel drives `world.supply` when it is wired, open terminals
when not. The line protocol in `line_supply` uses the same channel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from random import Random

from sim.instruments import comm_watchdog
from sim.instruments.accuracy import Programmed, Range, stated
from sim.instruments.comm_watchdog import CommWatchdog
from sim.instruments.commands import SWITCH, Command, Limits, Number, Style, mask
from sim.instruments.hookup import Hookup
from sim.instruments.scpi import ScpiBox
from sim.instruments.spec import BoxSpec
from sim.instruments.status import Register, ScpiError
from sim.wiring import OperatingPoint

ABOVE_RATING = 1.1  # trips may be set this far above the rating
POWER_TRIP = 1.05  # of the rated power
UNREGULATED = {"CC": 1, "CV": 2}  # SCPI-1999 20.2: bit 0 voltage, bit 1 current not regulated
TRIP_BIT = {"OVP": 512, "OCP": 1024, "OPP": 4096}
STYLES: dict[str, Style] = {
    "scpi-supply": "single",
    "scpi-supply-instrument": "select",
    "scpi-supply-list": "list",
    "scpi-supply-suffix": "suffix",
}


class SupplyChannel:
    """One output: what is set, what tripped, and what it reads back."""

    def __init__(self, spec: BoxSpec, hookup: Hookup, random: Random) -> None:
        self.spec = spec
        self.hookup = hookup
        self.questionable = Register()
        volts = stated(spec.voltage_accuracy, spec.rated_v)[-1]
        amps = stated(spec.current_accuracy, spec.rated_a)[-1]
        self._volts, self._amps = Range(volts, random), Range(amps, random)
        self._amps.spoil(spec.offset_a, spec.scale_a)
        self._programmed_v = Programmed(volts, random)
        self._programmed_a = Programmed(amps, random)
        hookup.watches.append(self.watch)
        self.reset()

    def reset(self) -> None:
        """Output off, 0 V, rated current, trips at their greatest and cleared."""
        self.v_set_v = 0.0
        self.i_set_a = self.spec.rated_a
        self.ovp_v = self.voltage_trip_limits().most
        self.ocp_a = self.current_trip_limits().most
        self.ocp_armed = False
        self.ocp_delay_s = 0.05
        self.remote_sense = False
        self.tripped = ""
        self._over_since_s: float | None = None
        self._mode = "OFF"
        self.on = False
        self._drive()

    def voltage_limits(self) -> Limits:
        """Return what the voltage may be set to [V]."""
        return Limits(0.0, self.spec.rated_v, 0.0, self._programmed_v.decimals)

    def current_limits(self) -> Limits:
        """Return what the current limit may be set to [A]."""
        return Limits(0.0, self.spec.rated_a, self.spec.rated_a, self._programmed_a.decimals)

    def voltage_trip_limits(self) -> Limits:
        """Return what the over-voltage trip may be set to [V]."""
        most = round(self.spec.rated_v * ABOVE_RATING, self._programmed_v.decimals)
        return Limits(0.1, most, most, self._programmed_v.decimals)

    def current_trip_limits(self) -> Limits:
        """Return what the over-current trip may be set to [A]."""
        most = round(self.spec.rated_a * ABOVE_RATING, self._programmed_a.decimals)
        return Limits(0.0, most, most, self._programmed_a.decimals)

    def set_voltage(self, v_v: float) -> None:
        """Set the output voltage [V]."""
        self.v_set_v = v_v
        self._drive()

    def set_current(self, i_a: float) -> None:
        """Set the current limit [A]."""
        self.i_set_a = i_a
        self._drive()

    def set_voltage_trip(self, v_v: float) -> None:
        """Set the over-voltage trip [V]; below the present output it acts at once."""
        self.ovp_v = v_v
        self.watch(self.hookup.look())

    def set_current_trip(self, i_a: float) -> None:
        """Set the over-current trip [A]."""
        self.ocp_a = i_a

    def arm_current_trip(self, armed: bool) -> None:
        """Switch the over-current trip on or off."""
        self.ocp_armed = armed

    def set_delay(self, s: float) -> None:
        """Set how long the current must be over before the trip acts [s]."""
        self.ocp_delay_s = s

    def set_remote_sense(self, on: bool) -> None:
        """Regulate at the sense leads; raise -241 where there are none."""
        if on and not self.spec.remote_sense:
            raise ScpiError(-241, "remote sense")
        self.remote_sense = on
        self._drive()

    def set_output(self, on: bool) -> None:
        """Switch the output; raise -221 while a trip is latched."""
        if on and self.tripped:
            raise ScpiError(-221, f"{self.tripped} is latched")
        self.on = on
        self._drive()

    def clear_trip(self) -> None:
        """Forget the trip; the output stays off."""
        self.tripped = ""

    def watch(self, point: OperatingPoint) -> bool:
        """Trip when the operating point says so; tell whether anything changed."""
        if point.supply_mode != self._mode:
            self._mode = point.supply_mode
            self.questionable.update(self._condition(point))
        if not self.on:
            return False
        over = point.iin_a >= self.ocp_a * (1.0 - 1e-6) if self.ocp_armed else False
        if point.v_supply_v > self.ovp_v:
            return self._trip("OVP")
        if self.spec.rated_w and point.v_supply_v * point.iin_a > POWER_TRIP * self.spec.rated_w:
            return self._trip("OPP")
        if not over:
            self._over_since_s = None
            return False
        now_s = self.hookup.clock.now_s()
        if self._over_since_s is None:
            self._over_since_s = now_s
        return now_s - self._over_since_s >= self.ocp_delay_s and self._trip("OCP")

    def stick(self) -> list[Callable[[], None]]:
        """Freeze both readbacks at what they show now; return what ends that."""
        point = self.hookup.look()
        v_v = point.v_supply_sense_v if self.senses_at_module else point.v_supply_v
        return [self._volts.stick(v_v), self._amps.stick(point.iin_a)]

    def fail(self) -> None:
        """Trip without a cause outside: its own protection acts."""
        self._trip("OCP")

    def _trip(self, kind: str) -> bool:
        self.tripped = kind
        self.on = False
        self._over_since_s = None
        self._drive()
        self.questionable.update(TRIP_BIT[kind])
        return True

    def _drive(self) -> None:
        self.hookup.change(
            self.hookup.world.supply,
            v_set_v=self._programmed_v.true(self.v_set_v),
            i_limit_a=self._programmed_a.true(self.i_set_a),
            on=self.on,
            remote_sense=self.senses_at_module,
            output_resistance_ohm=self.spec.output_resistance_ohm,
        )

    @property
    def senses_at_module(self) -> bool:
        """Whether sense wires are in use; open ones leave it with its own terminals."""
        return self.remote_sense and not self.spec.sense_missing

    def condition(self) -> int:
        """Return the questionable condition: what does not regulate, what tripped."""
        return self._condition(self.hookup.look())

    def _condition(self, point: OperatingPoint) -> int:
        if self.tripped:
            return TRIP_BIT[self.tripped]
        return UNREGULATED.get(point.supply_mode, 0) if self.on else 0

    def mode(self) -> str:
        """Return CV, CC, OFF, or the trip that holds the output off."""
        point = self.hookup.look()  # first: a trip may act in it
        return self.tripped or (point.supply_mode if self.on else "OFF")

    def measured_voltage(self) -> str:
        """Return the voltage readback, at the sense leads when they are in use."""
        point = self.hookup.look()
        at_module = self.senses_at_module
        return self._volts.text(point.v_supply_sense_v if at_module else point.v_supply_v)

    def measured_current(self) -> str:
        """Return the current readback."""
        return self._amps.text(self.hookup.look().iin_a)

    def measured_power(self) -> str:
        """Return the product of one reading of each."""
        return f"{float(self.measured_voltage()) * float(self.measured_current()):.3f}"


class ScpiSupply(ScpiBox):
    """A supply of one or more channels; `style` says how a message names one."""

    def __init__(
        self, family: str, identity: str, hookup: Hookup, channels: Sequence[SupplyChannel]
    ) -> None:
        self.style = STYLES[family]
        super().__init__(identity, hookup, channels)
        self.comm = CommWatchdog(hookup, self._all_off)

    def commands(self) -> Sequence[Command]:
        """Return the supply's dialect, with the commands that choose a channel."""
        several = INSTRUMENT if self.style == "select" else ()
        own = (*COMMANDS, *comm_watchdog.COMMANDS)
        return own if self.style == "single" else (*own, *SUMMARY, *several)

    def _all_off(self) -> None:
        for channel in self.channels:
            channel.set_output(False)

    def reset(self) -> None:
        """Reset every channel and select the first."""
        self.selected = 1
        if self.comm is not None:
            self.comm.reset()
        for channel in self.channels:
            channel.reset()


def _channel_of(box: ScpiBox, parameters: list[str]) -> None:
    """Select by name, `INST CH2`."""
    if len(parameters) != 1:
        raise ScpiError(-108 if parameters else -109, "INST")
    digits = parameters[0].upper().removeprefix("CH")
    if not digits.isascii() or not digits.isdigit() or len(digits) > 3:
        raise ScpiError(-224, parameters[0])
    box.select(int(digits))


_VOLTAGE = "[SOURce#:]VOLTage"
_CURRENT = "[SOURce#:]CURRent"
_MEASURED = {
    "VOLTage[:DC]": SupplyChannel.measured_voltage,
    "CURRent[:DC]": SupplyChannel.measured_current,
    "POWer[:DC]": SupplyChannel.measured_power,
}

COMMANDS = (
    Command(
        f"{_VOLTAGE}[:LEVel][:IMMediate][:AMPLitude]",
        Number("V", SupplyChannel.voltage_limits),
        SupplyChannel.set_voltage,
        lambda channel: channel.v_set_v,
    ),
    Command(
        f"{_CURRENT}[:LEVel][:IMMediate][:AMPLitude]",
        Number("A", SupplyChannel.current_limits),
        SupplyChannel.set_current,
        lambda channel: channel.i_set_a,
    ),
    Command(
        f"{_VOLTAGE}:PROTection[:LEVel]",
        Number("V", SupplyChannel.voltage_trip_limits),
        SupplyChannel.set_voltage_trip,
        lambda channel: channel.ovp_v,
    ),
    Command(f"{_VOLTAGE}:PROTection:TRIPped", answer=lambda channel: int(channel.tripped == "OVP")),
    Command(
        f"{_CURRENT}:PROTection[:LEVel]",
        Number("A", SupplyChannel.current_trip_limits),
        SupplyChannel.set_current_trip,
        lambda channel: channel.ocp_a,
    ),
    Command(
        f"{_CURRENT}:PROTection:STATe",
        SWITCH,
        SupplyChannel.arm_current_trip,
        lambda channel: channel.ocp_armed,
    ),
    Command(f"{_CURRENT}:PROTection:TRIPped", answer=lambda channel: int(channel.tripped == "OCP")),
    Command("OUTPut#[:STATe]", SWITCH, SupplyChannel.set_output, lambda channel: channel.on),
    Command("OUTPut#:PROTection:CLEar", apply=SupplyChannel.clear_trip),
    Command(
        "OUTPut#:PROTection:DELay",
        Number("S", lambda channel: Limits(0.0, 10.0, 0.05, 3)),
        SupplyChannel.set_delay,
        lambda channel: channel.ocp_delay_s,
    ),
    Command(
        "SYSTem:SENSe#[:STATe]",
        SWITCH,
        SupplyChannel.set_remote_sense,
        lambda channel: channel.remote_sense,
    ),
    *(
        Command(f"{verb}#[:SCALar]:{what}", answer=answer)
        for verb in ("MEASure", "FETCh")
        for what, answer in _MEASURED.items()
    ),
)

SUMMARY = (
    Command(
        "STATus:QUEStionable:INSTrument:ISUMmary#:CONDition",
        answer=lambda channel: channel.questionable.update(channel.condition()),
        numbered=True,
    ),
)

INSTRUMENT = (
    Command(
        "INSTrument:NSELect",
        mask(999),
        lambda box, number: box.select(number),
        lambda box: box.selected,
        on_box=True,
    ),
    Command(
        "INSTrument[:SELect]",
        apply=_channel_of,
        answer=lambda box, parameters: f"CH{box.selected}",
        free=True,
        on_box=True,
    ),
)
