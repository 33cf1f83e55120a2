"""The seam between the module's topologies and the bench around them.

limit.py, operating.py and reversal.py ask here what a module can give and what it loses;
the physics are in buck.py, boost.py, linear.py and loss_map.py. Pure functions; every loss
is that at the reference temperature.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from sim import boost, buck, diode, linear, loss_map
from sim.module import Twin


@dataclass(frozen=True, slots=True)
class Work:
    """What a module at work loses, part by part [W], and the pulses it takes from its line.

    `ripple_a2` [A²] is the mean square of their alternating part, `mean_a` their mean [A].
    """

    losses_w: dict[str, float]
    ripple_a2: float = 0.0
    mean_a: float = 0.0


def work(twin: Twin, vin_v: float, vout_v: float, iout_a: float, drops: float = 1.0) -> Work:
    """The module giving `iout_a` [A] at `vout_v` [V] from `vin_v` [V].

    `drops` multiplies the drops in the current's path, for a hot module in dropout.
    """
    match twin.topology:
        case "linear":
            return Work(linear.losses_w(twin, vin_v, vout_v, iout_a))
        case "measured":
            return Work({"module": loss_map.loss_w(twin.loss_map, vin_v, iout_a)})
        case "boost":
            period = boost.cycle(twin, vin_v, vout_v, iout_a, drops)
            lost_w = boost.losses_w(twin, period, vin_v, vout_v, iout_a)
            mean_a = (period.duty + period.fall) * period.mean_a
            return Work(lost_w, boost.input_ripple_a2(period), mean_a)
    period = buck.cycle(twin, vin_v, vout_v, iout_a, drops)
    lost_w = buck.losses_w(twin, period, vin_v, vout_v, iout_a)
    return Work(lost_w, buck.input_ripple_a2(period), period.duty * period.mean_a)


def ceiling_v(twin: Twin, vin_v: float, iout_a: float, drops: float = 1.0) -> float:
    """The greatest output voltage at this line and load [V]: above it the module drops out."""
    match twin.topology:
        case "linear":
            return linear.ceiling_v(twin, vin_v, iout_a, drops)
        case "measured":
            return loss_map.ceiling_v(twin, vin_v, iout_a, drops)
        case "boost":
            return boost.ceiling_v(twin, vin_v, iout_a, drops)
    return buck.ceiling_v(twin, vin_v, iout_a, drops)


def ceiling_ohm(twin: Twin, vin_v: float, iout_a: float) -> float:
    """How steeply that ceiling falls with load [ohm]."""
    match twin.topology:
        case "linear" | "measured":
            return twin.dropout_ohm
        case "boost":
            return boost.ceiling_ohm(twin, vin_v, iout_a)
    return buck.ceiling_ohm(twin, iout_a)


def limited_a(twin: Twin, vin_v: float, vout_v: float, limit_a: float) -> float:
    """What a limit of `limit_a` [A] leaves at the output [A]: a boost's is that of its switch."""
    if twin.topology != "boost" or limit_a == inf:
        return limit_a
    return boost.limited_a(twin, vin_v, vout_v, limit_a)


# --------------------------------------------------------- with the switch left off or broken


def passes_line(twin: Twin) -> bool:
    """True where the line stands on the output though nothing switches."""
    return twin.topology == "boost"


def through_v(twin: Twin, vin_v: float, iout_a: float) -> float:
    """What of the line stands on the output then [V]; below zero where nothing passes."""
    return boost.through_v(twin, vin_v, iout_a) if passes_line(twin) else -inf


def through_ohm(twin: Twin, iout_a: float) -> float:
    """How steeply that falls with load [ohm]."""
    return boost.through_ohm(twin, iout_a)


def through_losses_w(twin: Twin, drop_v: float, iout_a: float) -> dict[str, float]:
    """What the path from the line loses at a drop [V]: the winding its part, the diode the rest."""
    winding_w = twin.inductor_dcr_ohm * iout_a**2
    return {"inductor": winding_w, "rectifier": drop_v * iout_a - winding_w}


def shorted_ohm(twin: Twin) -> float:
    """Resistance of the path through a switch or pass element that has burnt through [ohm].

    That of a boost shorts its line; any other lets the line onto the output.
    """
    if twin.topology in ("linear", "measured"):
        return twin.dropout_ohm + 1e-3
    return twin.switch_resistance_ohm + twin.inductor_dcr_ohm + 1e-3


def reverse_v(twin: Twin, i_a: float) -> float:
    """Drop of what conducts with the line reversed [V].

    A buck's rectifier and the body of its switch in series; a boost's winding and that body;
    the body of a pass element.
    """
    body_v = diode.drop_v(twin.body_diode, i_a)
    match twin.topology:
        case "buck":
            return body_v + diode.drop_v(twin.diode, i_a)
        case "synchronous-buck":
            return 2.0 * body_v
        case "boost":
            return body_v + twin.inductor_dcr_ohm * i_a
    return body_v
