"""The supply clipped on the wrong way round: who conducts, and how much.

Pure functions of one `Circuit`. wiring.py decides from the module's own current whether
it lives.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from sim import diode
from sim.circuit import Circuit, ModuleMode, Steady, Terminals
from sim.follow import follow
from sim.losses import reverse_v
from sim.operating import demand
from sim.protection import series_ohm


def steady_reversed(circuit: Circuit, mode: ModuleMode) -> tuple[Steady, float]:
    """The bench with the supply clipped on the wrong way, and the module's own current [A].

    The module conducts through its diodes; currents count as the
    supply gives them, the voltages behind its leads are negative.
    """
    supply, protection = circuit.supply, circuit.protection
    blocked = {"schottky": protection.diode.leakage_a, "p-channel": protection.leakage_a}
    ohm = supply.output_resistance_ohm + series_ohm(protection)
    ohm += 0.0 if supply.remote_sense else circuit.wiring.supply_lead_ohm

    def excess(v_v: float) -> float:
        i_a = sum(_reverse_a(circuit, mode, v_v))
        return min(supply.v_set_v - ohm * i_a - v_v, supply.i_limit_a - i_a)

    clamping_a = 0.0
    if protection.kind in blocked:
        i_a = min(blocked[protection.kind], supply.i_limit_a, supply.v_set_v / 1e3)
        v_v = 0.0 if mode == "dead-open" else min(reverse_v(circuit.twin, i_a), supply.v_set_v)
        vin_v, own_a = supply.v_set_v - circuit.wiring.supply_lead_ohm * i_a, i_a
    else:
        v_v = follow(excess, 0.0, 0.0, supply.v_set_v)
        own_a, clamping_a = _reverse_a(circuit, mode, v_v)
        i_a = own_a + clamping_a
        vin_v = v_v + series_ohm(protection) * i_a
    v_supply_v = vin_v + circuit.wiring.supply_lead_ohm * i_a
    at = Terminals(v_supply_v, i_a, -vin_v, -v_v, clamp_a=clamping_a)
    limited = i_a >= supply.i_limit_a * (1.0 - 1e-7)
    module = replace(demand(circuit, mode, 0.0, 1.0, 0.0), losses_w={"rectifier": own_a * v_v})
    return Steady(at, "CC" if limited else "CV", module), own_a


def _reverse_a(circuit: Circuit, mode: ModuleMode, v_v: float) -> tuple[float, float]:
    """Currents through the module and through the clamp at a reverse voltage [A]."""
    own_a = 0.0
    if mode != "dead-open":
        own_a = _inverse(lambda i_a: reverse_v(circuit.twin, i_a), v_v)
    if circuit.protection.kind != "fuse-and-clamp":
        return own_a, 0.0
    clamp = circuit.protection.clamp
    return own_a, _inverse(lambda i_a: diode.drop_v(clamp, i_a), v_v)


def _inverse(drop: Callable[[float], float], v_v: float) -> float:
    """The current at which a rising drop is `v_v` [A], up to 1000 A."""
    low_a, high_a = 0.0, 1000.0
    for _ in range(60):
        middle_a = (low_a + high_a) / 2.0
        low_a, high_a = (middle_a, high_a) if drop(middle_a) < v_v else (low_a, middle_a)
    return low_a
