"""Where a charging capacitor comes to rest: the nearest stable balance from where it stands.

A terminal's capacitor moves towards more voltage while more current arrives than leaves.
So of several balances (foldback, constant power, a supply in its limit) the one reached is
the first in that direction from the present voltage. Pure; used by operating.py alone.
"""

from __future__ import annotations

from collections.abc import Callable

STEPS = 64
"""No stride is longer than this part of the whole range, so no pair of balances is missed."""
FINE_V = 1e-10


def follow(
    excess: Callable[[float], float], start_v: float, least_v: float, most_v: float
) -> float:
    """The voltage [V] within bounds that `excess` (> 0: upwards) leads to from `start_v`.

    Strides grow from a millivolt until the sign turns, then the crossing is closed in on.
    """
    here_v = min(max(start_v, least_v), most_v)
    here = excess(here_v)
    up = here > 0.0
    bound_v = most_v if up else least_v
    stride_v, longest_v = 1e-3, max((most_v - least_v) / STEPS, 1e-3)
    while here != 0.0 and here_v != bound_v:
        there_v = min(here_v + stride_v, bound_v) if up else max(here_v - stride_v, bound_v)
        there = excess(there_v)
        if (there > 0.0) != up:
            return _close_in(excess, here_v, here, there_v, there)
        here_v, here = there_v, there
        stride_v = min(stride_v * 2.0, longest_v)
    return here_v


def _close_in(
    excess: Callable[[float], float], a_v: float, a: float, b_v: float, b: float
) -> float:
    """Illinois false position (Dowell and Jarratt, BIT 11, 1971), halved where it crawls."""
    width_v = abs(b_v - a_v)
    for turn in range(80):
        if b == 0.0 or abs(b_v - a_v) <= FINE_V:
            break
        halve = turn % 4 == 3 and abs(b_v - a_v) > width_v / 4.0
        width_v = abs(b_v - a_v) if turn % 4 == 3 else width_v
        c_v = (a_v + b_v) / 2.0 if halve else (a_v * b - b_v * a) / (b - a)
        c = excess(c_v)
        if (c > 0.0) == (b > 0.0):
            a *= 0.5
        else:
            a_v, a = b_v, b
        b_v, b = c_v, c
        if abs(c) <= FINE_V:
            break
    return b_v
