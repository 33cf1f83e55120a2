"""Benches with known truth for the tests of inference: one 3.3 ohm resistor, 9.02 V, 78 %."""

from __future__ import annotations

import math
from collections.abc import Mapping

from runner.analysis.sparse_bench import Bank, Reading, Situation, SparseBench, Stated

ROOT_3 = math.sqrt(3.0)


def limits(value: float, limit: float) -> Stated:
    return Stated(value, limit / ROOT_3)


TRUE = {"vin_v": 24.0, "vout_v": 9.02, "efficiency": 0.78}
BANK = Bank(limits(3.3, 0.05 * 3.3), 25.0, limits(0.0, 200e-6), limits(0.05, 0.025))


def true_readings(ohm: float = 3.3, lead_ohm: float = 0.05) -> dict[str, float]:
    """What ideal instruments would show; the resistor as its marking says."""
    iout_a = TRUE["vout_v"] / (ohm + lead_ohm)
    iin_a = TRUE["vout_v"] * iout_a / (TRUE["efficiency"] * TRUE["vin_v"])
    return {
        "supply_v": TRUE["vin_v"] + 0.04 * iin_a,
        "supply_a": iin_a,
        "vin_v": TRUE["vin_v"],
        "iin_a": iin_a,
        "vout_v": TRUE["vout_v"],
        "vload_v": iout_a * ohm,
        "iout_a": iout_a,
    }


INSTRUMENTS = {
    "supply_v": ("supply volts", 0.005, 0.02),
    "supply_a": ("supply amperes", 0.005, 0.01),
    "vin_v": ("voltmeter, 200 V", 0.005, 0.2),
    "vout_v": ("voltmeter, 20 V", 0.005, 0.02),
    "vload_v": ("voltmeter, 20 V", 0.005, 0.02),
    "iin_a": ("ammeter", 0.01, 0.02),
    "iout_a": ("ammeter", 0.01, 0.02),
}


def reading_of(role: str, value: float) -> Reading:
    instrument, gain, offset = INSTRUMENTS[role]
    return Reading(value, gain * value / ROOT_3, offset / ROOT_3, 0.003, instrument)


def bench(*roles: str, changed: Mapping[str, float] | None = None, **more: Stated) -> SparseBench:
    """One 3.3 ohm resistor at 145 °C, these roles read, some values changed."""
    values = true_readings() | dict(changed or {})
    readings = {role: reading_of(role, values[role]) for role in roles}
    situation = Situation("3.3 ohm", readings, "one", body_temp_c=limits(145.0, 10.0), **more)
    return SparseBench((situation,), {"one": BANK}, limits(0.04, 0.02))
