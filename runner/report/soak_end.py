"""What a soak that was ended by prediction says of the point read after it.

Called while the journal is gone through. The point keeps its readings; what is derived from the
predicted end is told apart by its flag.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from runner.analysis.holding import Ahead
from runner.steps import Point

PREDICTED_END = "PREDICTED_END"
"""Flag of a soaked point that was read before its end, and of a table that rests on such."""


def ahead_of(point: Point, quantity: str, soaked: Mapping[str, Any]) -> Ahead | None:
    """What leads from a soaked point to the end of its soak; None where it was waited out.

    `quantity` is what was soaked, `soaked` the values of the outcome, of any version.
    """
    if point.kind != "soaked" or soaked.get("end_rise_k") is None:
        return None
    ends = {
        "case_temp_c": (soaked.get("end_case_rise_k"), soaked.get("end_case_u_k")),
        "capacitor_temp_c": (soaked.get("end_capacitor_rise_k"), soaked.get("end_capacitor_u_k")),
        quantity: (soaked["end_rise_k"], soaked["end_u_k"]),
    }
    left_k, u_k = dict[str, float](), dict[str, float]()
    for spot, (rise_k, doubt_k) in ends.items():
        temp_c, air_c = getattr(point, spot), point.ambient_temp_c
        if rise_k is not None and temp_c is not None and air_c is not None:
            left_k[spot], u_k[spot] = rise_k - (temp_c - air_c), doubt_k
    return Ahead(left_k, u_k, soaked.get("end_loss_ratio", 1.0))


def flagged(point: Point, ahead: Ahead | None) -> Point:
    """The point, flagged where its soak was ended by prediction."""
    if ahead is None:
        return point
    return replace(point, flags=tuple(sorted({*point.flags, PREDICTED_END})))
