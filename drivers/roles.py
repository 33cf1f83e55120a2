"""What the runner asks of an instrument, whatever dialect it speaks.

Small protocols and the values they give. A measurement is split in two, the
queries to send and the parsing of their replies, so that all that is wanted of
one box at one moment costs one round trip (`Link.batch`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol, TypeVar

if TYPE_CHECKING:
    from drivers.link import Link

LoadMode = Literal["CC", "CR", "CV", "CP"]
T_co = TypeVar("T_co", covariant=True)


@dataclass(frozen=True, slots=True)
class SupplyReading:
    """Terminal voltage [V], output current [A] and what regulates: CV, CC, OFF, TRIPPED or ?."""

    v_v: float
    i_a: float
    mode: str
    output_on: bool


@dataclass(frozen=True, slots=True)
class LoadReading:
    """Terminal voltage [V], sunk current [A] and CC, CR, CV, CP, OFF, TRIPPED or UNREGULATED."""

    v_v: float
    i_a: float
    mode: str
    input_on: bool


class Readable(Protocol[T_co]):
    """Something that can be read: send `queries` in order, hand the replies to `parse`."""

    link: Link
    queries: tuple[str, ...]

    def parse(self, replies: Sequence[str]) -> T_co:
        """Turn one reply a query into a value; raise `BadReply` on anything that is no number."""
        ...


class Supply(Readable[SupplyReading], Protocol):
    """A programmable supply, one channel of it. Every setting is read back and compared."""

    name: str

    def prepare(self, *, remote_sense: bool) -> None:
        """Output off, 0 V, error queue emptied, sense as asked: a known, harmless state."""
        ...

    def set_level(self, v_v: float, i_limit_a: float) -> None:
        """Set voltage [V] and current limit [A]; raise `SettingRefused` if the box took others."""
        ...

    def set_protection(self, v_v: float, i_a: float | None) -> tuple[str, ...]:
        """Set and read back the trips [V], [A]; return what the box does not have, in words."""
        ...

    def set_output(self, on: bool) -> None:
        """Switch the output and read its state back."""
        ...

    def is_on(self) -> bool:
        """Ask the box whether its output is on."""
        ...

    def measure(self) -> SupplyReading:
        """One reading, in one round trip."""
        ...


class Load(Readable[LoadReading], Protocol):
    """An electronic load, one channel of it. Every setting is read back and compared."""

    name: str

    def prepare(self, *, remote_sense: bool, range_a: float | None = None) -> None:
        """Input off, CC mode at 0 A on a range that holds `range_a` [A], error queue emptied."""
        ...

    def set_level(self, level: float, mode: LoadMode = "CC") -> None:
        """Set mode and level [A], [ohm], [V] or [W]."""
        ...

    def set_protection(self, i_a: float | None, p_w: float | None) -> tuple[str, ...]:
        """Set and read back the current [A] and power [W] trips; return what is not there."""
        ...

    def set_input(self, on: bool) -> None:
        """Switch the input and read its state back."""
        ...

    def is_on(self) -> bool:
        """Ask the box whether its input is on."""
        ...

    def measure(self) -> LoadReading:
        """One reading, in one round trip."""
        ...


class Meter(Readable[float], Protocol):
    """A meter of one quantity, in volts or amperes (a shunt is already divided out)."""

    name: str

    def prepare(self, *, range_max: float) -> None:
        """Fix function and range so that `range_max` [V] or [A] fits; no autorange."""
        ...

    def measure(self) -> float:
        """One reading [V] or [A], in one round trip."""
        ...


class Thermometer(Readable[float], Protocol):
    """One temperature, in °C."""

    name: str

    def prepare(self) -> None:
        """Set unit and sensor type where the family allows it."""
        ...

    def measure(self) -> float:
        """One reading [°C], in one round trip; an open sensor raises `BadReply`."""
        ...


class Chamber(Readable[float], Protocol):
    """A chamber that makes the ambient; reads its own air temperature in °C."""

    name: str

    def prepare(self) -> None:
        """Stopped, error queue emptied."""
        ...

    def set_temp(self, temp_c: float) -> None:
        """Set the air temperature [°C] and run."""
        ...

    def stop(self) -> None:
        """Stop conditioning."""
        ...

    def measure(self) -> float:
        """Air temperature [°C]."""
        ...
