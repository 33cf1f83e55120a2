"""A module as its own run shows it, with nothing in front: its loss at any line and load.

Read from the journal of a run; called by the prediction of what a protection costs. Between the
lines and a little beyond them a loss is interpolated, with a doubt of its own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runner import journal
from runner.analysis.interpolation import ROOT_3, Node, at
from runner.analysis.judged_points import SAME_LOAD
from runner.analysis.protection_cost import CannotCarryError, Demand
from runner.analysis.uncertainty import Source, Uncertain
from runner.errors import BadInput
from runner.report.comparison import NO_CURVE, SPOILT
from runner.report.measured import measure
from runner.report.record import RunRecord, gather

BEYOND = 0.10
"""Behind a part a module sees less than the least line measured: so far beyond the lines, of the
line, its loss is extrapolated."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Loss and output over the load, at one line [V]."""

    line_v: float
    losses: tuple[Node, ...]
    outputs: tuple[Node, ...]


@dataclass(frozen=True, slots=True)
class OwnRun:
    """A module by its own fast points, taken with nothing in front of it."""

    module: Mapping[str, Any]
    folder: Path
    curves: tuple[Curve, ...]

    @property
    def words(self) -> str:
        """Where its efficiency comes from."""
        lines = ", ".join(f"{curve.line_v:g}" for curve in self.curves)
        return f"efficiency measured in {self.folder}, at {lines} V"

    @property
    def lines_v(self) -> tuple[float, ...]:
        """The lines it was measured at [V]."""
        return tuple(curve.line_v for curve in self.curves)

    def demand(self, line_v: float, load_a: float) -> Demand:
        """The module around a line [V], from the lines nearest to it. Raises CannotCarryError."""
        found = [one for curve in self._near(line_v) if (one := self._at_load(curve, load_a))]
        if not found:
            loads = sorted(n.x.value for curve in self.curves for n in curve.losses)
            raise CannotCarryError(
                f"{load_a:g} A was not measured, {loads[0]:.3g} to {loads[-1]:.3g} A were"
            )
        output = min(found, key=lambda one: abs(one[0] - line_v))[2]
        places = [(line, loss) for line, loss, _ in found]
        within_v = (1.0 - BEYOND) * min(self.lines_v), (1.0 + BEYOND) * max(self.lines_v)
        return Demand(load_a * output.value, lambda v: _over_lines(places, v, *within_v))

    def _near(self, line_v: float) -> list[Curve]:
        """At most three lines: a parabola lies through them."""
        return sorted(self.curves, key=lambda curve: abs(curve.line_v - line_v))[:3]

    def _at_load(self, curve: Curve, load_a: float) -> tuple[float, Uncertain, Uncertain] | None:
        label, within_a = f"{curve.line_v:g} V, {load_a:g} A", self._same_a
        loss = at(curve.losses, load_a, within_a, f"loss at {label}")
        output = at(curve.outputs, load_a, within_a, f"output at {label}")
        return (curve.line_v, loss.y, output.y) if loss and output else None

    @property
    def _same_a(self) -> float:
        return SAME_LOAD * float(self.module["iout_rated_a"])


def _over_lines(
    places: Sequence[tuple[float, Uncertain]], module_v: float, least_v: float, most_v: float
) -> Uncertain:
    """The loss [W] at an input voltage: the parabola through up to three lines.

    By how much it leaves the straight line through the nearest two is a doubt of its own,
    rectangular; with one line alone, as much as the voltage differs from it.
    """
    if not least_v <= module_v <= most_v:
        raise CannotCarryError(
            f"the module would see {module_v:.3g} V, far beyond the lines it was measured at; its "
            f"loss is told from {least_v:.3g} to {most_v:.3g} V: measure at another line"
        )
    near = sorted(places, key=lambda place: abs(place[0] - module_v))
    curved, straight = _through(near, module_v), _through(near[:2], module_v)
    doubt_w = abs(curved.value - straight.value)
    if len(near) == 1:
        doubt_w = abs(curved.value) * abs(module_v / near[0][0] - 1.0)
    source = Source("loss between lines, or below the least", "interpolation", shape="rectangular")
    return curved + Uncertain(0.0, {source: doubt_w / ROOT_3})


def _through(places: Sequence[tuple[float, Uncertain]], at_v: float) -> Uncertain:
    """Lagrange's polynomial through a few places."""
    total = Uncertain(0.0)
    for k, (line_v, loss) in enumerate(places):
        others = [other_v for j, (other_v, _) in enumerate(places) if j != k]
        total = total + loss * math.prod((at_v - v) / (line_v - v) for v in others)
    return total


def own_run(folder: Path) -> OwnRun:
    """The module of a run folder. Raises BadInput where the run does not tell its curve."""
    record = gather(journal.read(folder / journal.FILE_NAME))
    kind = (record.module.get("protection") or {}).get("kind", "none")
    if kind != "none":
        raise BadInput(
            f"{folder}: was measured with protection {kind!r} in front; a prediction starts from "
            "the bare module: name a run without one (and this one as --measured)"
        )
    curves = tuple(_curves(record))
    if not curves:
        raise BadInput(f"{folder}: has no sound fast point at a load; run load_sweep first")
    return OwnRun(record.module, folder, curves)


def _curves(record: RunRecord) -> Iterator[Curve]:
    lines: dict[float, dict[float, tuple[Node, Node]]] = {}
    for one in measure(record).points:
        point = one.numbered.point
        if point.kind != "fast" or point.label in NO_CURVE or SPOILT & set(point.flags):
            continue
        number = (one.numbered.number,)
        load = one.values.get("iout_a", Uncertain(point.iout_a))
        loss = one.values.get("ploss_w", Uncertain(point.ploss_w))
        output = one.values.get("vout_v", Uncertain(point.vout_v))
        places = lines.setdefault(point.line_set_v, {})
        places[round(point.iout_set_a, 6)] = (Node(load, loss, number), Node(load, output, number))
    for line_v, places in sorted(lines.items()):
        if max(places) <= 0.0:  # without a load alone
            continue
        losses, outputs = zip(*places.values(), strict=True)
        yield Curve(line_v, losses, outputs)
