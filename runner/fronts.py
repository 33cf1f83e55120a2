"""From a `[protection]` of a module file to the part that a prediction reckons with.

Called by `ampworth protect`. Keys that a file or an option leaves out are the simulator's, so that
a prediction and a rehearsal are of one and the same part. Nothing here reads a run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from runner.analysis.protection_cost import Part, Place
from runner.analysis.protection_parts import (
    CHANNEL_GROWTH_PER_K,
    FUSE_HOT_SHARE,
    GATE_V,
    METAL_GROWTH_PER_K,
    Clamp,
    SeriesDiode,
    SeriesResistance,
    clamp_faults,
    diode_through,
    fuse_carries_a,
    settles_reversed,
)
from runner.errors import BadInput
from runner.files.module_file import FuseAndClamp, PChannel, Schottky
from runner.files.toml_file import Section, validate
from runner.report.protection import Front
from runner.seam import full_protection

KINDS: dict[str, type[Section]] = {
    "schottky": Schottky,
    "p-channel": PChannel,
    "fuse-and-clamp": FuseAndClamp,
}
TOLERANCES = {"schottky": 0.10, "p-channel": 0.30, "fuse-and-clamp": 0.20}
"""How far a part's drop may be from a typical one, as a share (common practice, no source)."""
CUSTOMARY_MOST_C = 125.0
"""Where a diode with the line reversed counts as running away [°C] (common practice, no source:
junctions are rated for 125 to 175 °C)."""


def section(kind: str, keys: Mapping[str, Any], told: str) -> Section:
    """The `[protection]` of a kind with some keys; `told` is where they come from."""
    return validate({"kind": kind, **keys}, KINDS[kind], file=told, where="protection")


def through(keys: Mapping[str, Any], drop_v: float, at_a: float) -> dict[str, Any]:
    """The keys of a Schottky diode that drops `drop_v` [V] at `at_a` [A], as a data sheet says.

    Raises BadInput where its series resistance alone takes more.
    """
    full = full_protection(section("schottky", keys, "--set"), Path("--set")).diode
    try:
        saturation_a = diode_through(drop_v, at_a, full.emission, full.series_ohm)
    except ValueError as error:
        raise BadInput(
            f"--drop-v {drop_v:g} --drop-at-a {at_a:g}: {error}, nothing is left for the junction; "
            "give a lower one with --set diode.series_ohm=0.01"
        ) from error
    return {**keys, "diode": {**keys.get("diode", {}), "saturation_a": saturation_a}}


def front(
    protection: Section,
    path: Path,
    module: Mapping[str, Any],
    place: Place,
    tolerance: float | None = None,
) -> Front:
    """The part of a `[protection]` in front of a module, and what is to be said of it there."""
    full = full_protection(protection, path)
    part, told, remarks = _WAYS[full.kind](full, module, place)
    within = TOLERANCES[full.kind] if tolerance is None else tolerance
    has_fuse = full.kind == "fuse-and-clamp"
    carries_a = fuse_carries_a(full.fuse_a, place.ambient_temp_c) if has_fuse else math.inf
    told = f"{told}, drop ± {100.0 * within:.0f} %"
    return Front(full.kind, part, within, told, tuple(remarks), carries_a)


Full = Any
"""A protection with every key, as the seam gives it: of a room that only the seam may know."""
Described = tuple[Part, str, list[str]]


def _schottky(full: Full, module: Mapping[str, Any], place: Place) -> Described:
    given = full.diode
    diode = SeriesDiode(given.saturation_a, given.emission, given.series_ohm, given.leakage_a)
    told = (
        f"saturation {given.saturation_a:.3g} A, emission {given.emission:g}, "
        f"{given.series_ohm:g} ohm"
    )
    return diode, told, [_reversed(diode, float(module["line_max_v"]), place)]


def _reversed(diode: SeriesDiode, reverse_v: float, place: Place) -> str:
    """What happens to it with the line the wrong way round, in words."""
    cold_ma = 1e3 * diode.leakage_a
    begins = f"with {reverse_v:g} V the wrong way round it leaks {cold_ma:.3g} mA cold"
    if not place.k_per_w:
        return (
            f"{begins}, and some 300 times as much at 100 °C: a hot diode may run away "
            "(--k-per-w tells whether this one does)"
        )
    air_c = place.ambient_temp_c
    settled_c = settles_reversed(diode, reverse_v, air_c, place.k_per_w, CUSTOMARY_MOST_C)
    if settled_c is None:
        return (
            f"{begins} and RUNS AWAY at {air_c:g} °C: its leakage heats it past "
            f"{CUSTOMARY_MOST_C:g} °C; cool it, or take one that leaks less"
        )
    return f"{begins} and settles at {settled_c:.1f} °C in {air_c:g} °C"


def _p_channel(full: Full, module: Mapping[str, Any], place: Place) -> Described:
    part = SeriesResistance(full.p_channel_ohm, CHANNEL_GROWTH_PER_K)
    remarks = []
    if module["line_max_v"] > GATE_V:
        remarks.append(
            f"the line goes up to {module['line_max_v']:g} V and a gate bears some {GATE_V:g} V: "
            "it needs a Zener diode and a resistor at its gate"
        )
    told = (
        f"{full.p_channel_ohm:g} ohm at 25 °C, {100.0 * CHANNEL_GROWTH_PER_K:.1f} % more a kelvin"
    )
    return part, told, remarks


def _fuse(full: Full, module: Mapping[str, Any], place: Place) -> Described:
    part = SeriesResistance(full.fuse_ohm, METAL_GROWTH_PER_K, FUSE_HOT_SHARE, full.fuse_a)
    clamp = Clamp(full.clamp_v, full.clamp_ohm)
    abs_max_v = float(module["limits"]["line_abs_max_v"])
    remarks = [
        f"its fuse carries {fuse_carries_a(full.fuse_a, place.ambient_temp_c):.3g} A for ever in "
        f"{place.ambient_temp_c:g} °C (75 % of its rating, 0.3 %/K less above 25 °C)",
        *clamp_faults(clamp, float(module["line_max_v"]), abs_max_v),
    ]
    if clamp.bears_a(abs_max_v):
        remarks.append(
            f"the clamp keeps the module below its {abs_max_v:g} V up to "
            f"{clamp.bears_a(abs_max_v):.3g} A; reversed, it has to carry what blows the fuse"
        )
    told = f"fuse {full.fuse_ohm:g} ohm cold, {full.fuse_a:g} A; clamp from {full.clamp_v:g} V on"
    return part, told, remarks


_WAYS: dict[str, Callable[[Full, Mapping[str, Any], Place], Described]]
_WAYS = {"schottky": _schottky, "p-channel": _p_channel, "fuse-and-clamp": _fuse}
