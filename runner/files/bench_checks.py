"""The checks within one bench file that no single key can fail.

Called by `bench_file.load_bench_file` once every key has the right type. Pure; what
needs the module as well is checked in `ratings`.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from itertools import combinations, pairwise
from typing import TYPE_CHECKING

from runner.files.mistakes import Mistake, dotted

if TYPE_CHECKING:
    from runner.files.bench_file import (
        AnyInstrument,
        BenchFile,
        Lead,
        MeterKeys,
        ResistorBankSection,
    )

FAMILIES = {
    "supply": (
        "scpi-supply",
        "scpi-supply-instrument",
        "scpi-supply-list",
        "scpi-supply-suffix",
        "line-supply",
    ),
    "load": ("scpi-load-function", "scpi-load-mode", "resistor-bank"),
    "chamber": ("scpi-chamber",),
    **dict.fromkeys(("vin", "iin", "vout", "iout"), ("scpi-meter", "meter-by-eye")),
    **dict.fromkeys(
        ("case", "ambient", "hot_spot", "capacitor"), ("scpi-thermometer", "thermometer-by-eye")
    ),
}
"""The command families that fit a role."""
CHANNEL_FAMILIES = ("scpi-supply-instrument", "scpi-supply-list", "scpi-supply-suffix")


def bench_mistakes(bench: BenchFile) -> Iterator[Mistake]:
    """Everything that contradicts itself within one bench file."""
    yield from _role_mistakes(bench)
    yield from _shared_resource_mistakes(bench)
    for name, section in bench.instruments.items():
        for key, found, allowed in _section_mistakes(section):
            at = dotted(["instruments", name])
            yield Mistake(f"{at}.{key}", found, allowed, f"correct {key}")
    for role, name in bench.roles.filled().items():
        meter = bench.instruments.get(name)
        if meter is not None and (meter.family == "scpi-meter" or meter.family == "meter-by-eye"):
            yield from _meter_mistakes(role, name, meter)
    yield from _by_hand_mistakes(bench)


def _role_mistakes(bench: BenchFile) -> Iterator[Mistake]:
    seen: dict[str, str] = {}
    for role, name in bench.roles.filled().items():
        at = f"roles.{role}"
        section = bench.instruments.get(name)
        if section is None:
            near = difflib.get_close_matches(name, bench.instruments, n=1)
            advice = (
                f"did you mean {near[0]!r}?" if near else f"add [{dotted(['instruments', name])}]"
            )
            known = ", ".join(bench.instruments) or "none yet"
            yield Mistake(at, repr(name), f"the name of an instrument section ({known})", advice)
        elif section.family not in FAMILIES[role]:
            families = ", ".join(FAMILIES[role])
            found = f"{name!r}, whose family is {section.family!r}"
            yield Mistake(at, found, f"an instrument of family {families}", "name another section")
        elif name in seen:
            yield Mistake(
                at,
                f"{name!r}, already in roles.{seen[name]}",
                "one role for one section",
                "write a second section; two on one resource need a channel each",
            )
        seen.setdefault(name, role)


def _shared_resource_mistakes(bench: BenchFile) -> Iterator[Mistake]:
    """Two sections on one resource are two channels of one box, spoken to in one way."""
    for (first, one), (second, other) in combinations(bench.boxes.items(), 2):
        if _same_place(one.resource) != _same_place(other.resource):
            continue
        for key in ("resource", "family", "timeout_s", "baud", "batch", "gap_s", "identity"):
            mine, theirs = getattr(other, key), getattr(one, key)
            differ = mine != theirs and not (key == "identity" and None in (mine, theirs))
            if differ:
                yield Mistake(
                    dotted(["instruments", second, key]),
                    repr(mine),
                    f"{theirs!r} as in {dotted(['instruments', first])}, on the same resource",
                    "write the same in both, or correct the resource",
                )
        if one.channel == other.channel:
            yield Mistake(
                dotted(["instruments", second, "channel"]),
                repr(other.channel),
                f"another than in {dotted(['instruments', first])}, on the same resource",
                "give each section its own channel, or correct the resource",
            )


def _same_place(resource: str) -> str:
    """VISA reads names without regard to case, and a missing board number as 0."""
    kind, _, rest = resource.upper().partition("::")
    return f"{kind if kind[-1:].isdigit() or '/' in kind else kind + '0'}::{rest}"


def _section_mistakes(section: AnyInstrument) -> Iterator[tuple[str, str, str]]:
    """Key, what was found and what is allowed, for what contradicts itself in a section."""
    if section.family == "resistor-bank":
        yield from _resistor_mistakes(section)
        return
    if section.family == "thermometer-by-eye":
        return
    if section.family == "meter-by-eye":
        yield from _tables_mistakes(section)
        return
    if section.baud is not None and not section.resource.upper().startswith("ASRL"):
        yield "baud", f"{section.baud} on {section.resource!r}", "only with an ASRL resource"
    if section.family in CHANNEL_FAMILIES and section.channel is None:
        yield "channel", "no such key", f"1 or more: {section.family} addresses a channel"
    if section.family == "scpi-supply" and section.channel is not None:
        yield (
            "channel",
            repr(section.channel),
            f"none, or a family of {', '.join(CHANNEL_FAMILIES)}",
        )
    if section.family == "scpi-chamber" and section.least_temp_c >= section.rated_temp_c:
        yield (
            "least_temp_c",
            repr(section.least_temp_c),
            f"below rated_temp_c {section.rated_temp_c}",
        )
    if section.family != "scpi-chamber" and section.family != "scpi-thermometer":
        yield from _tables_mistakes(section)


def _tables_mistakes(section: Lead | MeterKeys) -> Iterator[tuple[str, str, str]]:
    volts = [(row.range_v, row.offset_v) for row in section.voltage_accuracy]
    amps = [(row.range_a, row.offset_a) for row in section.current_accuracy]
    yield from _table_mistakes("voltage_accuracy", volts, "v")
    yield from _table_mistakes("current_accuracy", amps, "a")


def _resistor_mistakes(bank: ResistorBankSection) -> Iterator[tuple[str, str, str]]:
    for k, resistor in enumerate(bank.resistors):
        at, most_w, most_s = f"resistors[{k}]", resistor.greatest_w, resistor.greatest_w_for_s
        if (most_w is None) != (most_s is None):
            given = "greatest_w" if most_s is None else "greatest_w_for_s"
            yield (
                f"{at}.{given}",
                "only one of the two",
                "greatest_w with greatest_w_for_s, or none",
            )
        if most_w is not None and most_w <= resistor.rated_w:
            yield f"{at}.greatest_w", repr(most_w), f"above rated_w {resistor.rated_w:g}"
        if resistor.tolerance_pct == 0.0:
            yield f"{at}.tolerance_pct", "0", "above 0: no resistor is exact"


def _by_hand_mistakes(bench: BenchFile) -> Iterator[Mistake]:
    """A resistor shows nothing by itself, and a chamber is not waited for by asking a person."""
    ambient = bench.instruments.get(bench.roles.ambient or "")
    if bench.roles.chamber and ambient is not None and ambient.family == "thermometer-by-eye":
        yield Mistake(
            "roles.ambient",
            f"{bench.roles.ambient!r}, read by eye",
            "a thermometer that the program reads: it waits for the chamber's air",
            "name one of family scpi-thermometer, or leave the chamber out",
        )
    load = bench.instruments.get(bench.roles.load)
    if load is not None and load.family == "resistor-bank" and bench.roles.vout is None:
        yield Mistake(
            "roles.vout",
            "no such key",
            "a meter: a resistor's current follows from the module's output voltage",
            "name one of family scpi-meter or meter-by-eye",
        )


def _table_mistakes(
    key: str, rows: list[tuple[float, float]], unit: str
) -> Iterator[tuple[str, str, str]]:
    for index, ((before, _), (this, _)) in enumerate(pairwise(rows), start=1):
        if this <= before:
            yield (
                f"{key}[{index}].range_{unit}",
                repr(this),
                f"above {before}, ranges in rising order",
            )
    for index, (full, offset) in enumerate(rows):
        if offset > 0.2 * full:
            allowed = f"at most a fifth of range_{unit}, which is {full} (is it in milli?)"
            yield f"{key}[{index}].offset_{unit}", repr(offset), allowed


def _meter_mistakes(role: str, name: str, meter: MeterKeys) -> Iterator[Mistake]:
    """A meter's keys against its role: volts, amperes, or amperes over a shunt."""
    reads_volts = role in ("vin", "vout") or meter.shunt_ohm is not None
    needed, unfit = ("range_v", "range_a") if reads_volts else ("range_a", "range_v")
    at = ["instruments", name]
    if role in ("vin", "vout") and meter.shunt_ohm is not None:
        yield Mistake(
            dotted([*at, "shunt_ohm"]),
            repr(meter.shunt_ohm),
            f"none in the role {role}",
            "remove it",
        )
    reading = (
        "amperes over a shunt" if role in ("iin", "iout") and reads_volts else needed[-1].upper()
    )
    if getattr(meter, needed) is None:
        allowed = f"its fixed range: it reads {reading} in the role {role}"
        yield Mistake(dotted([*at, needed]), "no such key", allowed, f"add {needed} = ...")
    if getattr(meter, unfit) is not None:
        found = repr(getattr(meter, unfit))
        allowed = f"none: it reads {reading} in the role {role}"
        advice = "remove it, or add shunt_ohm" if unfit == "range_v" else "remove it"
        yield Mistake(dotted([*at, unfit]), found, allowed, advice)
