"""Claims on the output voltage and on the current without a load.

Judged on fast points where there are any, so that heating is not taken for regulation. In a
difference the gain and offset of the voltmeter cancel. Called by `claims`; pure.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import combinations

from runner.analysis.claim_parts import ELECTRICAL_FIRST, Case, Claim, Part, claimed, part
from runner.analysis.decision import Tolerance
from runner.analysis.holding import Kind
from runner.analysis.judged_points import (
    SAME_LOAD,
    At,
    Found,
    Missing,
    by_line,
    first_kind,
    of_line,
    value_at,
)
from runner.analysis.uncertainty import Uncertain

LIGHT_LOAD = 0.1
"""Of rated, where a load regulation does not state from where (common practice, no source)."""


def load_regulation(claim: Claim, case: Case) -> Iterator[Part]:
    """The output's change from the lesser to the greater load, either way."""
    where, notes = claimed(claim, case, 0.0)
    from_a, to_a = claim.get("iout_from_a"), claim.get("iout_to_a")
    if from_a is None:
        from_a = LIGHT_LOAD * case.rated_a
        notes += (f"least load not stated: {from_a:g} A",)
    if to_a is None:
        to_a = case.rated_a
        notes += (f"greatest load not stated: {to_a:g} A",)
    ends = [replace(where, load_a=load_a) for load_a in (from_a, to_a)]
    found = first_kind(
        ELECTRICAL_FIRST,
        lambda kind: _change(
            case, [value_at(case.evidence, "vout_v", kind, one) for one in ends], claim
        ),
    )
    most = claim["regulation_max_pct"]
    whole = part("load regulation", "%", Tolerance(-most, most), where, found, notes, 100.0)
    conditions = whole.conditions.replace(f"{where.load_a:g} A", f"{from_a:g} to {to_a:g} A", 1)
    yield replace(whole, conditions=conditions, notes=(*whole.notes, _of(claim)))


def _change(case: Case, ends: Sequence[Found | Missing], claim: Claim) -> Found | Missing:
    """Light less full load, over the denominator that the claim names."""
    light, full = ends
    if isinstance(light, Missing):
        return light
    if isinstance(full, Missing):
        return full
    nominal = claim["denominator"] == "vout-nominal"
    below: Uncertain | float = case.vout_set_v if nominal else full.value
    return _joined(light, full, (light.value - full.value) / below, "loads")


def line_regulation(claim: Claim, case: Case) -> Iterator[Part]:
    """The greatest change of the output between any two lines from the one to the other."""
    where, notes = claimed(claim, case, 0.5 * case.rated_a)
    from_v, to_v = claim.get("vin_from_v"), claim.get("vin_to_v")
    if from_v is None:
        from_v = case.module["line_min_v"]
        notes += (f"least line not stated: {from_v:g} V",)
    if to_v is None:
        to_v = case.module["line_max_v"]
        notes += (f"greatest line not stated: {to_v:g} V",)
    notes = tuple(note for note in notes if not note.startswith("line not stated"))
    found = first_kind(
        ELECTRICAL_FIRST, lambda kind: _over_lines(case, claim, kind, where, (from_v, to_v))
    )
    most = claim["regulation_max_pct"]
    whole = part("line regulation", "%", Tolerance(-most, most), where, found, notes, 100.0)
    conditions = whole.conditions.replace(f"{where.line_v:g} V", f"{from_v:g} to {to_v:g} V", 1)
    yield replace(whole, conditions=conditions, notes=(*whole.notes, _of(claim)))


def _over_lines(
    case: Case, claim: Claim, kind: Kind, where: At, span_v: tuple[float, float]
) -> Found | Missing:
    low_v, high_v = span_v
    tested = by_line(case.evidence.of_kind(kind, "vout_v"))
    lines_v = [low_v, *(line_v for line_v in tested if low_v < line_v < high_v), high_v]
    looked = [
        value_at(case.evidence, "vout_v", kind, replace(where, line_v=line_v)) for line_v in lines_v
    ]
    found = [one for one in looked if isinstance(one, Found)]
    for end in (looked[0], looked[-1]):
        if isinstance(end, Missing):
            return end
    below: Uncertain | float = case.vout_set_v
    if claim["denominator"] == "vout-at-nominal-line":
        nominal = value_at(
            case.evidence, "vout_v", kind, replace(where, line_v=case.module["line_nominal_v"])
        )
        if isinstance(nominal, Missing):
            return nominal
        below = nominal.value
    low, high = max(combinations(found, 2), key=lambda pair: _apart(*pair))
    return _joined(low, high, (high.value - low.value) / below, "lines")


def output_accuracy(claim: Claim, case: Case) -> Iterator[Part]:
    """Within its tolerance of the set voltage; at every load measured where none is stated."""
    where, notes = claimed(claim, case, 0.0)
    most = claim["vout_tolerance_pct"]
    loads_a = [claim["iout_a"]] if claim.get("iout_a") is not None else _loads_a(case, where)
    if claim.get("iout_a") is None:
        notes += ("load not stated: every load measured, up to rated",)
    for load_a in loads_a:
        place = replace(where, load_a=load_a)
        found = first_kind(
            ELECTRICAL_FIRST,
            lambda kind, place=place: deviation(case, kind, place),  # type: ignore[misc]
        )
        yield part("output deviation", "%", Tolerance(-most, most), place, found, notes, 100.0)


def deviation(case: Case, kind: Kind, where: At) -> Found | Missing:
    """How far the output is from its set voltage, of that."""
    found = value_at(case.evidence, "vout_v", kind, where)
    if isinstance(found, Missing):
        return found
    return replace(found, value=found.value / case.vout_set_v - 1.0)


def no_load_current(claim: Claim, case: Case) -> Iterator[Part]:
    """What it draws from the line without a load [mA]."""
    where, notes = claimed(claim, case, 0.0)
    found = first_kind(ELECTRICAL_FIRST, lambda kind: value_at(case.evidence, "iin_a", kind, where))
    if "iin_a" in case.evidence.sources and case.evidence.sources["iin_a"] == "measured":
        notes += ("no tare was taken: the ammeter's offset is in it",)
    tolerance = Tolerance(most=1e3 * claim["iin_max_a"])
    yield part("no-load current", "mA", tolerance, where, found, notes, 1e3)


def _loads_a(case: Case, where: At) -> list[float]:
    """Every load of the line that the first kind with any points was measured at, up to rated."""
    most_a = case.rated_a * (1.0 + SAME_LOAD)
    for kind in ELECTRICAL_FIRST:
        points = of_line(case.evidence.of_kind(kind, "vout_v"), where.line_v)
        loads_a = {one.point.iout_set_a for one in points}
        loads_a = {load_a for load_a in loads_a if load_a <= most_a}
        if loads_a:
            return sorted(loads_a)
    return [case.rated_a]


def _apart(one: Found, other: Found) -> float:
    return abs(one.value.value - other.value.value)


def _joined(one: Found, other: Found, value: Uncertain, ends: str) -> Found | Missing:
    """The change between two ends, which must not be one and the same measurement."""
    if not one.interpolated and not other.interpolated and set(one.points) == set(other.points):
        return Missing(
            "not-comparable",
            f"both {ends} are the same point here, nearer to each other than points are told "
            f"apart: measure at both {ends}",
        )
    points = tuple(dict.fromkeys((*one.points, *other.points)))
    interpolated = one.interpolated or other.interpolated
    return replace(one, value=value, points=points, interpolated=interpolated)


def _of(claim: Claim) -> str:
    return f"of {claim['denominator'].replace('-', ' ')}"
