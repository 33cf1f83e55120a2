"""A module known from outside only: its loss as measured, whatever is inside.

Pure functions; `ampworth fit-twin` finds the coefficients from a run. The terms are those
of conduction and switching losses of a buck (duty in proportion to 1/V), of a boost
(current in proportion to 1/V) and of a linear regulator (b1 V I) together; the root is
that of the peaks in discontinuous conduction.
"""

from __future__ import annotations

from math import inf, sqrt

from sim.linear import ceiling_v as pass_ceiling_v
from sim.module import LossMap, Twin


def loss_w(loss: LossMap, vin_v: float, iout_a: float) -> float:
    """a0 + a1 V + (r0 + r1 V) √I + (b0 + b1 V + b2/V) I + (c0 + c1/V + c2/V²) I² [W], not below 0.

    V [V] is the line, I [A] the load.
    """
    idle_w = loss.a0_w + loss.a1_a * vin_v
    idle_w += (loss.r0_v_root_a + loss.r1_root_a * vin_v) * sqrt(iout_a)
    by_current_v = loss.b0_v + loss.b1 * vin_v + loss.b2_v2 / vin_v
    by_square_ohm = loss.c0_ohm + loss.c1_ohm_v / vin_v + loss.c2_ohm_v2 / vin_v**2
    return max(idle_w + (by_current_v + by_square_ohm * iout_a) * iout_a, 0.0)


def ceiling_v(twin: Twin, vin_v: float, iout_a: float, drops: float = 1.0) -> float:
    """Where a step-down module drops out [V]; one that steps up does not."""
    return inf if twin.steps_up else pass_ceiling_v(twin, vin_v, iout_a, drops)
