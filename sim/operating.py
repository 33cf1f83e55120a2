"""The operating point: where supply, leads, protection, module, leads and load agree.

Pure functions of one `Circuit` and of where its voltages stand; wiring.py owns what
changes with time (lockout, retries, heat, death) and calls `steady_forward` here.
"""

from __future__ import annotations

from dataclasses import replace
from math import pi

from sim import diode
from sim.circuit import Circuit, Demand, ModuleMode, Steady, Terminals
from sim.follow import follow
from sim.limit import Output, output, through
from sim.load_line import drawn
from sim.losses import Work, passes_line, shorted_ohm, through_losses_w, work
from sim.module import Twin
from sim.protection import series_drop_v, series_ohm

LEAD_TIME_CONSTANT_S = 40e-6
"""Inductance over resistance of a pair of wires [s]: 1 µH and 24 mohm a metre, 1.5 mm² copper."""

# ------------------------------------------------------------------------- the module


def demand(
    circuit: Circuit, mode: ModuleMode, vin_v: float, growth: float, vout_from_v: float
) -> Demand:
    """What the module takes at `vin_v` [V] while its losses are `growth` times their reference."""
    twin, load, lead_ohm = circuit.twin, circuit.load, circuit.wiring.load_lead_ohm
    if mode == "on" and vin_v > 0.1:
        return _switching(circuit, vin_v, growth, vout_from_v)
    dead = drawn(load, 0.0, 0.0, lead_ohm).regulated
    if mode == "dead-open":
        return Demand(load_regulated=dead, state=mode)
    if mode == "dead-short":
        return _shorted(circuit, vin_v)
    idle_a = twin.lockout.idle_a * min(max(vin_v, 0.0), 1.0)
    passed = through(twin, load, lead_ohm, vin_v) if vin_v > 0.0 else None
    if passed is None:
        return Demand(idle_a, load_regulated=dead, losses_w={"quiescent": idle_a * vin_v})
    return _passing(twin, passed, vin_v, idle_a, "locked-out")


def _passing(twin: Twin, out: Output, vin_v: float, own_a: float, state: str) -> Demand:
    """The line on the output, and `own_a` [A] that the module takes for itself."""
    lost_w = {"quiescent": own_a * vin_v}
    lost_w |= through_losses_w(twin, vin_v - out.vout_v, out.iout_a)
    iin_a = out.iout_a + own_a
    return Demand(iin_a, out.vout_v, out.iout_a, out.load_regulated, state, lost_w)


def _shorted(circuit: Circuit, vin_v: float) -> Demand:
    """A switch that has burnt through: the line on the output, or itself shorted."""
    path_ohm, state = shorted_ohm(circuit.twin), "dead-short"
    if passes_line(circuit.twin):
        i_a = max(vin_v, 0.0) / path_ohm
        dead = drawn(circuit.load, 0.0, 0.0, 0.0).regulated
        return Demand(i_a, 0.0, 0.0, dead, state, {"switch": path_ohm * i_a**2})
    taken = drawn(circuit.load, vin_v, path_ohm, circuit.wiring.load_lead_ohm)
    vout_v = vin_v - path_ohm * taken.i_a
    lost_w = {"switch": path_ohm * taken.i_a**2}
    return Demand(taken.i_a, vout_v, taken.i_a, taken.regulated, state, lost_w)


def _switching(circuit: Circuit, vin_v: float, growth: float, vout_from_v: float) -> Demand:
    twin = circuit.twin
    lead_ohm = circuit.wiring.load_lead_ohm
    out = output(twin, circuit.load, lead_ohm, vin_v, growth, vout_from_v)
    if out.state == "line-through":
        return _passing(twin, out, vin_v, twin.quiescent_a, out.state)
    drops = growth if out.state == "dropout" else 1.0
    at_work = work(twin, vin_v, out.vout_v, out.iout_a, drops)
    lost = dict(at_work.losses_w)
    lost["input_capacitor"], ripple_w = _input_ripple_w(circuit, at_work)
    taken_w = out.vout_v * out.iout_a + growth * sum(lost.values()) + ripple_w
    iin_a = taken_w / vin_v
    return Demand(iin_a, out.vout_v, out.iout_a, out.load_regulated, out.state, lost, ripple_w)


def _input_ripple_w(circuit: Circuit, at_work: Work) -> tuple[float, float]:
    """What the switch's pulses lose in the input capacitor and in the protection [W].

    The pulses divide, at the switching frequency, between capacitor and supply by their
    impedances (a current divider); leads are as good as open for them.
    """
    twin, protection, lead_ohm = circuit.twin, circuit.protection, circuit.wiring.supply_lead_ohm
    ripple_a2 = at_work.ripple_a2
    if ripple_a2 == 0.0:
        return 0.0, 0.0
    omega = 2.0 * pi * twin.switching_frequency_hz
    source_ohm = series_ohm(protection)
    if protection.kind == "schottky":
        source_ohm = diode.dynamic_ohm(protection.diode, at_work.mean_a)
    line = complex(source_ohm + lead_ohm, omega * LEAD_TIME_CONSTANT_S * lead_ohm)
    if twin.input_capacitance_f == 0.0:
        return 0.0, source_ohm * ripple_a2
    shunt = complex(twin.input_esr_ohm, -1.0 / (omega * twin.input_capacitance_f))
    to_capacitor = abs(line / (line + shunt)) ** 2
    to_line = abs(shunt / (line + shunt)) ** 2
    return twin.input_esr_ohm * ripple_a2 * to_capacitor, source_ohm * ripple_a2 * to_line


# ------------------------------------------------------------------- the line, forwards


def steady_forward(
    circuit: Circuit,
    mode: ModuleMode,
    growth: float,
    from_v: float,
    vout_from_v: float,
    tries: int = 3,
) -> Steady | None:
    """The bench at rest, reached from the module's `from_v` and `vout_from_v` [V].

    None where a switched-on module pulls its input below its lockout voltage. Where the
    output collapses on the way, the line is followed on with the output collapsed.
    """
    least_v = circuit.twin.lockout.stop_v if mode == "on" else 0.0
    most_v = circuit.supply.v_set_v
    if most_v < least_v:
        return None

    def excess(v_v: float) -> float:
        i_a = demand(circuit, mode, v_v, growth, vout_from_v).iin_a + clamp_a(circuit, v_v)
        return min(_line_v(circuit, i_a) - v_v, circuit.supply.i_limit_a - i_a)

    v_v = _near(circuit, mode, growth, from_v, vout_from_v)
    if v_v is None:
        v_v = follow(excess, from_v, least_v, most_v)
        left = excess(v_v)
        if v_v == least_v and least_v > 0.0 and left < 0.0:
            return None
        if abs(left) > 1e-6 and least_v < v_v < most_v and tries > 0:
            sides = [demand(circuit, mode, v_v + d, growth, vout_from_v) for d in (-1e-6, 1e-6)]
            lower_v = min(sides, key=lambda side: side.iin_a).vout_v
            return steady_forward(circuit, mode, growth, v_v, lower_v, tries - 1)
    return _forward_at(circuit, v_v, demand(circuit, mode, v_v, growth, vout_from_v))


def steady_starved(circuit: Circuit, growth: float) -> Steady:
    """A module about to lock itself out: it passes on the part of its current that it gets.

    Its input is at the lockout voltage, the line gives what it can there.
    """
    stop_v = max(circuit.twin.lockout.stop_v, 0.2)
    wanted = demand(circuit, "on", stop_v, growth, 0.0)
    low_a, high_a = 0.0, min(circuit.supply.i_limit_a, wanted.iin_a)
    if _line_v(circuit, high_a) < stop_v:
        for _ in range(60):
            middle_a = (low_a + high_a) / 2.0
            enough = _line_v(circuit, middle_a) >= stop_v
            low_a, high_a = (middle_a, high_a) if enough else (low_a, middle_a)
    share = high_a / wanted.iin_a
    passed = replace(
        wanted,
        iin_a=high_a,
        iout_a=share * wanted.iout_a,
        load_regulated=False,
        state="locked-out",
        losses_w={part: share * growth * lost for part, lost in wanted.losses_w.items()},
        ripple_w=share * wanted.ripple_w,
    )
    return _forward_at(circuit, stop_v, passed)


def _near(
    circuit: Circuit, mode: ModuleMode, growth: float, from_v: float, vout_from_v: float
) -> float | None:
    """The balance close by, in constant voltage, if plain substitution runs into one [V]."""
    v_v = from_v
    for _ in range(6):
        i_a = demand(circuit, mode, v_v, growth, vout_from_v).iin_a + clamp_a(circuit, v_v)
        next_v = _line_v(circuit, i_a)
        if i_a >= circuit.supply.i_limit_a or abs(next_v - from_v) > 0.03 * from_v:
            return None
        if abs(next_v - v_v) < 1e-10:
            return next_v if next_v >= circuit.twin.lockout.stop_v or mode != "on" else None
        v_v = next_v
    return None


def _line_v(circuit: Circuit, i_a: float) -> float:
    """Voltage that reaches the module while the supply regulates and gives `i_a` [V]."""
    supply = circuit.supply
    ohm = supply.output_resistance_ohm
    if not supply.remote_sense:
        ohm += circuit.wiring.supply_lead_ohm
    return supply.v_set_v - ohm * i_a - series_drop_v(circuit.protection, i_a)


def _forward_at(circuit: Circuit, v_module_v: float, module: Demand) -> Steady:
    """All terminals, worked back from the module's."""
    clamping_a = clamp_a(circuit, v_module_v)
    iin_a = module.iin_a + clamping_a
    vin_v = v_module_v + series_drop_v(circuit.protection, iin_a)
    v_supply_v = vin_v + circuit.wiring.supply_lead_ohm * iin_a
    v_load_v = module.vout_v - circuit.wiring.load_lead_ohm * module.iout_a
    at = Terminals(
        v_supply_v,
        iin_a,
        vin_v,
        v_module_v,
        module.vout_v,
        module.iout_a,
        v_load_v,
        clamping_a,
    )
    limited = iin_a >= circuit.supply.i_limit_a * (1.0 - 1e-7)
    return Steady(at, "CC" if limited else "CV", module)


def clamp_a(circuit: Circuit, v_v: float) -> float:
    """What a clamp across the module takes forwards [A]."""
    protection = circuit.protection
    if protection.kind != "fuse-and-clamp":
        return 0.0
    return max(v_v - protection.clamp_v, 0.0) / protection.clamp_ohm


def unfed(circuit: Circuit, mode: ModuleMode) -> Steady:
    """The bench with the supply off, or its fuse open: nothing flows."""
    supply = circuit.supply
    module = demand(circuit, "idle" if mode == "on" else mode, 0.0, 1.0, 0.0)
    if not supply.on:
        return Steady(Terminals(), "OFF", module)
    sign = -1.0 if supply.polarity == "reversed" else 1.0
    at = Terminals(v_supply_v=supply.v_set_v, vin_v=sign * supply.v_set_v)
    return Steady(at, "CV", module)
