"""Supplies: their command templates and the one class that speaks them all.

Built by `families.supply`. The templates are data: `{n}` is the channel, `{:.9g}`
the level; an empty one means that the box has no such command. Every setting is
read back. Nothing here knows limits of a bench.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.numbers import labelled, measured, number, register, switch
from drivers.readback import Check, Tolerance, confirm, confirm_if_there, each, on_channel
from drivers.roles import SupplyReading

if TYPE_CHECKING:
    from drivers.link import Link


def _scpi_setting(_question: str, reply: str) -> float:
    return number(reply)


def _scpi_measured(reply: str, _unit: str) -> float:
    return number(reply)


def _scpi_mode(reply: str) -> str:
    """Bits of the questionable status (SCPI-1999 volume 1, 9): 0 voltage, 1 current at fault."""
    bits = register(reply)
    if bits & (512 | 1024 | 4096):  # trips; the bit numbers are common practice
        return "TRIPPED"
    return {1: "CC", 2: "CV"}.get(bits & 3, "?")


def _terse_setting(question: str, reply: str) -> float:
    return labelled(reply, question.removesuffix("?"))


def _terse_mode(reply: str) -> str:
    word = reply.strip().upper()
    if word in ("OVP", "OCP"):
        return "TRIPPED"
    return word if word in ("CV", "CC", "OFF") else "?"


@dataclass(frozen=True, slots=True)
class SupplyWords:
    """What one family of supplies is told and asked, and how its answers are read."""

    clear: str = "*CLS"
    set_voltage: str = "VOLT {:.9g}"
    voltage: str = "VOLT?"
    set_current: str = "CURR {:.9g}"
    current: str = "CURR?"
    output_on: str = "OUTP ON"
    output_off: str = "OUTP OFF"
    output: str = "OUTP?"
    clear_trip: str = "OUTP:PROT:CLE"
    set_ovp: str = "VOLT:PROT {:.9g}"
    ovp: str = "VOLT:PROT?"
    set_ocp: str = "CURR:PROT {:.9g}"
    ocp: str = "CURR:PROT?"
    arm_ocp: str = "CURR:PROT:STAT ON"
    disarm_ocp: str = "CURR:PROT:STAT OFF"
    ocp_armed: str = "CURR:PROT:STAT?"
    sense_on: str = "SYST:SENS ON"
    sense_off: str = "SYST:SENS OFF"
    sense: str = "SYST:SENS?"
    measure_v: str = "MEAS:VOLT?"
    measure_a: str = "MEAS:CURR?"
    status: str = "STAT:QUES:COND?"
    read_setting: Callable[[str, str], float] = _scpi_setting
    read_measured: Callable[[str, str], float] = _scpi_measured
    read_mode: Callable[[str], str] = _scpi_mode


def _selected(text: str) -> str:
    """Choose the channel in the same message, every time: another client may have moved it."""
    return text if text.startswith("*") else f"INST:NSEL {{n}};:{text}"


def _listed(text: str) -> str:
    """Append the channel list, the last parameter."""
    if text.startswith("*"):
        return text
    return f"{text},(@{{n}})" if " " in text else f"{text} (@{{n}})"


def _suffixed(text: str) -> str:
    """Put the channel number behind the node that owns it."""
    if text == "STAT:QUES:COND?":
        return "STAT:QUES:INST:ISUM{n}:COND?"
    for node in ("OUTP", "MEAS", "SYST:SENS"):
        if text.startswith(node):
            return f"{node}{{n}}{text.removeprefix(node)}"
    return text if text.startswith("*") else f"SOUR{{n}}:{text}"


SINGLE = SupplyWords()
SELECTED = each(SINGLE, _selected)
LISTED = each(SINGLE, _listed)
SUFFIXED = each(SINGLE, _suffixed)
TERSE = SupplyWords(
    clear="",
    set_voltage="V{n} {:.3f}",
    voltage="V{n}?",
    set_current="I{n} {:.4f}",
    current="I{n}?",
    output_on="OP{n} 1",
    output_off="OP{n} 0",
    output="OP{n}?",
    clear_trip="TRIPRST",
    set_ovp="OVP{n} {:.3f}",
    ovp="OVP{n}?",
    set_ocp="OCP{n} {:.4f}",
    ocp="OCP{n}?",
    arm_ocp="",
    disarm_ocp="",
    ocp_armed="",
    sense_on="",
    sense_off="",
    sense="",
    measure_v="V{n}O?",
    measure_a="I{n}O?",
    status="MODE{n}?",
    read_setting=_terse_setting,
    read_measured=measured,
    read_mode=_terse_mode,
)


class ScpiSupply:
    """One channel of a supply. Every setting is read back; see `roles.Supply`."""

    def __init__(
        self,
        link: Link,
        words: SupplyWords,
        *,
        name: str,
        channel: int | None,
        step_v: float,
        step_a: float,
    ) -> None:
        self.link = link
        self.name = name
        self._words = words = on_channel(words, channel or 1)
        self._where = "" if channel is None else f" on channel {channel}"
        self._volts = Tolerance(step_v, 0.01, "V")
        self._amps = Tolerance(step_a, 0.01, "A")
        self.queries: tuple[str, ...] = (
            words.measure_v,
            words.measure_a,
            words.output,
            words.status,
        )

    def prepare(self, *, remote_sense: bool) -> None:
        """Output off, trips cleared, 0 V, error queue emptied, sense as asked."""
        words = self._words
        off = Check(words.output, False)
        zero = self._level(words.voltage, 0.0, self._volts)
        self.link.shout(words.output_off)
        self._confirm(
            [words.clear, words.output_off, words.clear_trip, words.set_voltage.format(0.0)],
            [off, zero],
            asked="output off and 0 V",
        )
        self._set_sense(remote_sense)

    def set_level(self, v_v: float, i_limit_a: float) -> None:
        """Set voltage [V] and current limit [A]; raise `SettingRefused` if the box took others."""
        words = self._words
        self._confirm(
            [words.set_voltage.format(v_v), words.set_current.format(i_limit_a)],
            [
                self._level(words.voltage, v_v, self._volts),
                self._level(words.current, i_limit_a, self._amps),
            ],
            asked=f"{v_v:g} V and at most {i_limit_a:g} A",
        )

    def set_protection(self, v_v: float, i_a: float | None) -> tuple[str, ...]:
        """Set and read back the trips [V], [A]; return what the box does not have, in words."""
        words = self._words
        missing = []
        over_v = self._level(words.ovp, v_v, self._volts)
        if not self._confirm_if_there(
            [words.set_ovp.format(v_v)], [over_v], f"an over-voltage trip at {v_v:g} V"
        ):
            missing.append("over-voltage trip")
        if i_a is None:
            self._disarm()
        elif not self._set_over_current(i_a):
            missing.append("over-current trip")
        return tuple(missing)

    def set_output(self, on: bool) -> None:
        """Switch the output and read its state back; off is sent even if the box is mute."""
        words = self._words
        if not on:
            self.link.shout(words.output_off)
        self._confirm(
            [words.output_on if on else words.output_off],
            [Check(words.output, on)],
            asked=f"output {'on' if on else 'off'}",
        )

    def is_on(self) -> bool:
        """Ask the box whether its output is on."""
        reply = self.link.ask(self._words.output)
        try:
            return switch(reply)
        except ValueError as fault:
            raise self.link.bad_reply(self._words.output, reply, str(fault)) from fault

    def measure(self) -> SupplyReading:
        """One reading, in one round trip."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> SupplyReading:
        """Turn the replies to `queries` into a reading."""
        words = self._words
        try:
            volts, amps, output, status = replies
            on = switch(output)
            mode = words.read_mode(status)
            return SupplyReading(
                words.read_measured(volts, "V"),
                words.read_measured(amps, "A"),
                mode if on or mode == "TRIPPED" else "OFF",
                on,
            )
        except ValueError as fault:
            raise self._unreadable(replies, fault) from fault

    def _unreadable(self, replies: Sequence[str], fault: ValueError) -> Exception:
        asked, came = "; ".join(self.queries), "; ".join(replies)
        return self.link.bad_reply(asked, came, f"{self.name}{self._where}: {fault}")

    def _level(self, question: str, wanted: float, tolerance: Tolerance) -> Check:
        read = self._words.read_setting
        return Check(question, float(wanted), lambda reply: read(question, reply), tolerance)

    def _set_sense(self, remote: bool) -> None:
        """Choose the sense; a box without the command is wired for it, or is not."""
        words = self._words
        if not words.sense:
            return
        commands = [words.sense_on if remote else words.sense_off]
        checks = [Check(words.sense, remote)]
        if remote:
            self._confirm(commands, checks, asked="remote sense")
        else:
            self._confirm_if_there(commands, checks, "local sense")

    def _set_over_current(self, i_a: float) -> bool:
        words = self._words
        checks = [self._level(words.ocp, i_a, self._amps)]
        if words.ocp_armed:
            checks.append(Check(words.ocp_armed, True))
        return self._confirm_if_there(
            [words.set_ocp.format(i_a), words.arm_ocp], checks, f"an over-current trip at {i_a:g} A"
        )

    def _disarm(self) -> None:
        words = self._words
        if words.disarm_ocp:
            self._confirm_if_there(
                [words.disarm_ocp], [Check(words.ocp_armed, False)], "no over-current trip"
            )

    def _confirm(self, commands: Sequence[str], checks: Sequence[Check], *, asked: str) -> None:
        confirm(self.link, commands, checks, name=self.name, asked=asked + self._where)

    def _confirm_if_there(
        self, commands: Sequence[str], checks: Sequence[Check], asked: str
    ) -> bool:
        return confirm_if_there(
            self.link, commands, checks, name=self.name, asked=asked + self._where
        )
