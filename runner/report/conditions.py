"""What differs between two runs besides what was measured: module, bench, air, sequence.

Plain texts for the terminal, the CSV's reader and `--json`. Reads the run records only.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from runner.report.comparison import Compared, ComparedRun
from runner.report.same_box import serial_of, told_apart

ABSENT = "-"
AMBIENT_K = 1.0
"""Mean temperatures that differ by less are one."""


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing that differs, or that the readings share or do not, in words."""

    name: str
    a: str
    b: str


def differing(compared: Compared) -> list[Condition]:
    """Everything that the two run records tell otherwise."""
    found = [
        *_module(compared.a, compared.b),
        *_ambient(compared),
        *_hot_spots(compared),
        *_sequence(compared.a, compared.b),
        *_bench(compared.a, compared.b),
        *_course(compared.a, compared.b),
    ]
    return [one for one in found if one.a != one.b]


def shared_errors(compared: Compared) -> list[tuple[str, str]]:
    """For each quantity whether the errors of its box cancel, in words."""
    apart = told_apart(compared.a.record, compared.b.record)
    return [
        (quantity, f"errors do not cancel: {why}" if why else "one box, its errors cancel")
        for quantity, why in apart.items()
    ]


def _module(a: ComparedRun, b: ComparedRun) -> Iterator[Condition]:
    one, other = a.record.module, b.record.module
    told = ("name", "unit", "marking", "lot", "airflow", "mounting")
    for name in (*told, "iout_rated_a", "vout_tolerance_pct"):
        yield Condition(f"module {name}", _text(one.get(name)), _text(other.get(name)))
    yield Condition("protection", _table(one.get("protection")), _table(other.get("protection")))
    yield Condition("module limits", _table(one.get("limits")), _table(other.get("limits")))
    yield from _tables("simulated module", one.get("twin"), other.get("twin"))


def _ambient(compared: Compared) -> Iterator[Condition]:
    """The mean air of the fast and of the soaked points that were compared."""
    for kind in ("fast", "soaked"):
        pairs = [one for one in compared.matched if one.kind == kind]
        airs_a = [one.ambient_a_c for one in pairs if one.ambient_a_c is not None]
        airs_b = [one.ambient_b_c for one in pairs if one.ambient_b_c is not None]
        if not airs_a or not airs_b:
            if airs_a or airs_b:
                yield Condition(f"ambient, {kind}", _air(airs_a), _air(airs_b))
        elif abs(sum(airs_a) / len(airs_a) - sum(airs_b) / len(airs_b)) >= AMBIENT_K:
            yield Condition(f"ambient, {kind}", _air(airs_a), _air(airs_b))


def _hot_spots(compared: Compared) -> Iterator[Condition]:
    """The mean hot spot of the fast points: they are taken before the module heats through."""
    pairs = [one.hot_spots_c for one in compared.matched if one.kind == "fast"]
    both = [(a, b) for a, b in pairs if a is not None and b is not None]
    if not both:
        return
    a_c, b_c = (sum(side) / len(both) for side in zip(*both, strict=True))
    if abs(a_c - b_c) >= AMBIENT_K:
        yield Condition("hot spot, fast (warmer loses more)", f"{a_c:.1f} °C", f"{b_c:.1f} °C")


def _air(airs_c: list[float]) -> str:
    return f"{sum(airs_c) / len(airs_c):.1f} °C" if airs_c else "not measured"


def _sequence(a: ComparedRun, b: ComparedRun) -> Iterator[Condition]:
    one, other = a.record.run, b.record.run
    yield Condition("sequence", _text(one.get("sequence")), _text(other.get("sequence")))
    if one.get("sequence") == other.get("sequence"):
        shas = [(run.get("inputs_sha256") or {}).get("sequence", "")[:12] for run in (one, other)]
        yield Condition("sequence file (SHA-256)", *shas)
    yield from _tables("setting", one.get("parameters"), other.get("parameters"))


def _bench(a: ComparedRun, b: ComparedRun) -> Iterator[Condition]:
    one, other = a.record.bench, b.record.bench
    yield Condition("bench", _text(one.get("name")), _text(other.get("name")))
    roles = dict.fromkeys([*(one.get("roles") or {}), *(other.get("roles") or {})])
    for role in roles:
        yield Condition(f"{role} box", _box(a, role), _box(b, role))
    for role in ("supply", "load"):
        yield from _tables(f"{role} leads", _leads(a, role), _leads(b, role))
    yield from _tables("source of", a.record.run.get("sources"), b.record.run.get("sources"))
    yield from _tables("simulated bench", one.get("simulation"), other.get("simulation"))


def _course(a: ComparedRun, b: ComparedRun) -> Iterator[Condition]:
    yield Condition("tared", _tared(a), _tared(b))
    yield Condition("points left out, spoilt", str(a.spoilt), str(b.spoilt))
    yield Condition("ending", _ending(a), _ending(b))
    yield from _tables("version of", a.record.run.get("versions"), b.record.run.get("versions"))


def _box(run: ComparedRun, role: str) -> str:
    name = (run.record.bench.get("roles") or {}).get(role)
    if not name:
        return ABSENT
    identity = run.record.run.get("identities", {}).get(name, name)
    serial = serial_of(run.record, name)
    return f"{identity} (serial {serial})" if serial and serial not in identity else str(identity)


def _leads(run: ComparedRun, role: str) -> dict[str, Any]:
    name = (run.record.bench.get("roles") or {}).get(role)
    section = run.record.bench.get("instruments", {}).get(name, {})
    names = ("remote_sense", "lead_resistance_ohm", "lead_resistance_u_ohm")
    return {key: section[key] for key in names if section.get(key) is not None}


def _tared(run: ComparedRun) -> str:
    return ", ".join(sorted(run.record.tares.zeros)) or "no"


def _ending(run: ComparedRun) -> str:
    end = run.record.end
    return f"{end['ending']}: {end['message']}" if end else "cut off"


def _tables(
    what: str, one: Mapping[str, Any] | None, other: Mapping[str, Any] | None
) -> Iterator[Condition]:
    """Each key of two tables, whichever has it, nested ones with dots."""
    flat_a, flat_b = dict(_flat(one or {})), dict(_flat(other or {}))
    for key in dict.fromkeys([*flat_a, *flat_b]):
        yield Condition(f"{what} {key}", flat_a.get(key, ABSENT), flat_b.get(key, ABSENT))


def _flat(table: Mapping[str, Any], before: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, Mapping):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", _text(value)


def _table(table: Mapping[str, Any] | None) -> str:
    given = {key: text for key, text in _flat(table or {}) if text != ABSENT}
    return ", ".join(f"{key} {text}" for key, text in given.items()) or ABSENT


def _text(value: Any) -> str:
    if value is None or value == "":
        return ABSENT
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, (list, tuple)):
        return ",".join(_text(one) for one in value) or ABSENT
    return str(value)
