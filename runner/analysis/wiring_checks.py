"""Voltages, leads and thermometers of a wiring audit: one check a function, pure.

Each takes the points in the order they were taken (the first without load) and the facts,
and gives a finding or None. Called by `wiring_audit.py`. Thresholds are common practice,
no source, unless they follow from the stated accuracies.
"""

from __future__ import annotations

from runner.analysis.wiring_facts import AuditPoint, Facts, Finding, likely_efficiency

Points = tuple[AuditPoint, ...]

NEAR = 0.10
"""How near a voltage must be to another one to be taken for it, of that one."""
APART = 0.25
"""How far line and output must be apart for an exchange of the two to show."""
ENOUGH = 0.2
"""Share of rated load from which the line's current and the efficiency tell of rated load."""
OF_LEADS = 0.7
"""An apparent resistance above this share of the known leads may well be the leads."""
OWN_REGULATION = 0.005
"""Load regulation that any good module may have, of the output at rated load."""
POOR_REGULATION = 0.01
"""Load regulation that asks for a look at the leads where their resistance is not known."""
LIGHT = 0.05
"""Below this share of rated load a module may skip pulses: no resistance is seen there."""
CHANGES = 0.1
"""Share of a box's limit of error that does not cancel between two readings of one range."""
LEAST_LOSS_W = 0.3
"""Heat below which thermometers tell nothing [W]."""
STILL_K, STILL_LOSS_W = 0.2, 0.5


# --------------------------------------------------------------------------- voltages


def polarity(points: Points, facts: Facts) -> Finding | None:
    """A line or an output that reads negative."""
    for point in points:
        if point.vin_v < -NEAR * point.line_set_v:
            return Finding(
                "polarity",
                "stop",
                f"the line reads {point.vin_v:.2f} V, set is {point.line_set_v:g} V",
                "a reversed line destroys modules, and no power can be formed",
                "Turn round the supply's leads, or those of the meter in the role vin",
            )
        if point.vout_v < -NEAR * facts.vout_set_v:
            return Finding(
                "polarity",
                "stop",
                f"the output reads {point.vout_v:.2f} V, it is set to {facts.vout_set_v:g} V",
                "no output power can be formed, and a reversed load may short the output",
                "Turn round the load's leads, or those of the meter in the role vout",
            )
    return None


def voltmeters_swapped(points: Points, facts: Facts) -> Finding | None:
    """The line reads as the output should, and the output as the line."""
    for point in points:
        line_v, out_v = point.line_set_v, facts.vout_set_v
        apart = abs(line_v - out_v) > APART * min(line_v, out_v)
        if apart and _is(point.vin_v, out_v) and _is(point.vout_v, line_v):
            share = (out_v / line_v) ** 2
            return Finding(
                "voltmeters-swapped",
                "stop",
                f"the line reads {point.vin_v:.2f} V (set {line_v:g} V) and the output "
                f"{point.vout_v:.2f} V (set {out_v:g} V): each as the other should",
                f"every efficiency would be 1/{share:.2g} times the true one, and the limits "
                "watch the wrong side",
                "Exchange the meters in the roles vin and vout, on the bench or in the file; if "
                "they are right, line and output are shorted together",
            )
    return None


def _is(value: float, wanted: float) -> bool:
    return abs(value - wanted) <= NEAR * wanted


def no_output(points: Points, facts: Facts) -> Finding | None:
    """A line that stands and an output that does not."""
    point = points[0]
    if not _is(point.vin_v, point.line_set_v) or abs(point.vout_v) > NEAR * facts.vout_set_v:
        return None
    return Finding(
        "no-output",
        "stop",
        f"the line reads {point.vin_v:.2f} V, the output {point.vout_v:.3f} V, and "
        f"{1e3 * point.iin_a:.1f} mA flow in",
        "there is nothing to measure",
        "Look for a line reversed behind its protection (polarity), an open fuse, a lead that "
        "is off, an enable pin, or a dead module",
    )


def output_off_set(points: Points, facts: Facts) -> Finding | None:
    """An output that is not at its set voltage, without load already."""
    vout_v, set_v = points[0].vout_v, facts.vout_set_v
    off_v = vout_v - set_v
    if abs(off_v) <= facts.vout_tolerance * set_v + facts.limit("vout_v", vout_v):
        return None
    found, off = likely_efficiency(points), off_v / set_v
    return Finding(
        "output-off-set",
        "stop" if abs(off) > NEAR else "warn",
        f"the output reads {vout_v:.3f} V without load, {100 * off:+.1f} % from its "
        f"{set_v:g} V; allowed are {100 * facts.vout_tolerance:g} % and the meter's error",
        "efficiency grows with the output voltage, claims hold for the set one",
        "Set the output, correct vout_set_v in the module file, or look which meter is vout",
        100.0 * found * (1.0 - found) * off,
    )


# ------------------------------------------------------------------------------ leads


def load_sense(points: Points, facts: Facts) -> Finding | None:
    """An apparent output resistance that may be leads."""
    loaded = [point for point in points if point.iout_set_a >= LIGHT * facts.iout_rated_a]
    if len(loaded) < 2:
        return None
    light, heavy = loaded[0], loaded[1]
    step_a = heavy.iout_a - light.iout_a
    if step_a <= LIGHT * facts.iout_rated_a:
        return None
    apparent_ohm = (light.vout_v - heavy.vout_v) / step_a
    doubt_ohm = _change_limit(light, heavy, "vout_v", facts) / step_a
    unit_ohm, lead_ohm = facts.vout_set_v / facts.iout_rated_a, facts.output_lead_ohm
    most_ohm = POOR_REGULATION * unit_ohm
    if facts.vout_sensed and lead_ohm is not None:
        most_ohm = max(OWN_REGULATION * unit_ohm, OF_LEADS * lead_ohm)
    if apparent_ohm - doubt_ohm <= most_ohm:
        return None
    drop_v = apparent_ohm * facts.iout_rated_a
    leads = "" if lead_ohm is None else f"; the load's leads have {1e3 * lead_ohm:.0f} mohm"
    return Finding(
        "load-sense",
        "warn",
        f"the output falls by {1e3 * apparent_ohm:.0f} ± {1e3 * doubt_ohm:.0f} mohm between "
        f"{light.iout_a:.2f} and {heavy.iout_a:.2f} A{leads}",
        f"if that is leads and not the module, {1e3 * drop_v:.0f} mV at rated load count as loss "
        "and as load regulation",
        "See that the sense wires reach the module's own terminals; if they do, it is the module"
        if facts.vout_sensed
        else "Wire the sense terminals, put a meter in roles.vout, or measure lead_resistance_ohm",
        -100.0 * likely_efficiency(points) * drop_v / facts.vout_set_v,
    )


def line_sense(points: Points, facts: Facts) -> Finding | None:
    """A line that falls with its current although it is said to be sensed at the module."""
    idle, heavy = points[0], points[-1]
    step_a = heavy.iin_a - idle.iin_a
    if heavy.iout_set_a < ENOUGH * facts.iout_rated_a or step_a <= 0.0:
        return None
    apparent_ohm = (idle.vin_v - heavy.vin_v) / step_a
    doubt_ohm = _change_limit(idle, heavy, "vin_v", facts) / step_a
    line_v, found, lead_ohm = heavy.line_set_v, likely_efficiency(points), facts.line_lead_ohm
    rated_a = facts.vout_set_v * facts.iout_rated_a / (found * line_v)
    most_ohm = POOR_REGULATION * line_v / rated_a
    if facts.vin_sensed:
        own_ohm = OWN_REGULATION * line_v / rated_a
        most_ohm = own_ohm if lead_ohm is None else OF_LEADS * lead_ohm
    if apparent_ohm - doubt_ohm <= most_ohm:
        return None
    drop_v = apparent_ohm * rated_a
    leads = "" if lead_ohm is None else f"; the supply's leads have {1e3 * lead_ohm:.0f} mohm"
    return Finding(
        "line-sense",
        "warn",
        f"the line falls by {1e3 * apparent_ohm:.0f} ± {1e3 * doubt_ohm:.0f} mohm between "
        f"{idle.iin_a:.2f} and {heavy.iin_a:.2f} A in{leads}",
        f"at rated load the module gets {1e3 * drop_v:.0f} mV less than is set, and an input "
        "voltage taken at the supply would count it as loss",
        "See that the supply's sense wires reach the module's own terminals, and are switched on",
        -100.0 * found * drop_v / line_v,
    )


def _change_limit(one: AuditPoint, other: AuditPoint, name: str, facts: Facts) -> float:
    """How far the difference of two readings of one range may be off [V]."""
    noise = (one.u.get(name, 0.0) ** 2 + other.u.get(name, 0.0) ** 2) ** 0.5
    return CHANGES * facts.limit(name, getattr(other, name)) + 2.0 * float(noise)


# ------------------------------------------------------------------------------- heat


def thermometers(points: Points, facts: Facts) -> Finding | None:
    """A cooler place that warms more than a hotter one, or a hot spot that does not warm.

    Judged once a load was held: by then two points were taken at it.
    """
    first, last = points[0], points[-1]
    loss_w = last.pin_w - last.pout_w
    has_warmed = len(points) > 1 and points[-2].iout_set_a == last.iout_set_a > 0.0
    if not has_warmed or loss_w < LEAST_LOSS_W:
        return None
    for hot, cool, by_k in (
        ("hot_spot", "ambient", 1.0),
        ("hot_spot", "case", 1.0),
        ("hot_spot", "capacitor", 1.0),
        ("case", "ambient", 0.5),
        ("capacitor", "ambient", 0.5),
    ):
        hot_k, cool_k = _rise_k(first, last, hot), _rise_k(first, last, cool)
        if hot_k is None or cool_k is None or cool_k - hot_k <= by_k or cool_k <= by_k:
            continue
        return Finding(
            "thermometers-swapped",
            "stop" if hot == "hot_spot" else "warn",
            f"with {loss_w:.1f} W of loss the {_words(cool)} moved {cool_k:+.1f} K and the "
            f"{_words(hot)} {hot_k:+.1f} K",
            "heat goes the other way: the limits watch the wrong place and every thermal "
            "resistance is false; the efficiency is not touched",
            f"Exchange the thermometers in the roles {hot} and {cool}, on the bench or in the file",
        )
    hot_k = _rise_k(first, last, "hot_spot")
    if hot_k is None or hot_k > STILL_K or loss_w < STILL_LOSS_W:
        return None
    return Finding(
        "hot-spot-still",
        "warn",
        f"with {loss_w:.1f} W of loss the hot spot moved {hot_k:+.1f} K",
        "a probe that is off watches nothing; the efficiency is not touched",
        "See that the probe touches the hottest part, and which channel it is on",
    )


def _rise_k(first: AuditPoint, last: AuditPoint, place: str) -> float | None:
    before_c: float | None = getattr(first, f"{place}_temp_c")
    after_c: float | None = getattr(last, f"{place}_temp_c")
    return None if before_c is None or after_c is None else after_c - before_c


def _words(place: str) -> str:
    return {"ambient": "air"}.get(place, place.replace("_", " "))
