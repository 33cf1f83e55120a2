"""A person made of a script: connects resistors in the simulated world and reads it by eye.

Answers what the questions ask for, from the true values of the world, rounded as a display
would be; a test makes them late, absent-minded or silent by `instead`.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field

from sim.build import SimBench
from tests.runner.live import Live

CONNECT = re.compile(r"(?<!dis)connect ([0-9.]+) ohm")
Instead = Callable[[str], str | None]
LEAST_OHM = 1e-3
NEVER = r"(?!)"


@dataclass
class ScriptedPerson:
    """Works the bench of `live`. `instead(question)` gives another answer than the true one.

    `takes_s` [s] on the bench's clock pass before an answer; `silent_on` names a word in the
    questions that are never answered, `dawdles_on` in one that is answered `dawdles_s` later;
    `off_by` is how far each resistor is from its nominal.
    """

    live: Live
    takes_s: float = 4.0
    decimals: int = 2
    off_by: float = 0.0
    silent_on: str = NEVER
    instead: Instead = lambda question: None
    dawdles_on: str = NEVER
    dawdles_s: float = 0.0
    asked: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    connected_ohm: list[float | None] = field(default_factory=list)
    _due_s: float | None = None

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.asked.append(text)
        silent = re.search(self.silent_on, text) is not None
        self._due_s = None if silent else self._bench.clock.now_s() + self.takes_s
        if self._due_s is not None and re.search(self.dawdles_on, text):
            self._due_s, self.dawdles_on = self._due_s + self.dawdles_s, NEVER

    def line(self) -> str | None:
        if self._due_s is None or self._bench.clock.now_s() < self._due_s:
            return None
        self._due_s = None
        question = self.asked[-1]
        other = self.instead(question)
        return self._do(question) if other is None else other

    @property
    def _bench(self) -> SimBench:
        assert self.live.bench is not None
        return self.live.bench

    def _do(self, question: str) -> str:
        now = self._bench.world.now()
        if "output of the module" in question:
            return f"{now.vout_v:.{self.decimals}f}"
        if "hot spot" in question:
            return f"{now.hot_spot_temp_c:.1f} °C"
        if "input current" in question:
            return f"{1e3 * now.iin_a:.0f} mA"
        if "output current" in question:
            return f"{now.iout_a:.3f} A"
        found = CONNECT.findall(question)
        self.connect(float(found[-1]) if found else None)
        return ""

    def connect(self, ohm: float | None) -> None:
        """Put a resistor across the module's output, or take it off."""
        world = self._bench.world
        world.touch()
        world.load.mode, world.load.on = "CR", ohm is not None
        world.load.level = LEAST_OHM if ohm is None else ohm * (1.0 + self.off_by)
        self.connected_ohm.append(ohm)
