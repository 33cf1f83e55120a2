"""Boxes made of plain Python, for tests of what the runner does with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

from drivers.roles import LoadReading, SupplyReading

START = datetime(2026, 6, 21, 4, 0, tzinfo=UTC)


class StepClock:
    """Simulated time: sleeping moves it, nothing waits."""

    def __init__(self) -> None:
        self.t_s = 0.0

    def now_s(self) -> float:
        return self.t_s

    def utc(self) -> datetime:
        return START + timedelta(seconds=self.t_s)

    def sleep(self, s: float) -> None:
        self.t_s += max(0.0, s)


@dataclass
class Script:
    """What was commanded, in order, and which commands fail and how often."""

    commands: list[str] = field(default_factory=list)
    fails: dict[str, list[Exception]] = field(default_factory=dict)

    def note(self, command: str) -> None:
        self.commands.append(command)
        left = self.fails.get(command)
        if left:
            raise left.pop(0)


class FakeLink:
    """A link that can be reopened."""

    def __init__(self, script: Script, name: str) -> None:
        self._script, self._name = script, name

    def reopen(self) -> None:
        self._script.note(f"{self._name} reopen")


class FakeSupply:
    """A supply that remembers; `v_v` and `i_a` are what it reads."""

    queries: tuple[str, ...] = ()

    def __init__(self, script: Script) -> None:
        self.name, self.script = "supply", script
        self.link: Any = FakeLink(script, "supply")
        self.on, self.set_v, self.stuck_v = True, 24.0, 0.0

    def prepare(self, *, remote_sense: bool) -> None:
        self.script.note("supply prepare")

    def set_level(self, v_v: float, i_limit_a: float) -> None:
        self.script.note(f"supply {v_v:g} V {i_limit_a:g} A")
        self.set_v = v_v

    def set_protection(self, v_v: float, i_a: float | None) -> tuple[str, ...]:
        self.script.note("supply protection")
        return ()

    def set_output(self, on: bool) -> None:
        self.script.note(f"supply {'on' if on else 'off'}")
        self.on = on

    def is_on(self) -> bool:
        return self.on

    def measure(self) -> SupplyReading:
        self.script.note("supply measure")
        v_v = self.set_v if self.on else self.stuck_v
        return SupplyReading(v_v, 0.5 if self.on else 0.0, "CV" if self.on else "OFF", self.on)

    def parse(self, replies: Sequence[str]) -> SupplyReading:
        return self.measure()


class FakeLoad:
    """A load that remembers."""

    queries: tuple[str, ...] = ()

    def __init__(self, script: Script, supply: FakeSupply) -> None:
        self.name, self.script, self.supply = "load", script, supply
        self.link: Any = FakeLink(script, "load")
        self.on, self.level_a = True, 1.0

    def prepare(self, *, remote_sense: bool, range_a: float | None = None) -> None:
        self.script.note("load prepare")

    def set_level(self, level: float, mode: str = "CC") -> None:
        self.script.note(f"load {level:.3g} A")
        self.level_a = level

    def set_protection(self, i_a: float | None, p_w: float | None) -> tuple[str, ...]:
        self.script.note("load protection")
        return ()

    def set_input(self, on: bool) -> None:
        self.script.note(f"load {'on' if on else 'off'}")
        self.on = on

    def is_on(self) -> bool:
        return self.on

    def measure(self) -> LoadReading:
        self.script.note("load measure")
        alive = self.supply.on
        return LoadReading(
            9.0 if alive else 0.0,
            self.level_a if alive and self.on else 0.0,
            "CC" if self.on else "OFF",
            self.on,
        )

    def parse(self, replies: Sequence[str]) -> LoadReading:
        return self.measure()


class FakeChamber:
    """A chamber that can be stopped."""

    queries: tuple[str, ...] = ()

    def __init__(self, script: Script) -> None:
        self.name, self.script = "chamber", script
        self.link: Any = FakeLink(script, "chamber")

    def prepare(self) -> None:
        self.script.note("chamber prepare")

    def set_temp(self, temp_c: float) -> None:
        self.script.note(f"chamber {temp_c:g} C")

    def stop(self) -> None:
        self.script.note("chamber stop")

    def measure(self) -> float:
        return 25.0

    def parse(self, replies: Sequence[str]) -> float:
        return self.measure()


def boxes() -> tuple[Script, FakeSupply, FakeLoad]:
    """A supply and a load that share one script of commands."""
    script = Script()
    supply = FakeSupply(script)
    return script, supply, FakeLoad(script, supply)
