"""Meters and thermometers that a person reads out: the question, and what speaks against an answer.

Called by the steps worked by hand. Pure: what cannot be is refused with the reason, what
contradicts the other readings is doubted, so that a person may say it is so all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from runner.files.bench_file import (
    BenchFile,
    MeterByEyeSection,
    ThermometerByEyeSection,
)
from runner.hand.answers import Unclear, Unit, number
from runner.hand.resistor_bank import Choice
from runner.interlocks import Limit
from runner.steps import Reading

WHAT = {
    "ambient": "air around the module",
    "case": "case of the module",
    "capacitor": "can of the capacitor",
    "hot_spot": "hot spot",
    "iin": "input current",
    "vin": "line at the module's input",
    "iout": "output current",
    "vout": "output of the module",
}
"""Every role a person can read, in the order of asking: what moves slowly first."""
UNITS: dict[str, Unit] = {"v": "V", "i": "A"}
IN_WORDS = {"V": "volts", "A": "amperes", "°C": "°C"}
COLDEST_C, HOTTEST_C = -60.0, 400.0
BEYOND_RANGE = 1.02
"""A meter shows a little more than its range (common practice, no source)."""
NEAR_SET = 0.25
"""How far an output may be from what the module is set to without a doubt."""
LOSSLESS = 1.03
"""Power out over power in that instruments of 1 % each may pretend, beside `FLOOR_W`."""
FLOOR_W = 0.3
COLDER_K = 3.0
AGREES = {"vin": (0.05, 0.3), "iin": (0.1, 0.05), "iout": (0.15, 0.05), "vout": (0.1, 0.2)}
"""How far two readings of one thing may differ: share of it, and V or A."""


@dataclass(frozen=True, slots=True)
class Eye:
    """One role that a person reads."""

    role: str
    name: str
    section: MeterByEyeSection | ThermometerByEyeSection

    @property
    def unit(self) -> Unit:
        """The unit of its role."""
        return "°C" if isinstance(self.section, ThermometerByEyeSection) else UNITS[self.role[0]]

    @property
    def quantity(self) -> str:
        """The field of a reading it fills."""
        return f"{self.role}{ {'V': '_v', 'A': '_a', '°C': '_temp_c'}[self.unit] }"

    @property
    def shunt_ohm(self) -> float | None:
        """The shunt over which a current is read as a voltage [ohm]."""
        return None if isinstance(self.section, ThermometerByEyeSection) else self.section.shunt_ohm

    @property
    def question(self) -> str:
        """What the person is asked."""
        known_by = f" ({self.section.about})" if self.section.about else ""
        if self.shunt_ohm is not None:
            return f"reading of {self.name}{known_by}: volts over its shunt, {WHAT[self.role]}:"
        return f"reading of {self.name}{known_by}: {WHAT[self.role]} in {IN_WORDS[self.unit]}:"

    def understand(self, raw: str) -> float:
        """The answer in the role's unit [V], [A] or [°C]. Raises Unclear for what cannot be."""
        if isinstance(self.section, ThermometerByEyeSection):
            temp_c = number(raw, "°C")
            if not COLDEST_C <= temp_c <= HOTTEST_C:
                raise Unclear(f"{temp_c:g} °C is no temperature of this bench")
            return temp_c
        unit: Unit = "V" if self.shunt_ohm is not None else self.unit
        value = number(raw, unit)
        full = self.section.range_v if unit == "V" else self.section.range_a
        if full is not None and abs(value) > BEYOND_RANGE * full:
            raise Unclear(f"{value:g} {unit} is beyond the {full:g} {unit} range of {self.name}")
        if full is not None and value < -0.02 * full:
            raise Unclear(f"{value:g} {unit} is negative: are the leads of {self.name} swapped?")
        return value if self.shunt_ohm is None else value / self.shunt_ohm


def eyes_of(bench: BenchFile) -> tuple[Eye, ...]:
    """The roles that a person reads, in the order of asking."""
    found = []
    for role in WHAT:
        name = getattr(bench.roles, role)
        section = bench.instruments[name] if name is not None else None
        if isinstance(section, MeterByEyeSection | ThermometerByEyeSection):
            found.append(Eye(role, name, section))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class Scene:
    """What is known while a person reads: the boxes' own readings, the limits, the resistor.

    `answers` are those already given for this point, by role; `connected` is None where
    the load is an electronic one.
    """

    reading: Reading
    limits: tuple[Limit, ...]
    connected: Choice | None
    vout_set_v: float
    answers: Mapping[str, float]

    def against(self, eye: Eye, value: float) -> str:
        """What speaks against an answer; empty where nothing does."""
        return next(self._reasons(eye, value), "")

    def _reasons(self, eye: Eye, value: float) -> Iterator[str]:
        for limit in self.limits:
            if limit.quantity == eye.quantity and value > limit.most:
                yield (
                    f"{value:g} {eye.unit} is above the limit of {limit.most:g} {eye.unit} "
                    f"({limit.source}) and would end the run"
                )
        if eye.unit == "°C":
            yield from self._too_cold(eye, value)
            return
        if eye.role == "vout":
            yield from self._too_much_power(value)
            if self.reading.supply_mode != "OFF":
                yield from self._far_from_set(value)
        other = self._other(eye)
        if other is not None:
            share, least = AGREES[eye.role]
            if abs(value - other) > share * abs(other) + least:
                yield (
                    f"{value:.4g} {eye.unit} does not agree with the {other:.4g} {eye.unit} "
                    "that follow from the other readings"
                )

    def _other(self, eye: Eye) -> float | None:
        """The same quantity as something else knows it."""
        if self.connected is not None and eye.role in ("vout", "iout"):
            return self.connected.iout_a if eye.role == "iout" else None
        found: float | None = getattr(self.reading, eye.quantity)
        return found

    def _too_much_power(self, vout_v: float) -> Iterator[str]:
        """Against the power that the supply gives, and against what the resistor may carry."""
        choice, pin_w = self.connected, self.reading.vin_v * self.reading.iin_a
        if choice is None or choice.resistor is None:
            return
        least_w = vout_v**2 / (choice.ohm + choice.ohm_limit)
        if least_w > LOSSLESS * pin_w + FLOOR_W:
            yield (
                f"{vout_v:g} V over {choice.called} are {least_w:.3g} W, more than the "
                f"{pin_w:.3g} W that the supply gives"
            )
        if choice.power_at(vout_v) > choice.resistor.limit_w:
            yield (
                f"{vout_v:g} V are {choice.power_at(vout_v):.3g} W in {choice.called}, which may "
                f"carry {choice.resistor.limit_w:g} W"
            )

    def _far_from_set(self, vout_v: float) -> Iterator[str]:
        if abs(vout_v - self.vout_set_v) > NEAR_SET * self.vout_set_v:
            yield f"{vout_v:g} V is far from the {self.vout_set_v:g} V the module is set to"

    def _too_cold(self, eye: Eye, temp_c: float) -> Iterator[str]:
        air_c = self.answers.get("ambient", self.reading.ambient_temp_c)
        if eye.role != "ambient" and air_c is not None and temp_c < air_c - COLDER_K:
            yield f"{temp_c:g} °C is colder than the air, {air_c:g} °C"
