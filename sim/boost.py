"""One switching period of a boost converter, and where its power goes.

Pure functions of the module's parameters and its terminal voltages; every loss is that
at the reference temperature. The line stands on the output through inductor and diode
whenever nothing switches. Sources: R. W. Erickson and D. Maksimovic, "Fundamentals of
Power Electronics", 3rd ed. (2020), ch. 2 and 3 (boost with winding resistance), 4
(switching loss), 5 (discontinuous conduction); section numbers from memory.
"""

from __future__ import annotations

from math import sqrt

from sim import diode
from sim.cycle import Cycle, edge_share, turn_off_j, turn_on_j
from sim.module import Twin

LEAST_OHM = 1e-6
"""Below this an ideal path from the line has resistance all the same [ohm]."""


def cycle(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float = 1.0) -> Cycle:
    """The steady period that gives `iout_a` [A] at `vout_v` [V] from `vin_v` [V].

    What the edges take, the switch takes from the output, so the inductor carries that too.
    `drops` multiplies the drops in the current's path, for a hot module in dropout.
    """
    period = _steady(twin, vin_v, vout_v, iout_a, drops)
    if period.duty == 0.0 or vout_v <= 0.0:
        return period
    edges_a = _edges_w(twin, period, vin_v, vout_v) / vout_v
    return _steady(twin, vin_v, vout_v, iout_a + edges_a, drops)


def _steady(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float) -> Cycle:
    whole = _continuous(twin, vin_v, vout_v, iout_a, drops)
    return whole if whole.valley_a >= 0.0 else _discontinuous(twin, vin_v, vout_v, iout_a)


def ceiling_v(twin: Twin, vin_v: float, iout_a: float, drops: float = 1.0) -> float:
    """The greatest output voltage [V] at this load: at the greatest duty, or well below it.

    The ratio of a boost with losses has a maximum (ch. 3): more duty only burns more.
    """
    spare_v = vin_v - drops * (twin.switch_drop_v - twin.switch_resistance_ohm * iout_a)
    if spare_v <= 0.0:
        return 0.0
    off = max(2.0 * iout_a * drops * _on_ohm(twin) / spare_v, 1.0 - twin.greatest_duty, 1e-3)
    if off >= 1.0:
        return through_v(twin, vin_v, iout_a)
    return _balance_v(twin, vin_v, iout_a, off, drops)


def ceiling_ohm(twin: Twin, vin_v: float, iout_a: float) -> float:
    """How steeply that ceiling falls with load [ohm], by a small step."""
    step_a = max(1e-4 * iout_a, 1e-6)
    fallen_v = ceiling_v(twin, vin_v, iout_a) - ceiling_v(twin, vin_v, iout_a + step_a)
    return max(fallen_v / step_a, LEAST_OHM)


def through_v(twin: Twin, vin_v: float, iout_a: float) -> float:
    """What of the line stands on the output with the switch left off [V]."""
    return vin_v - twin.inductor_dcr_ohm * iout_a - diode.drop_v(twin.diode, iout_a)


def through_ohm(twin: Twin, iout_a: float) -> float:
    """How steeply that falls with load [ohm]."""
    return twin.inductor_dcr_ohm + diode.dynamic_ohm(twin.diode, iout_a) + LEAST_OHM


def limited_a(twin: Twin, vin_v: float, vout_v: float, peak_a: float) -> float:
    """The output current [A] at which the switch's peak current is `peak_a` [A].

    The switch carries the inductor's current: the more the output is above the line, the
    less of it is left there.
    """
    reach = twin.inductance_h * twin.switching_frequency_hz
    inductor_a = peak_a
    for _ in range(4):
        rise_v = vin_v - twin.switch_drop_v - _on_ohm(twin) * inductor_a
        fall_v = max(vout_v - through_v(twin, vin_v, inductor_a), 1e-6)
        if rise_v <= 0.0:
            return 0.0
        off = rise_v / (rise_v + fall_v)
        swing_a = fall_v * off / reach
        inductor_a = peak_a - min(swing_a, peak_a) / 2.0
    if swing_a > peak_a:
        return peak_a * peak_a * reach / (2.0 * fall_v)
    return off * inductor_a


def _on_ohm(twin: Twin) -> float:
    """Resistance of the path while the switch is closed [ohm]."""
    return twin.inductor_dcr_ohm + twin.switch_resistance_ohm


def _balance_v(twin: Twin, vin_v: float, iout_a: float, off: float, drops: float) -> float:
    """The output voltage at which volt-seconds balance with the switch off for `off` [V]."""
    inductor_a = iout_a / off
    on_v = drops * (twin.switch_drop_v + twin.switch_resistance_ohm * inductor_a)
    carried_v = vin_v - drops * twin.inductor_dcr_ohm * inductor_a - (1.0 - off) * on_v
    return carried_v / off - drops * diode.drop_v(twin.diode, inductor_a)


def _off_share(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float) -> float:
    """The share of a period with the switch off, by volt-second balance with the drops.

    That is a quadratic, whose greater root is the stable one; the diode's drop depends on
    the share only weakly, so a few rounds settle it. 1.0 where the line alone is enough.
    """
    drop_v = drops * twin.switch_drop_v
    switch_v = drops * twin.switch_resistance_ohm * iout_a
    lost = 4.0 * iout_a * drops * _on_ohm(twin)
    off, linear = 1.0, vin_v - drop_v + switch_v
    for _ in range(8):
        above_v = vout_v + drops * diode.drop_v(twin.diode, iout_a / off) - drop_v
        if above_v <= 0.0 or linear <= 0.0:
            return 1.0
        root = sqrt(max(linear * linear - lost * above_v, 0.0))
        off = min(max((linear + root) / (2.0 * above_v), 1e-3), 1.0)
    return off


def _continuous(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float) -> Cycle:
    """Charge and volt-second balance with the drops at mean current; ripple from the rise."""
    off = _off_share(twin, vin_v, vout_v, iout_a, drops)
    inductor_a = iout_a / off
    on_v = drops * (twin.switch_drop_v + _on_ohm(twin) * inductor_a)
    rise_v = max(vin_v - on_v, 0.0)
    fall_v = rise_v * (1.0 - off) / off
    swing_a = rise_v * (1.0 - off) / (twin.inductance_h * twin.switching_frequency_hz)
    valley_a, peak_a = inductor_a - swing_a / 2.0, inductor_a + swing_a / 2.0
    return Cycle(1.0 - off, off, valley_a, peak_a, True, rise_v, fall_v)


def _discontinuous(twin: Twin, vin_v: float, vout_v: float, iout_a: float) -> Cycle:
    """Triangles from zero: the peak whose fall brings the load's charge to the output."""
    reach = twin.inductance_h * twin.switching_frequency_hz
    peak_a = 2.0 * iout_a
    rise_v = fall_v = 1.0
    for _ in range(6):
        half_a = peak_a / 2.0
        rise_v = max(vin_v - twin.switch_drop_v - _on_ohm(twin) * half_a, 1e-6)
        diode_v = diode.mean_drop_v(twin.diode, 0.0, peak_a)
        fall_v = max(vout_v - vin_v + diode_v + twin.inductor_dcr_ohm * half_a, 1e-6)
        peak_a = sqrt(2.0 * iout_a * fall_v / reach)
    return Cycle(
        peak_a * reach / rise_v, peak_a * reach / fall_v, 0.0, peak_a, False, rise_v, fall_v
    )


# ------------------------------------------------------------------------- the losses


def losses_w(
    twin: Twin, period: Cycle, vin_v: float, vout_v: float, iout_a: float
) -> dict[str, float]:
    """Loss of every part at the reference temperature [W], the input capacitor's apart."""
    flowing = period.duty + period.fall
    ripple_a2 = max(period.fall * period.mean_square_a2 - iout_a**2, 0.0)
    switching = _edges_w(twin, period, vin_v, vout_v) if period.duty > 0.0 else 0.0
    return {
        "quiescent": twin.quiescent_a * vin_v,
        "switch": _switch_w(twin, period, vout_v) + switching,
        "rectifier": period.fall * diode.mean_loss_w(twin.diode, period.valley_a, period.peak_a),
        "inductor": twin.inductor_dcr_ohm * flowing * period.mean_square_a2
        + _core_w(twin, period)
        + _ringing_w(twin, period, vin_v, vout_v),
        "output_capacitor": twin.output_esr_ohm * ripple_a2,
    }


def input_ripple_a2(period: Cycle) -> float:
    """Mean square of the alternating part of the inductor's current [A²]."""
    flowing = period.duty + period.fall
    return max(flowing * (period.mean_square_a2 - flowing * period.mean_a**2), 0.0)


def _switch_w(twin: Twin, period: Cycle, vout_v: float) -> float:
    """Conduction of the switch outside its edges, and what leaks through it while off [W]."""
    closed = max(period.duty - edge_share(twin), 0.0)
    resistive = closed * twin.switch_resistance_ohm * period.mean_square_a2
    dropped = period.duty * twin.switch_drop_v * period.mean_a
    leaking = (1.0 - period.duty) * vout_v**2 / twin.switch_off_resistance_ohm
    return resistive + dropped + leaking


def _core_w(twin: Twin, period: Cycle) -> float:
    """Core loss as that of a resistor across the inductance [W]."""
    square_v2 = period.duty * period.rise_v**2 + period.fall * period.fall_v**2
    return square_v2 / twin.inductor_core_ohm


def _ringing_w(twin: Twin, period: Cycle, vin_v: float, vout_v: float) -> float:
    """Once the current has run out the node swings from the output to the line [W].

    The diode's junction takes Q from the output and hands it to the line, so what is not
    kept of v Q(v) is lost, v being the difference of the two.
    """
    if period.continuous:
        return 0.0
    apart_v = max(vout_v - vin_v, 0.0)
    charge_c = diode.junction_charge_c(twin.diode, apart_v)
    lost_j = apart_v * charge_c - diode.junction_energy_j(twin.diode, apart_v)
    return twin.switching_frequency_hz * lost_j


def _edges_w(twin: Twin, period: Cycle, vin_v: float, vout_v: float) -> float:
    """Both edges stand the output voltage; once the current has run out, the line's [W]."""
    node = twin.diode
    parked_v = 0.0 if period.continuous else max(vout_v - vin_v, 0.0)
    on_j = turn_on_j(node, vout_v, period.valley_a, twin.switch_rise_s, parked_v)
    if period.continuous and period.valley_a > 0.0:
        on_j += vout_v * diode.forward_charge_c(node, diode.drop_v(node, period.valley_a))
    off_j = turn_off_j(node, vout_v, period.peak_a, twin.switch_fall_s)
    return twin.switching_frequency_hz * (on_j + off_j)
