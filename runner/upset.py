"""What was set and is no longer so: a key on a front panel, a second program, a box that reset.

Asked by the watch on every reading, through the performer. Pure; it compares what the
boxes themselves read with what they were told.
"""

from __future__ import annotations

from typing import Protocol

from drivers.roles import LoadReading, SupplyReading
from runner.errors import Tripped

STANDS_AFTER_S = 1.0
"""After a change a set point is given this long before it is held against the reading [s]."""
FLAG_SHARE, FLAG_LEAST = 0.05, 0.1  # of the set point, and [V] or [A]: a flag on the point
TRIP_SHARE, TRIP_LEAST = 0.35, 0.5  # beyond that nothing explains it but somebody's hand
OTHER_MODES = ("CR", "CV", "CP")
LEAST_OUTPUT_V = 2.0
"""Below this a load may not hold its current, whatever it says [V]."""
SOMEBODY = "somebody or something else has changed it"


class Told(Protocol):
    """What the boxes were told last, and when."""

    line_set_v: float
    iout_set_a: float
    supply_is_on: bool
    load_is_on: bool
    changed_s: float


def upset(
    told: Told, supply: SupplyReading, load: LoadReading | None, t_s: float
) -> Tripped | None:
    """Why the bench is no longer as it was set, or None. `t_s` is the reading's time [s]."""
    if told.load_is_on and load is not None and load.mode == "OFF":
        return Tripped("load input", "off", "on", "it went off without being told")
    if t_s - told.changed_s < STANDS_AFTER_S:
        return None
    if told.load_is_on and load is not None and load.mode in OTHER_MODES:
        return Tripped("load mode", load.mode, "CC", SOMEBODY)
    if _line_is_off(told, supply, TRIP_SHARE, TRIP_LEAST):
        return Tripped("supply voltage", supply.v_v, told.line_set_v, SOMEBODY)
    if _load_is_off(told, load, TRIP_SHARE, TRIP_LEAST):
        return Tripped("load current", load.i_a if load else 0.0, told.iout_set_a, SOMEBODY)
    return None


def moved(told: Told, supply: SupplyReading, load: LoadReading | None) -> set[str]:
    """Flags for a point that was not taken quite where it was set."""
    flags = set()
    if _line_is_off(told, supply, FLAG_SHARE, FLAG_LEAST):
        flags.add("LINE_MOVED")
    if _load_is_off(told, load, FLAG_SHARE, FLAG_LEAST):
        flags.add("LOAD_MOVED")
    return flags


def _line_is_off(told: Told, supply: SupplyReading, share: float, least_v: float) -> bool:
    """In voltage regulation only: in current limit the line is where the module pulls it."""
    away_v = abs(supply.v_v - told.line_set_v)
    return told.supply_is_on and supply.mode == "CV" and away_v > share * told.line_set_v + least_v


def _load_is_off(told: Told, load: LoadReading | None, share: float, least_a: float) -> bool:
    """While it says that it regulates: a load below its least voltage says UNREGULATED."""
    if load is None or not told.load_is_on or load.mode != "CC" or load.v_v < LEAST_OUTPUT_V:
        return False
    return abs(load.i_a - told.iout_set_a) > share * told.iout_set_a + least_a
