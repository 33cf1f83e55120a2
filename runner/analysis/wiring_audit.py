"""From a few points at low power to what is wrong with the wiring.

`audit` judges the points of a bench that is up, `first_power` one that did not come up.
Pure; `runner/audit.py` takes the points. What it cannot see: a supply that reads its own
terminals and has no meter beside it does not notice that its sense wires are off.
"""

from __future__ import annotations

from dataclasses import replace

from runner.analysis.ammeter_checks import (
    ammeters_swapped,
    current_offset,
    load_cannot_sink,
    load_off_set,
    power_balance,
    supply_limit,
    wrong_range,
)
from runner.analysis.wiring_checks import (
    line_sense,
    load_sense,
    no_output,
    output_off_set,
    polarity,
    thermometers,
    voltmeters_swapped,
)
from runner.analysis.wiring_facts import AuditPoint, Error, Facts, Finding, Zero

__all__ = ["AuditPoint", "Error", "Facts", "Finding", "Zero", "audit", "first_power"]

GROSS = (polarity, voltmeters_swapped, no_output)
"""Each of these makes all else meaningless."""
CURRENTS = (ammeters_swapped, load_cannot_sink, wrong_range, load_off_set)
"""The first of these that is found explains what the later ones would say."""
OTHERS = (output_off_set, supply_limit, load_sense, line_sense, thermometers)

COLLAPSED = 0.2
"""A line below this share of what is set, with the supply at its limit, has a short on it."""


def audit(points: tuple[AuditPoint, ...], zero: Zero, facts: Facts) -> tuple[Finding, ...]:
    """Everything found wrong, the gravest kinds first; the first point is without load.

    `zero` is what a tare gave; without one for the output, the point without load is it.
    """
    if not points:
        return ()
    if zero.iout_a is None:
        zero = replace(zero, iout_a=points[0].iout_a)
    clean = tuple(_zeroed(point, zero) for point in points)
    found = [finding for check in GROSS if (finding := check(clean, facts))]
    if found:
        return tuple(found)
    currents = next((f for check in CURRENTS if (f := check(clean, facts))), None)
    is_scaled = currents is not None and currents.name == "wrong-range"  # its zero is scaled too
    offset = None if is_scaled else current_offset(clean, zero, facts)
    balance = power_balance(clean, facts) if currents is None else None
    others = (check(clean, facts) for check in OTHERS)
    return tuple(f for f in (currents, balance, offset, *others) if f is not None)


def _zeroed(point: AuditPoint, zero: Zero) -> AuditPoint:
    return replace(
        point, iin_a=point.iin_a - (zero.iin_a or 0.0), iout_a=point.iout_a - (zero.iout_a or 0.0)
    )


def first_power(point: AuditPoint, vout_set_v: float) -> Finding | None:
    """What keeps a line from coming up, judged by the last reading; None without a clue."""
    facts = Facts(point.line_set_v, vout_set_v, 0.0, 1.0, 1.0, 1.0)
    found = polarity((point,), facts) or voltmeters_swapped((point,), facts)
    if found is not None:
        return found
    if point.supply_mode != "CC" or abs(point.vin_v) > COLLAPSED * point.line_set_v:
        return None
    return Finding(
        "polarity",
        "stop",
        f"the line stays at {point.vin_v:.2f} V with {point.iin_a:.2f} A flowing",
        "a module that is clipped on the wrong way round conducts so through its diodes, and "
        "is destroyed by more; a shorted one looks the same",
        "Turn round the supply's leads; if they are right, measure the module's input with "
        "an ohmmeter",
    )
