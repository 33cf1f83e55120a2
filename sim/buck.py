"""One switching period of a buck converter, and where its power goes.

Pure functions of the module's parameters and its terminal voltages; every loss is that
at the reference temperature. Sources: R. W. Erickson and D. Maksimovic, "Fundamentals
of Power Electronics", 3rd ed. (2020), ch. 2 (volt-second balance), 3 (conduction loss),
4 (switching loss) and 5 (discontinuous conduction); section numbers from memory.
"""

from __future__ import annotations

from math import sqrt

from sim import diode
from sim.cycle import Cycle, edge_share, turn_off_j, turn_on_j
from sim.module import Twin

# ------------------------------------------------------------------------ the cycle


def cycle(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float = 1.0) -> Cycle:
    """The steady period that gives `iout_a` [A] at `vout_v` [V] from `vin_v` [V].

    `drops` multiplies the drops in the current's path, for a hot module in dropout.
    """
    whole = _continuous(twin, vin_v, vout_v, iout_a, drops)
    if whole.valley_a >= 0.0 or _is_forced(twin):
        return whole
    return _discontinuous(twin, vin_v, vout_v, iout_a)


def ceiling_v(twin: Twin, vin_v: float, iout_a: float, drops: float = 1.0) -> float:
    """The output voltage at the greatest duty [V]: above it the module drops out.

    Below zero where the line does not even carry the drops.
    """
    duty = twin.greatest_duty
    drop_v = duty * (twin.switch_drop_v + twin.switch_resistance_ohm * iout_a)
    drop_v += (1.0 - duty) * _off_drop_v(twin, iout_a) + twin.inductor_dcr_ohm * iout_a
    if duty < 1.0:
        drop_v += _dead_time_v(twin, iout_a)
    return duty * vin_v - drops * drop_v


def ceiling_ohm(twin: Twin, iout_a: float) -> float:
    """How steeply that ceiling falls with load [ohm]."""
    duty = twin.greatest_duty
    off_ohm = twin.low_side_resistance_ohm
    if twin.topology == "buck":
        off_ohm = diode.dynamic_ohm(twin.diode, max(iout_a, 1e-3))
    return duty * twin.switch_resistance_ohm + (1.0 - duty) * off_ohm + twin.inductor_dcr_ohm


def _is_forced(twin: Twin) -> bool:
    return twin.topology == "synchronous-buck" and twin.light_load == "forced-ccm"


def _off_drop_v(twin: Twin, i_a: float) -> float:
    """Drop of whatever carries the current while the switch is off [V]."""
    if twin.topology == "buck":
        return diode.drop_v(twin.diode, i_a)
    return twin.low_side_resistance_ohm * i_a


def _dead_time_v(twin: Twin, i_a: float) -> float:
    """Mean of what two dead times a period add to that drop: the body diode conducts [V]."""
    if twin.topology == "buck" or twin.dead_time_s == 0.0:
        return 0.0
    extra_v = diode.drop_v(twin.body_diode, i_a) - twin.low_side_resistance_ohm * i_a
    return 2.0 * twin.dead_time_s * twin.switching_frequency_hz * extra_v


def _continuous(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float) -> Cycle:
    """Volt-second balance with the drops at mean current; ripple from the rising slope."""
    dcr_v = drops * twin.inductor_dcr_ohm * iout_a
    switch_v = drops * (twin.switch_drop_v + twin.switch_resistance_ohm * iout_a)
    rise_v = max(vin_v - switch_v - vout_v - dcr_v, 0.0)
    fall_v = vout_v + dcr_v + drops * _off_drop_v(twin, iout_a)
    needed_v = fall_v + drops * _dead_time_v(twin, iout_a)
    duty = min(needed_v / (rise_v + fall_v), 1.0) if rise_v + fall_v > 0.0 else 0.0
    swing_a = rise_v * duty / (twin.inductance_h * twin.switching_frequency_hz)
    valley_a, peak_a = iout_a - swing_a / 2.0, iout_a + swing_a / 2.0
    return Cycle(duty, 1.0 - duty, valley_a, peak_a, True, rise_v, fall_v)


def _discontinuous(twin: Twin, vin_v: float, vout_v: float, iout_a: float) -> Cycle:
    """Triangles from zero: the peak whose charge a period is the load's.

    The drops depend on the peak only weakly, so a few rounds settle it.
    """
    reach = twin.inductance_h * twin.switching_frequency_hz
    peak_a = 2.0 * iout_a
    rise_v = fall_v = 1.0
    for _ in range(6):
        dcr_v = twin.inductor_dcr_ohm * peak_a / 2.0
        switch_v = twin.switch_drop_v + twin.switch_resistance_ohm * peak_a / 2.0
        rise_v = max(vin_v - switch_v - vout_v - dcr_v, 1e-6)
        fall_v = max(vout_v + dcr_v + _mean_off_drop_v(twin, peak_a), 1e-6)
        peak_a = sqrt(2.0 * iout_a / reach / (1.0 / rise_v + 1.0 / fall_v))
    return Cycle(
        peak_a * reach / rise_v, peak_a * reach / fall_v, 0.0, peak_a, False, rise_v, fall_v
    )


def _mean_off_drop_v(twin: Twin, peak_a: float) -> float:
    if twin.topology == "buck":
        return diode.mean_drop_v(twin.diode, 0.0, peak_a)
    return twin.low_side_resistance_ohm * peak_a / 2.0


# ------------------------------------------------------------------------- the losses


def losses_w(
    twin: Twin, period: Cycle, vin_v: float, vout_v: float, iout_a: float
) -> dict[str, float]:
    """Loss of every part at the reference temperature [W], the input capacitor's apart."""
    switching = _edges_w(twin, period, vin_v, vout_v) * _room(twin, period)
    return {
        "quiescent": twin.quiescent_a * vin_v,
        "switch": _switch_w(twin, period, vin_v) + switching,
        "rectifier": _rectifier_w(twin, period),
        "inductor": _inductor_w(twin, period, vout_v),
        "output_capacitor": twin.output_esr_ohm * _output_ripple_a2(period, iout_a),
    }


def _room(twin: Twin, period: Cycle) -> float:
    """How much of its edges the switch runs through: near full duty it no longer opens fully."""
    idle, edges = 1.0 - period.duty, edge_share(twin)
    return 0.0 if idle < 1e-9 else min(idle / edges, 1.0) if edges > 0.0 else 1.0


def input_ripple_a2(period: Cycle) -> float:
    """Mean square of the alternating part of the switch's current [A²]."""
    return max(period.duty * (period.mean_square_a2 - period.duty * period.mean_a**2), 0.0)


def _output_ripple_a2(period: Cycle, iout_a: float) -> float:
    """Mean square of what the output capacitor carries [A²]; swing²/12 if continuous."""
    flowing = period.duty + period.fall
    return max(flowing * period.mean_square_a2 - iout_a**2, 0.0)


def _switch_w(twin: Twin, period: Cycle, vin_v: float) -> float:
    """Conduction of the switch, and what leaks through it while off [W].

    Its resistance counts only outside the edges: V I t / 2 has what is lost within.
    """
    edges = edge_share(twin) * _room(twin, period)
    closed = max(period.duty - edges, 0.0)
    resistive = closed * twin.switch_resistance_ohm * period.mean_square_a2
    dropped = period.duty * twin.switch_drop_v * max(period.mean_a, 0.0)
    leaking = (1.0 - period.duty) * vin_v**2 / twin.switch_off_resistance_ohm
    return resistive + dropped + leaking


def _rectifier_w(twin: Twin, period: Cycle) -> float:
    """The catch diode; or the low-side switch and its body diode in the dead times [W]."""
    if twin.topology == "buck":
        return period.fall * diode.mean_loss_w(twin.diode, period.valley_a, period.peak_a)
    dead = twin.dead_time_s * twin.switching_frequency_hz
    ends_a = (period.peak_a, abs(period.valley_a)) if period.duty < 1.0 else ()
    body = sum(dead * i_a * diode.drop_v(twin.body_diode, i_a) for i_a in ends_a)
    dead_times = 2.0 if period.continuous else 1.0
    closed = max(period.fall - dead_times * dead, 0.0)
    return body + closed * twin.low_side_resistance_ohm * period.mean_square_a2


def _inductor_w(twin: Twin, period: Cycle, vout_v: float) -> float:
    """Winding, core (a resistor across the inductance) and, once it is empty, ringing [W].

    When the current has run out, the junction rings from 0 to the output voltage; what it
    takes from the output and does not keep is lost, v Q(v) - E(v) each period.
    """
    flowing = period.duty + period.fall
    winding = twin.inductor_dcr_ohm * flowing * period.mean_square_a2
    square_v2 = period.duty * period.rise_v**2 + period.fall * period.fall_v**2
    core = square_v2 / twin.inductor_core_ohm
    ringing = 0.0
    if not period.continuous:
        node = _node_diode(twin)
        kept_j = diode.junction_energy_j(node, vout_v)
        ringing = vout_v * diode.junction_charge_c(node, vout_v) - kept_j
    return winding + core + ringing * twin.switching_frequency_hz


def _node_diode(twin: Twin) -> diode.Diode:
    """The junction that hangs on the switching node."""
    return twin.diode if twin.topology == "buck" else twin.body_diode


def _edges_w(twin: Twin, period: Cycle, vin_v: float, vout_v: float) -> float:
    """Both edges: the valley current switches on, the peak current switches off [W].

    Once the current has run out the node rests at the output voltage.
    """
    node = _node_diode(twin)
    parked_v = 0.0 if period.continuous else min(vout_v, vin_v)
    on_j = turn_on_j(node, vin_v, period.valley_a, twin.switch_rise_s, parked_v)
    if period.continuous and period.valley_a > 0.0:
        on_j += vin_v * diode.forward_charge_c(node, diode.drop_v(node, period.valley_a))
    off_j = turn_off_j(node, vin_v, period.peak_a, twin.switch_fall_s)
    return twin.switching_frequency_hz * (on_j + off_j)
