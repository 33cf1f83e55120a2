"""A linear regulator: a pass element that takes what the load does not need.

Pure functions. Source: P. Horowitz and W. Hill, "The Art of Electronics", 3rd ed. (2015),
ch. 9 (linear regulators: dissipation, dropout, ground current); from memory.
"""

from __future__ import annotations

from sim.module import Twin


def losses_w(twin: Twin, vin_v: float, vout_v: float, iout_a: float) -> dict[str, float]:
    """(vin - vout) iout in the pass element, vin iq in the controller [W].

    The input current is the load's and the controller's, whatever the temperature.
    """
    passing_w = max(vin_v - vout_v, 0.0) * iout_a
    return {"quiescent": twin.quiescent_a * vin_v, "pass_element": passing_w}


def ceiling_v(twin: Twin, vin_v: float, iout_a: float, drops: float = 1.0) -> float:
    """The output voltage of a pass element that is fully on [V]."""
    return vin_v - drops * (twin.dropout_v + twin.dropout_ohm * iout_a)
