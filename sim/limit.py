"""The output of the module: set point, dropout, and what happens at the current limit.

Pure functions: given the input voltage, the load and where the output stands, where it
comes to rest. The shapes of limits (constant current, foldback, hiccup) are common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from sim.follow import follow
from sim.load_line import Drawn, LoadSetting, drawn
from sim.losses import ceiling_ohm, ceiling_v
from sim.module import Twin


@dataclass(frozen=True, slots=True)
class Output:
    """The module's output terminals at rest, and which of its states that is."""

    vout_v: float
    iout_a: float
    load_regulated: bool
    state: str


def limit_a(twin: Twin, vout_v: float) -> float:
    """The most the module gives at this output voltage [A]."""
    limit = twin.limit
    if limit.kind == "none":
        return inf
    if limit.kind == "foldback":
        share = min(max(vout_v / twin.vout_true_v, 0.0), 1.0)
        return limit.short_circuit_a + share * (limit.current_a - limit.short_circuit_a)
    return limit.current_a


def output(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float, from_v: float
) -> Output:
    """Where the output rests that stands at `from_v` [V] when the input is `vin_v` [V].

    In dropout the drops are `growth` times those at the reference temperature.
    """
    top = _unlimited(twin, load, lead_ohm, vin_v, growth)
    if top.iout_a <= limit_a(twin, top.vout_v) and (
        from_v >= 0.98 * top.vout_v or _always_climbs(twin, load)
    ):
        return top

    def excess_a(vout_v: float) -> float:
        return min(limit_a(twin, vout_v), 1e6) - drawn(load, vout_v, 0.0, lead_ohm).i_a

    vout_v = follow(excess_a, from_v, 0.0, top.vout_v)
    if vout_v == top.vout_v and top.iout_a <= limit_a(twin, vout_v):
        return top
    taken = drawn(load, vout_v, 0.0, lead_ohm)
    state = "hiccup" if twin.limit.kind == "hiccup" else "current-limit"
    return Output(vout_v, min(taken.i_a, limit_a(twin, vout_v)), taken.regulated, state)


def _always_climbs(twin: Twin, load: LoadSetting) -> bool:
    """True where a limit that holds at the top holds everywhere below it."""
    return twin.limit.kind != "foldback" and load.mode != "CP"


def _unlimited(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float
) -> Output:
    """The output as if there were no current limit: regulating, or at the greatest duty."""
    set_v, own_ohm = twin.vout_true_v, twin.output_resistance_ohm
    taken = drawn(load, set_v, own_ohm, lead_ohm)
    vout_v = set_v - own_ohm * taken.i_a
    if vout_v <= ceiling_v(twin, vin_v, taken.i_a, growth):
        return Output(vout_v, taken.i_a, taken.regulated, "regulating")
    vout_v, taken = _dropped_out(twin, load, lead_ohm, vin_v, growth, taken.i_a)
    return Output(vout_v, taken.i_a, taken.regulated, "dropout")


def _dropped_out(
    twin: Twin, load: LoadSetting, lead_ohm: float, vin_v: float, growth: float, i_a: float
) -> tuple[float, Drawn]:
    """At the greatest duty the module is a source with resistance, nearly a straight one."""
    i_a = min(i_a, limit_a(twin, twin.vout_true_v), vin_v / 1e-3)
    for _ in range(8):
        slope_ohm = growth * ceiling_ohm(twin, i_a)
        emf_v = max(ceiling_v(twin, vin_v, i_a, growth) + slope_ohm * i_a, 0.0)
        taken = drawn(load, emf_v, slope_ohm, lead_ohm)
        if abs(taken.i_a - i_a) < 1e-10:
            break
        i_a = taken.i_a
    return max(emf_v - slope_ohm * taken.i_a, 0.0), taken
