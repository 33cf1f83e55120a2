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
    their difference is: the most by which a parabola that rises or falls all the way can bend.
    """
    ordered = sorted(nodes, key=lambda node: node.x.value)
    if not ordered:
        return None
    nearest = min(range(len(ordered)), key=lambda k: abs(ordered[k].x.value - x))
    if abs(ordered[nearest].x.value - x) <= within:
        return _moved(ordered, nearest, x)
    for k, (low, high) in enumerate(pairwise(ordered)):
        if low.x.value < x < high.x.value:
            return _between(ordered, k, x, label)
    return None


def _moved(nodes: Sequence[Node], k: int, x: float) -> Node:
    here, near = nodes[k], nodes[max(0, k - 1) : k + 2]
    run = near[-1].x.value - near[0].x.value
    slope = (near[-1].y.value - near[0].y.value) / run if run > 0.0 else 0.0
    return Node(Uncertain(x), here.y + slope * (x - here.x), here.points, here.interpolated)


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
    source = Source(f"interpolation of {label}", "interpolation", shape="rectangular")
    value = straight + Uncertain(bend, {source: most / ROOT_3})
    return Node(Uncertain(x), value, low.points + high.points, interpolated=True)


def _bend(low: Node, high: Node, third: Node, x: float) -> float:
    """Parabola less straight line, by divided differences."""
    (x0, y0), (x1, y1), (x2, y2) = ((n.x.value, n.y.value) for n in (low, high, third))
    second = ((y2 - y1) / (x2 - x1) - (y1 - y0) / (x1 - x0)) / (x2 - x0)
    return second * (x - x0) * (x - x1)
