"""The output of the module: set point, dropout, and what happens at the current limit.

Pure functions: given the input voltage, the load and where the output stands, where it
comes to rest. The shapes of limits (constant current, foldback, hiccup) are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import inf

from sim.follow import follow
from sim.load_line import Drawn, LoadSetting, drawn
from sim.losses import (
    ceiling_ohm,
    ceiling_v,
    limited_a,
    passes_line,
    through_ohm,
    through_v,
)
from sim.module import Twin


@dataclass(frozen=True, slots=True)
class Output:
    """The module's output terminals at rest, and which of its states that is."""

    vout_v: float
    iout_a: float
    load_regulated: bool
    state: str


def limit_a(twin: Twin, vin_v: float, vout_v: float) -> float:
    """The most the module gives at this input and output voltage [A]."""
    limit = twin.limit
    if limit.kind == "none":
        return inf
    most_a = limit.current_a
    if limit.kind == "foldback":
        share = min(max(vout_v / twin.vout_true_v, 0.0), 1.0)
        most_a = limit.short_circuit_a + share * (limit.current_a - limit.short_circuit_a)
    return limited_a(twin, vin_v, vout_v, most_a)


def output(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float, from_v: float
) -> Output:
    """Where the output rests that stands at `from_v` [V] when the input is `vin_v` [V].

    In dropout the drops are `growth` times those at the reference temperature.
    """
    top = _unlimited(twin, load, lead_ohm, vin_v, growth)
    below = through(twin, load, lead_ohm, vin_v)
    if below is not None and below.vout_v >= top.vout_v:
        return below
    if top.iout_a <= limit_a(twin, vin_v, top.vout_v) and (
        from_v >= 0.98 * top.vout_v or _always_climbs(twin, load)
    ):
        return top

    def excess_a(vout_v: float) -> float:
        return min(limit_a(twin, vin_v, vout_v), 1e6) - drawn(load, vout_v, 0.0, lead_ohm).i_a

    least_v = 0.0 if below is None else max(below.vout_v, 0.0)
    vout_v = follow(excess_a, max(from_v, least_v), least_v, top.vout_v)
    if vout_v == top.vout_v and top.iout_a <= limit_a(twin, vin_v, vout_v):
        return top
    if below is not None and vout_v == least_v:
        return below
    taken = drawn(load, vout_v, 0.0, lead_ohm)
    state = {"hiccup": "hiccup", "latch-off": "latched"}.get(twin.limit.kind, "current-limit")
    return Output(vout_v, min(taken.i_a, limit_a(twin, vin_v, vout_v)), taken.regulated, state)


def through(twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float) -> Output | None:
    """The output with nothing switching: what the line puts there, None where it cannot."""
    if not passes_line(twin):
        return None
    line_v, line_ohm = partial(through_v, twin, vin_v), partial(through_ohm, twin)
    vout_v, taken = _sloping(line_v, line_ohm, load, lead_ohm, 0.0)
    return Output(vout_v, taken.i_a, taken.regulated, "line-through")


def _always_climbs(twin: Twin, load: LoadSetting) -> bool:
    """True where a limit that holds at the top holds everywhere below it."""
    return twin.limit.kind != "foldback" and load.mode != "CP"


def _unlimited(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float
) -> Output:
    """The output as if there were no current limit: regulating, or as high as it can."""
    vout_v, taken = _regulated(twin, load, lead_ohm, vin_v)
    if vout_v <= ceiling_v(twin, vin_v, taken.i_a, growth):
        return Output(vout_v, taken.i_a, taken.regulated, "regulating")
    vout_v, taken = _dropped_out(twin, load, lead_ohm, vin_v, growth, taken.i_a)
    return Output(vout_v, taken.i_a, taken.regulated, "dropout")


def _regulated(twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float) -> tuple[float, Drawn]:
    """On its own slope; below the least load of a module that has one, on a steeper one."""
    set_v, own_ohm = twin.set_point_v(vin_v), twin.output_resistance_ohm
    rise_v, below_a = twin.unloaded.rise_pct / 100.0 * set_v, twin.unloaded.below_a
    if rise_v > 0.0:
        steep_ohm = own_ohm + rise_v / below_a
        taken = drawn(load, set_v + rise_v, steep_ohm, lead_ohm)
        if taken.i_a < below_a:
            return set_v + rise_v - steep_ohm * taken.i_a, taken
    taken = drawn(load, set_v, own_ohm, lead_ohm)
    return set_v - own_ohm * taken.i_a, taken


def _dropped_out(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float, i_a: float
) -> tuple[float, Drawn]:
    """At its ceiling the module is a source with resistance, nearly a straight one."""

    def top_v(iout_a: float) -> float:
        return ceiling_v(twin, vin_v, iout_a, growth)

    def top_ohm(iout_a: float) -> float:
        return growth * ceiling_ohm(twin, vin_v, iout_a)

    i_a = min(i_a, limit_a(twin, vin_v, twin.vout_true_v), vin_v / 1e-3)
    return _sloping(top_v, top_ohm, load, lead_ohm, i_a)


def _sloping(
    source_v: Callable[[float], float],
    source_ohm: Callable[[float], float],
    load: LoadSetting,
    lead_ohm: float,
    i_a: float,
) -> tuple[float, Drawn]:
    """Where the load rests on a source whose voltage falls with current, by tangents."""
    for _ in range(8):
        slope_ohm = source_ohm(i_a)
        emf_v = max(source_v(i_a) + slope_ohm * i_a, 0.0)
        taken = drawn(load, emf_v, slope_ohm, lead_ohm)
        if abs(taken.i_a - i_a) < 1e-10:
            break
        i_a = taken.i_a
    return max(emf_v - slope_ohm * taken.i_a, 0.0), taken
