"""What the measured points say at the conditions of a claim: line, load and ambient.

Interpolates between points that bracket the conditions and refuses the rest with a reason. Fast
and soaked points are never mixed. What rests on an assumed or derived reading decides nothing.
Called by the judging of claims; pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Literal

from runner.analysis.drift import GROWTH_PER_K
from runner.analysis.holding import Kind, LoadPoint, OutputLimits, is_sound
from runner.analysis.interpolation import ROOT_3, Node, at
from runner.analysis.uncertainty import Source, Uncertain

SAME_LINE = 0.01
"""A line this near to the claim's is that line (10 CFR 430 Subpart B Appendix Z: 1 %)."""
SAME_LOAD = 0.02
"""A load this near, of the rated current, is that load (Appendix Z: 2 %, from memory)."""
SAME_AMBIENT_K = 2.5
"""An ambient this near is that ambient, with a doubt of its own for losses and heat."""
APART_K = 5.0
"""Points whose air differs by more were taken at two ambients."""
USUAL_AMBIENT_C = 25.0
"""Where a claim states no ambient (IEC 61204: stated at 25 °C unless said otherwise)."""

DECIDES = frozenset({"measured", "corrected"})
"""Where a reading may come from that a verdict rests on."""
ELECTRICAL = ("vin_v", "iin_a", "vout_v", "iout_a")
SETTLED = ("vout_v", "iout_a")
RESTS_ON: dict[str, tuple[str, ...]] = {
    "ploss_w": ELECTRICAL,
    "vout_v": SETTLED,
    "iin_a": ("iin_a",),
    "hot_spot_rise_k": ("iout_a",),
    "case_rise_k": ("iout_a",),
    "capacitor_rise_k": ("iout_a",),
}
"""The readings whose source counts, by quantity; temperatures are always measured."""
READ_FROM = {
    "ploss_w": ELECTRICAL,
    "vout_v": SETTLED,
    "iin_a": ("iin_a", "iout_a"),
    "hot_spot_rise_k": ("iout_a", "hot_spot_temp_c", "ambient_temp_c"),
    "case_rise_k": ("iout_a", "case_temp_c", "ambient_temp_c"),
    "capacitor_rise_k": ("iout_a", "capacitor_temp_c", "ambient_temp_c"),
}
"""The readings whose uncertainty a quantity needs."""
GROWS = frozenset({"ploss_w", "hot_spot_rise_k", "case_rise_k", "capacitor_rise_k"})
"""Quantities that grow with the temperature of the air."""


@dataclass(frozen=True, slots=True)
class JudgedPoint:
    """A point as claims are judged on: `values` holds what is measured with its uncertainty.

    Besides the readings [V], [A], [°C] it holds `ploss_w` and, settled, `hot_spot_rise_k` and
    `case_rise_k`. `settling_k` is what its soak still moved [K]. A reference point, or one on the
    way down again, is not `on_curve`.
    """

    number: int
    point: LoadPoint
    values: Mapping[str, Uncertain]
    settling_k: float = 0.0
    on_curve: bool = True


@dataclass(frozen=True, slots=True)
class Evidence:
    """All points of a run, where their readings come from, and why some have no uncertainty."""

    points: tuple[JudgedPoint, ...]
    sources: Mapping[str, str]
    unknown: Mapping[str, str]
    output: OutputLimits
    iout_rated_a: float

    def of_kind(self, kind: Kind, name: str) -> list[JudgedPoint]:
        """The points of a kind that may be judged for a quantity."""
        return [
            one
            for one in self.points
            if one.on_curve
            and one.point.kind == kind
            and name in one.values
            and self._counts(one.point, name)
        ]

    def _counts(self, point: LoadPoint, name: str) -> bool:
        held = point.settled and point.fed and point.holds
        return held and (name in SETTLED or is_sound(point, self.output))


@dataclass(frozen=True, slots=True)
class At:
    """Conditions: line [V], load [A], ambient [°C] or None where the claim states none."""

    line_v: float
    load_a: float
    ambient_c: float | None


@dataclass(frozen=True, slots=True)
class Found:
    """A value at the conditions, the points it rests on, their air [°C], and remarks."""

    value: Uncertain
    kind: Kind
    points: tuple[int, ...]
    ambient_c: float | None
    interpolated: bool = False


@dataclass(frozen=True, slots=True)
class Missing:
    """Why a quantity has no value at the conditions."""

    verdict: Literal["not-comparable", "not-tested", "inconclusive"]
    reason: str


WORSE = ("inconclusive", "not-comparable", "not-tested")
"""Of several reasons the first of these is told: it says most."""


def first_kind(kinds: Iterable[Kind], look: Callable[[Kind], Found | Missing]) -> Found | Missing:
    """What the first kind of points shows that shows anything; else the reason that says most."""
    reasons = []
    for kind in kinds:
        found = look(kind)
        if isinstance(found, Found):
            return found
        reasons.append(found)
    return min(reasons, key=lambda missing: WORSE.index(missing.verdict))


# ------------------------------------------------------------------- one quantity, one place


def value_at(evidence: Evidence, name: str, kind: Kind, where: At) -> Found | Missing:
    """A quantity at a line, load and ambient, from points of one kind."""
    refused = refusal(evidence, name)
    if refused is not None:
        return refused
    points = evidence.of_kind(kind, name)
    if not points:
        return Missing("not-tested", f"no {kind} point has it")
    airs = by_ambient(points)
    if where.ambient_c is None:
        airs = [min(airs, key=_from_usual)]
    label = f"{name} at {where.line_v:g} V, {where.load_a:g} A, {kind}"
    nodes = [node for air in airs if (node := _in_one_air(evidence, air, name, where, label))]
    if not nodes:
        return Missing("not-comparable", _outside(points, where, kind))
    if where.ambient_c is None:
        air_c = nodes[0].x.value if airs[0].temp_c is not None else None
        return Found(nodes[0].y, kind, nodes[0].points, air_c, nodes[0].interpolated)
    if any(air.temp_c is None for air in airs):
        return Missing("not-comparable", "no thermometer told the ambient")
    node = at(nodes, where.ambient_c, SAME_AMBIENT_K, f"{label} between ambients")
    if node is None:
        seen = ", ".join(f"{node.x.value:.1f}" for node in nodes)
        return Missing(
            "not-comparable",
            f"claimed at {where.ambient_c:g} °C, {kind} points were taken at {seen} °C",
        )
    doubt = _ambient_doubt(name, node, nodes, where.ambient_c)
    return Found(node.y + doubt, kind, node.points, where.ambient_c, node.interpolated)


def refusal(evidence: Evidence, name: str) -> Missing | None:
    """Why no point of a run may decide about a quantity; None where they may."""
    for reading in RESTS_ON[name]:
        source = evidence.sources.get(reading, "measured")
        if source == "uncorrected":
            return Missing(
                "not-comparable",
                f"{reading} is uncorrected: leads of unknown resistance are in it; sense at the "
                "module, or write lead_resistance_ohm into the bench file",
            )
        if source not in DECIDES:
            return Missing("not-comparable", f"{reading} is {source}, which decides nothing")
    if name == "ploss_w" and (gains := gaining(evidence.points)):
        return Missing("inconclusive", gains)
    for reading in READ_FROM[name]:
        if reading in evidence.unknown:
            why = evidence.unknown[reading]
            return Missing("inconclusive", f"the uncertainty of {reading} is not known: {why}")
    return None


GAINS_BY_U = 2.0
"""A module that gives out more than it takes in, by so many U, was measured wrongly."""


def gaining(points: Iterable[JudgedPoint]) -> str:
    """In words, that points show more power out than in, beyond doubt; empty where none does.

    Then a meter, a wire or a stated accuracy is wrong, and no loss or efficiency of the run holds.
    """
    losses = ((one.number, one.values.get("ploss_w")) for one in points)
    return gaining_losses((number, loss) for number, loss in losses if loss is not None)


def gaining_losses(losses: Iterable[tuple[int, Uncertain]]) -> str:
    """The same of the losses [W] of points by their numbers."""
    found = [
        number
        for number, loss in losses
        if loss.value < 0.0 and loss.value < -GAINS_BY_U * loss.expanded(shapes=True).expanded_u
    ]
    if not found:
        return ""
    shown = ", ".join(map(str, found[:3])) + (", ..." if len(found) > 3 else "")
    count = "1 point" if len(found) == 1 else f"{len(found)} points"
    return (
        f"more power out than in, beyond its uncertainty, at {count} ({shown}): a meter, a wire "
        "or a stated accuracy is wrong"
    )


def efficiency_at(evidence: Evidence, kind: Kind, where: At) -> Found | Missing:
    """The efficiency (0..1) at a line, load and ambient, from loss and output there.

    Loss and output bend less between two loads than their ratio does.
    """
    loss = value_at(evidence, "ploss_w", kind, where)
    vout = value_at(evidence, "vout_v", kind, where)
    if isinstance(loss, Missing):
        return loss
    if isinstance(vout, Missing):
        return vout
    pout = vout.value * where.load_a
    points = tuple(dict.fromkeys((*loss.points, *vout.points)))
    return Found(pout / (pout + loss.value), kind, points, loss.ambient_c, loss.interpolated)


def efficiency_of(point: JudgedPoint) -> Uncertain:
    """The efficiency (0..1) of a point itself."""
    pout = point.values["vout_v"] * point.values["iout_a"]
    return pout / (pout + point.values["ploss_w"])


# ------------------------------------------------------------------------------ ambients


@dataclass(frozen=True, slots=True)
class Air:
    """Points taken in the same air; None without a thermometer."""

    temp_c: float | None
    points: list[JudgedPoint] = field(default_factory=list)


def by_ambient(points: Iterable[JudgedPoint]) -> list[Air]:
    """The points by their ambient, coldest first; a gap above 5 K divides them."""
    known = [one for one in points if "ambient_temp_c" in one.values]
    if not known:
        return [Air(None, list(points))]
    known.sort(key=_air_c)
    groups = [[known[0]]]
    for before, this in pairwise(known):
        if _air_c(this) - _air_c(before) > APART_K:
            groups.append([])
        groups[-1].append(this)
    return [Air(sum(map(_air_c, some)) / len(some), some) for some in groups]


def _air_c(point: JudgedPoint) -> float:
    return point.values["ambient_temp_c"].value


def _from_usual(air: Air) -> float:
    return 0.0 if air.temp_c is None else abs(air.temp_c - USUAL_AMBIENT_C)


def _ambient_doubt(
    name: str, node: Node, nodes: Sequence[Node], ambient_c: float
) -> Uncertain | float:
    """At one ambient alone, a little off: losses grow by 0 to 0.6 %/K, rectangular."""
    if name not in GROWS or len(nodes) > 1:
        return 0.0
    most = 2.0 * GROWTH_PER_K * abs(ambient_c - nodes[0].x.value) * abs(node.y.value)
    source = Source("growth with the ambient that differs from the claim's", "module")
    return Uncertain(0.0, {source: most / ROOT_3})


def _load_doubt(name: str, nodes: Sequence[Node], load_a: float) -> Uncertain | float:
    """At one load alone, a little off: losses and heat grow with its square at most."""
    off_a = abs(load_a - nodes[0].x.value)
    if name not in GROWS or len(nodes) > 1 or off_a == 0.0:
        return 0.0
    share = min(1.0, off_a / max(abs(nodes[0].x.value), abs(load_a)))
    source = Source("growth with the load that differs from the claim's", "module")
    return Uncertain(0.0, {source: 2.0 * share * abs(nodes[0].y.value) / ROOT_3})


# ----------------------------------------------------------------------- lines and loads


def _in_one_air(evidence: Evidence, air: Air, name: str, where: At, label: str) -> Node | None:
    """The quantity at line and load in one air, as a node over the ambient."""
    nodes = []
    for line in by_line(air.points).values():
        loads = curve(line, name)
        node = at(loads, where.load_a, SAME_LOAD * evidence.iout_rated_a, label)
        if node is not None:
            y = node.y + _load_doubt(name, loads, where.load_a)
            nodes.append(Node(Uncertain(line[0].point.line_v), y, node.points, node.interpolated))
    node = at(nodes, where.line_v, SAME_LINE * where.line_v, f"{label} between lines")
    if node is None:
        return None
    used = [one for one in air.points if one.number in node.points]
    mean = _mean([one.values["ambient_temp_c"] for one in used if "ambient_temp_c" in one.values])
    return Node(mean, node.y, node.points, node.interpolated)


def by_line(points: Iterable[JudgedPoint]) -> dict[float, list[JudgedPoint]]:
    """The points by the line set [V], rising."""
    lines: dict[float, list[JudgedPoint]] = {}
    for one in points:
        lines.setdefault(one.point.line_v, []).append(one)
    return dict(sorted(lines.items()))


def of_line(points: Sequence[JudgedPoint], line_v: float) -> list[JudgedPoint]:
    """The points at a line [V], as far as that is told apart; else those of the lines around it."""
    lines_v = list(by_line(points))
    near = [one_v for one_v in lines_v if abs(one_v - line_v) <= SAME_LINE * line_v]
    if not near and lines_v and lines_v[0] < line_v < lines_v[-1]:
        near = [max(v for v in lines_v if v < line_v), min(v for v in lines_v if v > line_v)]
    return [one for one in points if one.point.line_v in near]


def curve(points: Iterable[JudgedPoint], name: str) -> list[Node]:
    """A quantity over the load, repeats of one load averaged."""
    loads: dict[float, list[JudgedPoint]] = {}
    for one in points:
        loads.setdefault(round(one.point.iout_set_a, 6), []).append(one)
    return [
        Node(
            _mean([one.values["iout_a"] for one in some]),
            _mean([one.values[name] for one in some]),
            tuple(one.number for one in some),
        )
        for _, some in sorted(loads.items())
    ]


def _mean(values: Sequence[Uncertain]) -> Uncertain:
    if not values:
        return Uncertain(0.0)
    total = values[0]
    for value in values[1:]:
        total = total + value
    return total / float(len(values)) if len(values) > 1 else total


def _outside(points: Sequence[JudgedPoint], where: At, kind: Kind) -> str:
    """In words, what was measured instead of the line and load of a claim."""
    lines = by_line(points)
    near = [v for v in lines if abs(v - where.line_v) <= SAME_LINE * where.line_v]
    if not near and not min(lines) <= where.line_v <= max(lines):
        seen = ", ".join(f"{line_v:g}" for line_v in lines)
        return f"claimed at a line of {where.line_v:g} V, {kind} points were taken at {seen} V"
    loads = sorted({one.point.iout_set_a for line_v in near or lines for one in lines[line_v]})
    seen = f"{loads[0]:g} to {loads[-1]:g}" if len(loads) > 1 else f"{loads[0]:g}"
    return f"claimed at {where.load_a:g} A, {kind} points were taken at {seen} A"
