"""Electronic loads: their command templates and the one class that speaks them all.

Built by `families.load`. Loads have no settled class; the two usual trees differ in
the words for the mode and for the switch. Every setting is read back. Nothing here
knows limits of a bench.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from drivers.errors import SettingRefused
from drivers.numbers import number, register, switch
from drivers.readback import Check, Tolerance, confirm, confirm_if_there
from drivers.roles import LoadMode, LoadReading

if TYPE_CHECKING:
    from drivers.link import Link

NODES: dict[LoadMode, str] = {"CC": "CURR", "CR": "RES", "CV": "VOLT", "CP": "POW"}
MODES = {node: mode for mode, node in NODES.items()}
TRIPPED, UNREGULATED = 512 | 1024 | 4096, 2048  # bit numbers are common practice


@dataclass(frozen=True, slots=True)
class LoadWords:
    """The words in which the two usual trees differ."""

    mode: str
    switch: str


FUNCTION = LoadWords(mode="FUNC", switch="INP")
MODE = LoadWords(mode="MODE", switch="OUTP")


class ScpiLoad:
    """One load. Every setting is read back; see `roles.Load`."""

    def __init__(
        self, link: Link, words: LoadWords, *, name: str, step_a: float, step_v: float
    ) -> None:
        self.link = link
        self.name = name
        self._words = words
        self._mode_query = f"{words.mode}?"
        self._switch_query = f"{words.switch}?"
        self._tolerances = {
            "CC": Tolerance(step_a, 0.01, "A"),
            "CR": Tolerance(0.01, 0.1, "ohm"),
            "CV": Tolerance(step_v, 0.01, "V"),
            "CP": Tolerance(0.01, 0.1, "W"),
        }
        self.queries: tuple[str, ...] = (
            "MEAS:VOLT?",
            "MEAS:CURR?",
            self._switch_query,
            self._mode_query,
            "STAT:QUES:COND?",
        )

    def prepare(self, *, remote_sense: bool, range_a: float | None = None) -> None:
        """Input off, trips cleared, CC mode at 0 A on a range that holds `range_a` [A]."""
        words = self._words
        off = f"{words.switch} OFF"
        range_word = "MAX" if range_a is None else f"{range_a:.9g}"
        self.link.shout(off)
        (range_reply,) = self._confirm(
            [
                "*CLS",
                off,
                f"{words.switch}:PROT:CLE",
                "CURR 0",
                f"{words.mode} CURR",
                f"CURR:RANG {range_word}",
            ],
            [
                Check(self._switch_query, False),
                Check(self._mode_query, "CURR"),
                self._level("CC", 0.0),
            ],
            asked="input off and 0 A in CC",
            also=["CURR:RANG?"],
        )
        if range_a is not None:
            self._check_range(range_a, range_reply)
        self._set_sense(remote_sense)

    def set_level(self, level: float, mode: LoadMode = "CC") -> None:
        """Set the level [A], [ohm], [V] or [W] and, once the box has taken it, its mode."""
        node = NODES[mode]
        asked = f"{level:g} {self._tolerances[mode].unit} in {mode}"
        at_level, in_mode = self._level(mode, level), Check(self._mode_query, node)
        (now,) = self._confirm(
            [f"{node} {level:.9g}"], [at_level], asked=asked, also=[self._mode_query]
        )
        if not in_mode.holds(now):
            self._confirm([f"{self._words.mode} {node}"], [at_level, in_mode], asked=asked)

    def set_protection(self, i_a: float | None, p_w: float | None) -> tuple[str, ...]:
        """Set and read back the current [A] and power [W] trips; return what is not there."""
        trips: tuple[tuple[LoadMode, float | None, str], ...] = (
            ("CC", i_a, "over-current trip"),
            ("CP", p_w, "over-power trip"),
        )
        return tuple(label for mode, at, label in trips if not self._set_trip(mode, at, label))

    def set_input(self, on: bool) -> None:
        """Switch the input and read its state back; off is sent even if the box is mute."""
        command = f"{self._words.switch} {'ON' if on else 'OFF'}"
        if not on:
            self.link.shout(command)
        self._confirm(
            [command], [Check(self._switch_query, on)], asked=f"input {'on' if on else 'off'}"
        )

    def is_on(self) -> bool:
        """Ask the box whether its input is on."""
        reply = self.link.ask(self._switch_query)
        try:
            return switch(reply)
        except ValueError as fault:
            raise self.link.bad_reply(self._switch_query, reply, str(fault)) from fault

    def measure(self) -> LoadReading:
        """One reading, in one round trip."""
        return self.parse(self.link.batch(self.queries))

    def parse(self, replies: Sequence[str]) -> LoadReading:
        """Turn the replies to `queries` into a reading."""
        try:
            volts, amps, state, mode, status = replies
            on = switch(state)
            return LoadReading(number(volts), number(amps), self._mode(on, mode, status), on)
        except ValueError as fault:
            asked, came = "; ".join(self.queries), "; ".join(replies)
            raise self.link.bad_reply(asked, came, f"{self.name}: {fault}") from fault

    def _mode(self, on: bool, mode: str, status: str) -> str:
        bits = register(status)
        if bits & TRIPPED:
            return "TRIPPED"
        if not on:
            return "OFF"
        if bits & UNREGULATED:
            return "UNREGULATED"
        node = mode.strip().strip('"').upper()
        for short, found in MODES.items():
            if node.startswith(short):
                return found
        raise ValueError(f"{mode!r} is no mode of a load")

    def _level(self, mode: LoadMode, wanted: float, question: str = "") -> Check:
        return Check(question or f"{NODES[mode]}?", float(wanted), number, self._tolerances[mode])

    def _check_range(self, range_a: float, reply: str) -> None:
        try:
            fits = number(reply) >= range_a * (1.0 - 1e-6)
        except ValueError as fault:
            raise self.link.bad_reply("CURR:RANG?", reply, str(fault)) from fault
        if not fits:
            raise SettingRefused(
                f"asked for a range that holds {range_a:g} A",
                instrument=self.name,
                resource=self.link.resource,
                command=f"CURR:RANG {range_a:.9g}",
                reply=reply,
                todo="Draw less or use a greater load",
            )

    def _set_sense(self, remote: bool) -> None:
        commands = [f"SYST:SENS {'ON' if remote else 'OFF'}"]
        checks = [Check("SYST:SENS?", remote)]
        if remote:
            self._confirm(commands, checks, asked="remote sense")
        else:  # a box that has no such command senses at its terminals
            confirm_if_there(self.link, commands, checks, name=self.name, asked="local sense")

    def _set_trip(self, mode: LoadMode, at: float | None, label: str) -> bool:
        """Arm the trip at a level, or disarm it; False where an asked one does not exist."""
        node = f"{NODES[mode]}:PROT"
        if at is None:
            commands, checks = [f"{node}:STAT OFF"], [Check(f"{node}:STAT?", False)]
        else:
            commands = [f"{node} {at:.9g}", f"{node}:STAT ON"]
            checks = [self._level(mode, at, f"{node}?"), Check(f"{node}:STAT?", True)]
        there = confirm_if_there(self.link, commands, checks, name=self.name, asked=label)
        return there or at is None

    def _confirm(
        self,
        commands: Sequence[str],
        checks: Sequence[Check],
        *,
        asked: str,
        also: Sequence[str] = (),
    ) -> list[str]:
        return confirm(self.link, commands, checks, name=self.name, asked=asked, also=also)
