"""Currents and powers of a wiring audit: one check a function, pure.

Each takes the points in the order they were taken (the first without load), currents
free of their zero, and the facts; it gives a finding or None. Called by `wiring_audit.py`.
Thresholds are common practice, no source, unless they follow from the stated accuracies.
"""

from __future__ import annotations

import math

from runner.analysis.wiring_facts import (
    USUAL_EFFICIENCY,
    AuditPoint,
    Facts,
    Finding,
    Zero,
    likely_efficiency,
)

Points = tuple[AuditPoint, ...]

ROUNDING = 1.05
"""An offset may pass its limit by this much, for its display rounds."""
GROSS_POINTS = 5.0
"""An offset that costs this many points is more than an ammeter that was not zeroed."""
OFF_SCALE = 0.2
"""A current further than this from what is drawn is on another range or shunt, of it."""
CHANGES = 0.1
"""Share of a box's limit of error that does not cancel between two readings of one range."""
DECADE_BAND = 0.2
"""How near, in decades, an input current must be to ten times too much or too little."""
WORST_OF_LINEAR = 0.8
"""No module is poorer, what it takes without load set aside, than this share of a linear one."""
ENOUGH = 0.2
"""Share of rated load from which the efficiency tells of rated load."""


def current_offset(points: Points, zero: Zero, facts: Facts) -> Finding | None:
    """An ammeter that shows more at no current than its accuracy allows."""
    found = likely_efficiency(points)
    rated_iin_a = facts.vout_set_v * facts.iout_rated_a / (found * points[0].line_set_v)
    looked = (
        ("iin_a", "input", zero.iin_a, rated_iin_a, -1.0),
        ("iout_a", "output", zero.iout_a, facts.iout_rated_a, 1.0),
    )
    for name, side, shown_a, rated_a, sign in looked:
        if shown_a is None or abs(shown_a) <= ROUNDING * facts.limit(name, 0.0):
            continue
        effect = sign * 100.0 * found * shown_a / rated_a
        return Finding(
            "current-offset",
            "stop" if abs(effect) >= GROSS_POINTS else "warn",
            f"the {side} ammeter shows {1e3 * shown_a:+.1f} mA at no current; its accuracy "
            f"allows {1e3 * facts.limit(name, 0.0):.1f} mA",
            "it weighs most at light load, ten times this at a tenth of the load",
            "Zero it or have it seen to; a tare is taken off only within the stated accuracy",
            effect,
        )
    return None


def ammeters_swapped(points: Points, facts: Facts) -> Finding | None:
    """The input current is what the load was told to draw, the output current is not."""
    loaded = _loaded(points)
    if not loaded or not all(
        _agrees(p.iin_a, p, "iin_a", facts) and not _agrees(p.iout_a, p, "iout_a", facts)
        for p in loaded
    ):
        return None
    point = loaded[-1]
    if point.pin_w <= 0.0 or point.iout_a <= 0.0:
        return None
    read, right = point.pout_w / point.pin_w, point.vout_v * point.iin_a
    true = right / (point.vin_v * point.iout_a)
    return Finding(
        "ammeters-swapped",
        "stop",
        f"{point.iout_set_a:.3g} A are drawn; {point.iin_a:.3f} A read in and "
        f"{point.iout_a:.3f} A out",
        f"an efficiency of {100 * read:.1f} % would be read where it is {100 * true:.1f} %",
        "Exchange the meters in the roles iin and iout, on the bench or in the file",
        100.0 * (read - true),
    )


def load_cannot_sink(points: Points, facts: Facts) -> Finding | None:
    """A load that does not hold its current here, or will not at rated load."""
    for point in _loaded(points):
        if point.load_mode == "UNREGULATED":
            return Finding(
                "load-cannot-sink",
                "stop",
                f"the load says it does not hold {point.iout_set_a:.3g} A at "
                f"{point.vout_v:.2f} V; {point.iout_a:.3f} A flow",
                "no greater load can be drawn, there is no efficiency at rated load",
                "Take a load that works at this voltage, shorten its leads, or look for an "
                "open lead",
            )
    lead_v = (facts.output_lead_ohm or 0.0) * facts.iout_rated_a
    left_v = points[0].vout_v - lead_v
    if left_v >= facts.load_least_v:
        return None
    return Finding(
        "load-cannot-sink",
        "stop",
        f"at rated load {left_v:.2f} V will be left at the load, behind {lead_v:.2f} V in its "
        f"leads; it needs {facts.load_least_v:g} V",
        "there is no efficiency at rated load",
        "Take a load that works at this voltage, or thicker leads",
    )


def wrong_range(points: Points, facts: Facts) -> Finding | None:
    """A current that is out by a factor: another range, or another shunt than is stated."""
    for point in _loaded(points):
        ratio = point.iout_a / point.iout_set_a
        if not _agrees(point.iout_a, point, "iout_a", facts) and abs(ratio - 1.0) > OFF_SCALE:
            return _factor("iout", ratio, f"{point.iout_set_a:.3g} A are drawn", point.iout_a, 1)
    for point in _loaded(points)[-1:]:
        usual_a = point.pout_w / (USUAL_EFFICIENCY * point.vin_v) if point.vin_v > 0.0 else 0.0
        more_a = point.iin_a - points[0].iin_a  # what is taken without load set aside
        if usual_a <= 0.0 or more_a <= CHANGES * facts.limit("iin_a", 0.0):
            continue
        decades = math.log10(more_a / usual_a)
        if round(decades) and abs(decades - round(decades)) <= DECADE_BAND:
            about = f"about {usual_a:.3g} A more than without load go in for {point.pout_w:.2f} W"
            return _factor("iin", more_a / usual_a, about, more_a, -1)
    return None


def _factor(role: str, ratio: float, expected: str, read_a: float, sign: int) -> Finding:
    efficiency = USUAL_EFFICIENCY * (ratio if sign > 0 else 1.0 / ratio)
    return Finding(
        "wrong-range",
        "stop",
        f"{expected}; {role} reads {read_a:.4g} A, {ratio:.3g} times that",
        "every power on that side is out by this factor",
        f"Look at the range of the meter in the role {role}, at shunt_ohm and at its plugs",
        100.0 * (efficiency - USUAL_EFFICIENCY),
    )


def load_off_set(points: Points, facts: Facts) -> Finding | None:
    """An output current that is not what is drawn, by less than a factor."""
    for point in _loaded(points):
        if not _agrees(point.iout_a, point, "iout_a", facts):
            off = point.iout_a / point.iout_set_a - 1.0
            return Finding(
                "load-off-set",
                "warn",
                f"{point.iout_set_a:.4g} A are drawn, {point.iout_a:.4f} A are read",
                "setting and reading differ by more than both accuracies allow; if the reading "
                "is wrong, the output power is",
                "Compare with another meter; look at the calibration dates",
                100.0 * likely_efficiency(points) * off,
            )
    return None


def power_balance(points: Points, facts: Facts) -> Finding | None:
    """More power out than in, or less than even a linear regulator would give."""
    for point in _loaded(points):
        loss_w, doubt_w = point.pin_w - point.pout_w, _power_limit_w(point, facts)
        if loss_w < 0.0:
            return Finding(
                "efficiency-above-one",
                "stop" if loss_w < -doubt_w else "warn",
                f"{point.pin_w:.3f} W in and {point.pout_w:.3f} W out at {point.iout_a:.3f} A: a "
                f"loss of {loss_w:.3f} W, its limit of error is {doubt_w:.3f} W",
                "no module gives more than it takes",
                "Look for an ammeter that misses a part of the current, a voltmeter at the wrong "
                "place, ranges and shunts",
                100.0 * (point.pout_w / point.pin_w - 1.0) if point.pin_w > 0.0 else None,
            )
    for point in _loaded(points)[-1:]:
        linear = min(point.vout_v / point.vin_v, 1.0) if point.vin_v > 0.0 else 0.0
        more_w = point.pin_w - max(points[0].pin_w, 0.0)
        if point.pout_w + _power_limit_w(point, facts) < WORST_OF_LINEAR * linear * more_w:
            return Finding(
                "efficiency-implausible",
                "stop",
                f"{more_w:.2f} W more go in than without load, {point.pout_w:.2f} W come out at "
                f"{point.iout_a:.3f} A: {100 * point.pout_w / more_w:.0f} %; a linear regulator "
                f"would have {100 * linear:.0f} %",
                "a current may be read wrongly, or something else hangs on the line",
                "Look for another consumer behind the input ammeter, ranges and shunts",
                100.0 * (point.pout_w / more_w - USUAL_EFFICIENCY),
            )
    return None


def supply_limit(points: Points, facts: Facts) -> Finding | None:
    """A supply at its limit now, or one that will be before the greatest load."""
    for point in points:
        if point.supply_mode == "CC":
            return Finding(
                "supply-limit",
                "stop",
                f"the supply is in current limit at {point.iin_a:.3f} A and {point.vin_v:.2f} V, "
                f"with {point.iout_a:.3f} A drawn",
                "the line is not what is set, and no greater load can be drawn",
                "Look for a limit on its front panel, a short, or a supply that is too small",
            )
    if not _loaded(points) or points[-1].iout_set_a < ENOUGH * facts.iout_rated_a:
        return None
    found, vout_v = likely_efficiency(points), _loaded(points)[-1].vout_v
    need_a = vout_v * facts.iout_most_a / (found * facts.line_min_v)
    if need_a <= facts.supply_limit_a:
        return None
    reach_a = facts.iout_most_a * facts.supply_limit_a / need_a
    return Finding(
        "supply-limit",
        "stop" if reach_a < 0.5 * facts.iout_rated_a else "warn",
        f"{facts.iout_most_a:.3g} A at {facts.line_min_v:g} V need {need_a:.2f} A in at the "
        f"{100 * found:.0f} % seen; the supply gives {facts.supply_limit_a:.2f} A",
        f"that line ends at about {reach_a:.2f} A"
        + ("; rated load is not reached" if reach_a < facts.iout_rated_a else ""),
        "Raise iin_max_a and fuse_a if the wiring carries it, take a larger supply, or ask for "
        "smaller loads at that line",
    )


def _loaded(points: Points) -> tuple[AuditPoint, ...]:
    return tuple(point for point in points if point.iout_set_a > 0.0)


def _agrees(read_a: float, point: AuditPoint, name: str, facts: Facts) -> bool:
    """Whether a reading is what the load was told, within the limits of error of both."""
    drawn_a = facts.drawn.limit(point.iout_set_a)
    allowed_a = drawn_a + facts.limit(name, point.iout_set_a) + 3.0 * point.u.get(name, 0.0)
    return abs(read_a - point.iout_set_a) <= allowed_a


def _power_limit_w(point: AuditPoint, facts: Facts) -> float:
    """The greatest error of the loss [W]: all four limits at once."""
    return sum(
        abs(factor) * facts.limit(name, getattr(point, name))
        for name, factor in (
            ("vin_v", point.iin_a),
            ("iin_a", point.vin_v),
            ("vout_v", point.iout_a),
            ("iout_a", point.vout_v),
        )
    )
