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
OFF_AFTER_S = 0.2
"""A box that was switched off says so after this [s]; its switch was read back already."""
FLAG_SHARE, FLAG_LEAST = 0.05, 0.1  # of the set point, and [V] or [A]: a flag on the point
TRIP_SHARE, TRIP_LEAST = 0.35, 0.5  # beyond that nothing explains it but somebody's hand
LONG_AFTER_S, LONG_SHARE, LONG_LEAST = 10.0, 0.10, 0.5
"""A set point that has stood so long [s] is held this close, in the same units: no supply takes
longer to come down, and no box that is whole drifts that far (common practice, no source)."""
MODES = ("CC", "CR", "CV", "CP")
LEAST_OUTPUT_V = 2.0
"""Below this a load may not hold its current, whatever it says [V]; more it never draws."""
SOMEBODY = "somebody or something else has changed it"


class Told(Protocol):
    """What the boxes were told last, and when."""

    line_set_v: float
    line_may_sag: bool
    iout_set_a: float
    supply_is_on: bool
    load_is_on: bool
    changed_s: float

    @property
    def load_mode(self) -> str:
        """The mode the load was told to be in."""
        ...


def upset(
    told: Told, supply: SupplyReading, load: LoadReading | None, t_s: float
) -> Tripped | None:
    """Why the bench is no longer as it was set, or None. `t_s` is the reading's time [s]."""
    if told.load_is_on and load is not None and load.mode == "OFF":
        return Tripped("load input", "off", "on", "it went off without being told")
    untold = _on_untold(told, supply, load)
    if untold and t_s - told.changed_s >= OFF_AFTER_S:
        return Tripped(untold, "on", "off", SOMEBODY)
    if t_s - told.changed_s < STANDS_AFTER_S:
        return None
    if told.load_is_on and load is not None and load.mode in {*MODES} - {told.load_mode}:
        return Tripped("load mode", load.mode, told.load_mode, SOMEBODY)
    is_long = t_s - told.changed_s >= LONG_AFTER_S
    away = (LONG_SHARE, LONG_LEAST) if is_long else (TRIP_SHARE, TRIP_LEAST)
    if _line_is_off(told, supply, *away):
        return Tripped("supply voltage", supply.v_v, told.line_set_v, SOMEBODY)
    if _load_is_off(told, load, *away):
        return Tripped("load current", load.i_a if load else 0.0, told.iout_set_a, SOMEBODY)
    return None


def _on_untold(told: Told, supply: SupplyReading, load: LoadReading | None) -> str:
    """What is on that was told to be off, if anything."""
    if supply.output_on and not told.supply_is_on:
        return "supply output"
    return "load input" if load is not None and load.input_on and not told.load_is_on else ""


def moved(told: Told, supply: SupplyReading, load: LoadReading | None) -> set[str]:
    """Flags for a point that was not taken quite where it was set."""
    flags = set()
    if _line_is_off(told, supply, FLAG_SHARE, FLAG_LEAST):
        flags.add("LINE_MOVED")
    if _load_is_off(told, load, FLAG_SHARE, FLAG_LEAST):
        flags.add("LOAD_MOVED")
    return flags


def _line_is_off(told: Told, supply: SupplyReading, share: float, least_v: float) -> bool:
    """In voltage regulation only: in current limit the line is where the module pulls it.

    Held at a low limit it is pulled down and let go again and again, and no mode tells of it.
    """
    more_v = supply.v_v - told.line_set_v
    away_v = more_v if told.line_may_sag else abs(more_v)
    return told.supply_is_on and supply.mode == "CV" and away_v > share * told.line_set_v + least_v


def _load_is_off(told: Told, load: LoadReading | None, share: float, least_a: float) -> bool:
    """While it says that it regulates: a load below its least voltage says UNREGULATED."""
    if load is None or not told.load_is_on or load.mode != "CC":
        return False
    more_a = load.i_a - told.iout_set_a
    away_a = more_a if load.v_v < LEAST_OUTPUT_V else abs(more_a)
    return away_a > share * told.iout_set_a + least_a
