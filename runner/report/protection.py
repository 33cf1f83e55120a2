"""What parts in front of a module would cost it, from its own curve or from a stated efficiency.

Called by `ampworth protect`. Reads run folders and writes nothing into them; the physics is in
`analysis/protection_cost`, the files and tables in `protection_files`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from runner import journal
from runner.analysis.comparison import Difference
from runner.analysis.interpolation import ROOT_3
from runner.analysis.judged_points import SAME_LOAD
from runner.analysis.protection_cost import (
    CannotCarryError,
    Cost,
    Demand,
    Part,
    Place,
    Tolerances,
    cost,
    least_line_v,
)
from runner.analysis.uncertainty import Source, Uncertain
from runner.errors import BadInput
from runner.report.bare_run import OwnRun
from runner.report.comparison import compare
from runner.report.record import gather

MEASURED_AT = SAME_LOAD


@dataclass(frozen=True, slots=True)
class Front:
    """A part that may stand in front: its kind, what it takes, how far that may be off (share),
    and its keys in words. A fuse carries no more than `carries_a` [A]."""

    kind: str
    part: Part
    tolerance: float
    told: str
    remarks: tuple[str, ...] = ()
    carries_a: float = math.inf


@dataclass(frozen=True, slots=True)
class Asked:
    """Lines [V] and loads [A] that are asked about, and where the part sits."""

    lines_v: tuple[float, ...]
    loads_a: tuple[float, ...]
    place: Place
    heat_tolerance: float
    holds_from_v: float
    part_max_temp_c: float


class Basis(Protocol):
    """What is known of the module: its file's keys, and what it needs at a line and a load."""

    @property
    def module(self) -> Mapping[str, Any]:
        """The module file as plain values."""

    @property
    def words(self) -> str:
        """Where its efficiency comes from."""

    @property
    def lines_v(self) -> tuple[float, ...]:
        """Lines that are asked about where nobody names any [V]."""

    def demand(self, line_v: float, load_a: float) -> Demand:
        """The module near a line [V]. Raises CannotCarryError where nothing is known there."""


@dataclass(frozen=True, slots=True)
class Price:
    """What one part costs at one line and load, or why that cannot be said.

    At `least_line_v` [V] the module just gets what it needs, None where that is not known.
    `measured` is the difference of the loss between two runs there, None without them.
    """

    front: Front
    line_v: float
    load_a: float
    cost: Cost | None
    least_line_v: float | None = None
    why: str = ""
    measured: Difference | None = None


def prices(basis: Basis, fronts: Sequence[Front], asked: Asked) -> list[Price]:
    """Every part at every line and load."""
    return [
        priced(basis, front, line_v, load_a, asked)
        for front in fronts
        for line_v in asked.lines_v
        for load_a in asked.loads_a
    ]


def priced(basis: Basis, front: Front, line_v: float, load_a: float, asked: Asked) -> Price:
    """One part at one line [V] and load [A]."""
    tolerances = Tolerances(front.tolerance, asked.heat_tolerance)
    found: Cost | None = None
    try:
        demand = basis.demand(line_v, load_a)
        found = cost(line_v, demand, front.part, asked.place, tolerances)
        least_v = least_line_v(asked.holds_from_v, demand, front.part, asked.place)
    except CannotCarryError as error:
        return Price(front, line_v, load_a, found, None, str(error))
    return Price(front, line_v, load_a, found, least_v)


# -------------------------------------------------------------------- a stated efficiency


@dataclass(frozen=True, slots=True)
class Stated:
    """A module whose efficiency (0..1) is stated, alike at every line, within a limit of it."""

    module: Mapping[str, Any]
    efficiency: float
    within: float

    @property
    def words(self) -> str:
        """Where its efficiency comes from."""
        return (
            f"efficiency stated: {100.0 * self.efficiency:g} % ± {100.0 * self.within:g} points, "
            "alike at every line and load; a run of the module itself tells more"
        )

    @property
    def lines_v(self) -> tuple[float, ...]:
        """Least, nominal and greatest line of the module file [V]."""
        names = ("line_min_v", "line_nominal_v", "line_max_v")
        return tuple(dict.fromkeys(float(self.module[name]) for name in names))

    def demand(self, line_v: float, load_a: float) -> Demand:
        """The module at a load [A]."""
        pout_w = load_a * float(self.module["vout_set_v"])
        stated = Source("stated efficiency", "module", shape="rectangular")
        efficiency = Uncertain(self.efficiency, {stated: self.within / ROOT_3})
        loss = pout_w / efficiency - pout_w
        return Demand(pout_w, lambda module_v: loss)


# ----------------------------------------------------------------- beside what was measured


def beside(bare: Path, fitted: Path, basis: OwnRun, front: Front, asked: Asked) -> list[Price]:
    """The part at the loads both runs were measured at, nearest to those asked for.

    The measured price is the paired difference of the loss: what both runs read with one and the
    same box cancels. Raises BadInput where the runs cannot be compared.
    """
    (compared,) = compare((bare, fitted))
    found: list[Price] = []
    for line_v in sorted({one.line_set_v for one in compared.matched if one.kind == "fast"}):
        pairs = [m for m in compared.matched if m.kind == "fast" and m.line_set_v == line_v]
        for load_a in asked.loads_a:
            near = min(pairs, key=lambda pair: abs(pair.iout_a - load_a))
            if abs(near.iout_a - load_a) > MEASURED_AT * float(basis.module["iout_rated_a"]):
                continue
            loss = next((d for d in near.differences if d.quantity == "ploss_w"), None)
            price = priced(basis, front, line_v, near.iout_a, asked)
            found.append(replace(price, measured=loss))
    if not found:
        raise BadInput(
            f"--measured {fitted}: was not measured near the loads asked for; name loads of both "
            "runs with --loads-a"
        )
    return found


def fitted_protection(folder: Path) -> dict[str, Any]:
    """The `[protection]` of a run's module. Raises BadInput where nothing was fitted."""
    record = gather(journal.read(folder / journal.FILE_NAME))
    section = dict(record.module.get("protection") or {})
    if section.get("kind", "none") == "none":
        raise BadInput(
            f"--measured {folder}: was measured with nothing in front of the module; name the run "
            "with the part fitted, its module file says which in [protection]"
        )
    return section
