"""What a part in front of a module costs at one line and load: drop, watts, headroom, heat.

A module takes constant power: the lower its line, the greater its current, and every volt a part
takes makes it greater still. Called by `report/protection`; pure, one part and one load at a time.
What the parts themselves do (diode, transistor, fuse) is in `protection_parts`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Protocol

from runner.analysis.uncertainty import Source, Uncertain

ROUNDS = 100_000
CLOSE = 1e-12
"""Of the line and of the temperature: nearer than this, two rounds are the same."""
MOLTEN_C = 400.0
"""No part in front of a module lives at this temperature [°C]: what goes there runs away."""


class Part(Protocol):
    """Something in series with the line."""

    def drop_v(self, i_a: float, temp_c: float) -> float:
        """What it takes at a current [A] and its own temperature [°C]; rises with current [V]."""


class CannotCarryError(ValueError):
    """The line cannot feed the module through this part, or the part gets too hot to exist."""


@dataclass(frozen=True, slots=True)
class Place:
    """Where a part sits: the air [°C], and what it warms by [K/W]; 0 where that is not known."""

    ambient_temp_c: float = 25.0
    k_per_w: float = 0.0


@dataclass(frozen=True, slots=True)
class Demand:
    """A module at one load: output [W], and its loss [W] at an input voltage [V]."""

    pout_w: float
    loss_w: Callable[[float], Uncertain]

    def iin_a(self, module_v: float) -> float:
        """What it takes at an input voltage [A]."""
        return (self.pout_w + self.loss_w(module_v).value) / module_v


@dataclass(frozen=True, slots=True)
class Carried:
    """A line [V] that feeds a module through a part, all at rest."""

    line_v: float
    module_v: float
    iin_a: float
    temp_c: float

    @property
    def drop_v(self) -> float:
        """What the part takes of the line [V]."""
        return self.line_v - self.module_v

    @property
    def part_w(self) -> float:
        """What heats the part [W]."""
        return self.drop_v * self.iin_a


@dataclass(frozen=True, slots=True)
class Tolerances:
    """How far a part's drop and its heat may be from what is stated: limits, as shares."""

    drop: float = 0.0
    heat: float = 0.0


@dataclass(frozen=True, slots=True)
class Cost:
    """What the part costs, against the same line without it.

    `extra_w` is all that the line gives more: the part's heat, and what the module loses more or
    less at its lower voltage. `efficiency` and `bare_efficiency` are fractions, `lost` their
    difference.
    """

    carried: Carried
    drop_v: Uncertain
    part_w: Uncertain
    extra_w: Uncertain
    efficiency: Uncertain
    bare_efficiency: Uncertain
    lost: Uncertain
    temp_c: Uncertain


# ------------------------------------------------------------------------ where it rests


def carry(line_v: float, demand: Demand, part: Part, place: Place) -> Carried:
    """Where line, part and module come to rest. Raises CannotCarryError where they do not.

    From the full line downwards: a lower voltage only makes the drop greater, so the steps all go
    one way and end at the highest balance there is, which is where a module started at a stiff
    line stays. The lower balance, at a greater current, is never reached from there.
    """
    module_v, temp_c = line_v, place.ambient_temp_c
    for _ in range(ROUNDS):
        iin_a = demand.iin_a(module_v)
        next_v = line_v - part.drop_v(iin_a, temp_c)
        if next_v <= 0.0:
            raise CannotCarryError(
                f"{line_v:g} V cannot carry {demand.pout_w:.3g} W through this part: the more it "
                "takes, the more current the module draws, and there is no balance"
            )
        next_c = place.ambient_temp_c + place.k_per_w * (line_v - next_v) * iin_a
        if next_c > MOLTEN_C:
            raise CannotCarryError(
                f"at {line_v:g} V and {demand.pout_w:.3g} W the part does not settle below "
                f"{MOLTEN_C:g} °C: it runs away"
            )
        still = abs(next_v - module_v) <= CLOSE * line_v and abs(next_c - temp_c) <= CLOSE * 1e3
        module_v, temp_c = next_v, next_c
        if still:
            return Carried(line_v, module_v, demand.iin_a(module_v), temp_c)
    raise CannotCarryError(
        f"at {line_v:g} V and {demand.pout_w:.3g} W the part finds no balance: it is at the limit "
        "of what this line can carry"
    )


def least_line_v(holds_from_v: float, demand: Demand, part: Part, place: Place) -> float:
    """The line [V] at which the module itself gets `holds_from_v` [V], the part at rest."""
    iin_a, temp_c = demand.iin_a(holds_from_v), place.ambient_temp_c
    for _ in range(ROUNDS):
        drop_v = part.drop_v(iin_a, temp_c)
        next_c = place.ambient_temp_c + place.k_per_w * drop_v * iin_a
        if next_c > MOLTEN_C:
            break
        if abs(next_c - temp_c) <= CLOSE * 1e3:
            return holds_from_v + drop_v
        temp_c = next_c
    raise CannotCarryError(
        f"with {holds_from_v:g} V at the module and {demand.pout_w:.3g} W the part runs away"
    )


# ----------------------------------------------------------------------------- the price


@dataclass(frozen=True, slots=True)
class _Scaled:
    """A part whose drop is so many times what is stated."""

    part: Part
    scale: float

    def drop_v(self, i_a: float, temp_c: float) -> float:
        return self.scale * self.part.drop_v(i_a, temp_c)


def cost(
    line_v: float,
    demand: Demand,
    part: Part,
    place: Place = Place(),
    tolerances: Tolerances = Tolerances(),
) -> Cost:
    """What `part` costs at `line_v` [V].

    What the part may be off by is followed through the whole balance, both ways. The loss of the
    module has the same errors with and without the part, so that most of them cancel. Raises
    CannotCarryError.
    """
    at = carry(line_v, demand, part, place)
    moved = _moved(line_v, demand, part, place, tolerances)
    loss_w, bare_w = demand.loss_w(at.module_v), demand.loss_w(line_v)
    by_loss = _by_loss(line_v, demand, part, place, loss_w)

    def uncertain(of: Callable[[Carried], float]) -> Uncertain:
        parts = {source: (of(high) - of(low)) / 2.0 for source, (low, high) in moved.items()}
        low, high = by_loss
        slope = (of(high) - of(low)) / (2.0 * loss_w.u) if loss_w.u else 0.0
        return Uncertain(of(at), parts) + slope * (loss_w - loss_w.value)

    part_w = uncertain(lambda one: one.part_w)
    extra_w = part_w + (loss_w - bare_w)
    bare_pin_w = demand.pout_w + bare_w
    bare = demand.pout_w / bare_pin_w
    behind = demand.pout_w / (bare_pin_w + extra_w)
    return Cost(
        carried=at,
        drop_v=uncertain(lambda one: one.drop_v),
        part_w=part_w,
        extra_w=extra_w,
        efficiency=behind,
        bare_efficiency=bare,
        lost=bare - behind,
        temp_c=uncertain(lambda one: one.temp_c),
    )


Moved = Mapping[Source, tuple[Carried, Carried]]
"""The balance with an input one standard uncertainty below and above what is stated."""


def _moved(
    line_v: float, demand: Demand, part: Part, place: Place, tolerances: Tolerances
) -> Moved:
    found: dict[Source, tuple[Carried, Carried]] = {}
    if tolerances.drop:
        u = tolerances.drop / math.sqrt(3.0)
        low, high = (carry(line_v, demand, _Scaled(part, 1.0 + s), place) for s in (-u, u))
        found[Source("drop of the part", "part", shape="rectangular")] = low, high
    if tolerances.heat and place.k_per_w:
        u = tolerances.heat / math.sqrt(3.0)
        places = (replace(place, k_per_w=place.k_per_w * (1.0 + s)) for s in (-u, u))
        low, high = (carry(line_v, demand, part, one) for one in places)
        found[Source("thermal resistance of the part", "part", shape="rectangular")] = low, high
    return found


def _by_loss(
    line_v: float, demand: Demand, part: Part, place: Place, loss_w: Uncertain
) -> tuple[Carried, Carried]:
    """The balance with a module that loses one standard uncertainty less, and more."""

    def shifted(by_w: float) -> Carried:
        other = Demand(demand.pout_w, lambda module_v: demand.loss_w(module_v) + by_w)
        return carry(line_v, other, part, place)

    return shifted(-loss_w.u), shifted(loss_w.u)
