"""A measured quantity at a place that was not set exactly, or lies between two that were.

Never beyond what was measured. What an interpolation may be wrong by is a source of uncertainty
of its own. Called by the judging of claims; pure.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from runner.analysis.uncertainty import Source, Uncertain

ROOT_3 = 3.0**0.5
AT_NOUGHT = 1e-3
"""A place this near to 0, of the way to the next one, is 0."""


@dataclass(frozen=True, slots=True)
class Node:
    """A quantity y at a place x, which points it rests on, and whether it is interpolated."""

    x: Uncertain
    y: Uncertain
    points: tuple[int, ...]
    interpolated: bool = False


def at(nodes: Sequence[Node], x: float, within: float, label: str) -> Node | None:
    """The quantity at `x`; None beyond the nodes.

    A node at most `within` from x is that place, moved along the slope of its neighbours. Between
    two nodes it is the parabola through them and the next nearest; by how much that bends away
    from the straight line is the limit of the error, rectangular. With two nodes alone a quarter of
    their difference is: the most by which a parabola that rises or falls all the way can bend. A
    node that is moved has the doubt of its slope in the same way; a single one has no slope. Above
    a node at 0 an eighth is the least limit: a module switches otherwise without a load.
    """
    ordered = sorted(nodes, key=lambda node: node.x.value)
    if not ordered:
        return None
    if len(ordered) > 3 and _is_nought(*ordered[:2]) and x > ordered[1].x.value:
        ordered = ordered[1:]  # it says nothing of how the others bend
    nearest = min(range(len(ordered)), key=lambda k: abs(ordered[k].x.value - x))
    if abs(ordered[nearest].x.value - x) <= within:
        return _moved(ordered, nearest, x, label)
    for k, (low, high) in enumerate(pairwise(ordered)):
        if low.x.value < x < high.x.value:
            return _between(ordered, k, x, label)
    return None


def _moved(nodes: Sequence[Node], k: int, x: float, label: str) -> Node:
    """Along the chord of both neighbours, and by what the parabola leaves it.

    At a light load a few hundredths of the rated one are a long way, and the loss bends there.
    """
    here, low, high = nodes[k], nodes[max(0, k - 1)], nodes[min(k + 1, len(nodes) - 1)]
    run = high.x.value - low.x.value
    if run <= 0.0:
        return Node(Uncertain(x), here.y, here.points, here.interpolated)
    slope = (high.y.value - low.y.value) / run
    off = _off_chord(low, high, x) - _off_chord(low, high, here.x.value)
    if len(nodes) > 2:
        bend = _second(*nodes[max(0, min(k - 1, len(nodes) - 3)) :][:3]) * off
        most = abs(bend)
    else:
        bend, most = 0.0, abs(slope / run * off)
    most = max(most, _above_nought(here, high, x))
    source = Source(f"interpolation of {label}", "interpolation", shape="rectangular")
    y = here.y + slope * (x - here.x) + Uncertain(bend, {source: most / ROOT_3})
    return Node(Uncertain(x), y, here.points, here.interpolated)


def _between(nodes: Sequence[Node], k: int, x: float, label: str) -> Node:
    low, high = nodes[k], nodes[k + 1]
    share = (x - low.x) / (high.x - low.x)
    straight = low.y + (high.y - low.y) * share
    others = [place for place in (k - 1, k + 2) if 0 <= place < len(nodes)]
    if others:
        third = min(others, key=lambda place: abs(nodes[place].x.value - x))
        bend = _bend(low, high, nodes[third], x)
        most = abs(bend)
    else:
        bend, most = 0.0, abs(high.y.value - low.y.value) / 4.0
    most = max(most, _above_nought(low, high, x))
    source = Source(f"interpolation of {label}", "interpolation", shape="rectangular")
    value = straight + Uncertain(bend, {source: most / ROOT_3})
    return Node(Uncertain(x), value, low.points + high.points, interpolated=True)


def _above_nought(low: Node, high: Node, x: float) -> float:
    """The least limit of error between a node at 0 and the next; 0.0 elsewhere.

    A root of x, half of the rise, leaves the chord by an eighth of all of it (common practice, no
    source): between no load and a light one the way of switching changes.
    """
    if not _is_nought(low, high) or x - low.x.value <= AT_NOUGHT * (high.x.value - low.x.value):
        return 0.0
    return abs(high.y.value - low.y.value) / 8.0


def _is_nought(low: Node, high: Node) -> bool:
    return abs(low.x.value) <= AT_NOUGHT * (high.x.value - low.x.value)


def _bend(low: Node, high: Node, third: Node, x: float) -> float:
    """Parabola less straight line."""
    return _second(low, high, third) * _off_chord(low, high, x)


def _off_chord(low: Node, high: Node, x: float) -> float:
    return (x - low.x.value) * (x - high.x.value)


def _second(*three: Node) -> float:
    """How far they bend: the second divided difference."""
    (x0, y0), (x1, y1), (x2, y2) = ((node.x.value, node.y.value) for node in three)
    return ((y2 - y1) / (x2 - x1) - (y1 - y0) / (x1 - x0)) / (x2 - x0)
