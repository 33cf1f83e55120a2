"""Which soak tells most about the greatest loads: chosen by what it would take off their doubt.

Called by sequences between soaks; pure and deterministic. It decides what to measure, never
what the module is worth: that is derated from all points, with the bench's own errors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import Protocol

COVERAGE = 2.0
WORTH_A_SOAK = 0.02
"""A soak that takes less than this share off the greatest doubt is not worth its time."""


class Read(Protocol):
    """What is taken of a point: set line [V], load [A], loss [W], temperatures [°C]."""

    @property
    def line_set_v(self) -> float:
        """Line set [V]."""

    @property
    def iout_a(self) -> float:
        """Load [A]."""

    @property
    def ploss_w(self) -> float:
        """Loss [W]."""

    @property
    def ambient_temp_c(self) -> float | None:
        """Air [°C]."""

    @property
    def hot_spot_temp_c(self) -> float | None:
        """Hot spot [°C]."""


class Ended(Protocol):
    """How a soak ended; rises in [K], None where it was waited out."""

    @property
    def settled(self) -> bool:
        """In equilibrium, or its end predicted."""

    @property
    def end_rise_k(self) -> float | None:
        """Predicted end of the rise [K], None where it was waited out."""

    @property
    def end_u_k(self) -> float | None:
        """Standard uncertainty of it [K]."""

    @property
    def end_loss_ratio(self) -> float:
        """Loss there over the loss at the point."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Where the greatest load is asked for, and how well: lines [V], airs [°C], U [A] for 95 %.

    `most_a` [A] is the greatest load that may be tried, `hot_spot_max_temp_c` what limits it.
    """

    lines_v: tuple[float, ...]
    ambients_c: tuple[float, ...]
    hot_spot_max_temp_c: float
    most_a: float
    expanded_u_a: float

    def at(self, air_c: float) -> Wanted:
        """The same, with this air [°C] where no other is asked for."""
        return self if self.ambients_c else replace(self, ambients_c=(air_c,))


@dataclass(frozen=True, slots=True)
class NextSoak:
    """The soak to do next; what is in most doubt now, and the doubt then [A] (U, 95 %)."""

    line_v: float
    iout_a: float
    doubt_line_v: float
    doubt_ambient_c: float
    expanded_u_a: float
    expected_u_a: float


def next_soak(
    points: Sequence[Read],
    soaks: Sequence[tuple[Read, Ended]],
    wanted: Wanted,
    air_c: float,
    too_hot: Sequence[tuple[float, float]] = (),
) -> NextSoak | None:
    """The soak in this air [°C] after which the greatest doubt is least; None when it is enough.

    `points` are all points, `soaks` the soaked ones with their outcomes, `too_hot` lines [V] and
    loads [A] that were stopped. The doubt is that of thermal resistance and growth of the loss;
    the errors of the bench, which no soak takes away, come on top. None too where nothing can be
    said yet: no soak with a loss, fewer than three loads, or no load left that stays cool.
    """
    from runner.analysis.soak_doubts import known_of  # numpy and scipy, wanted here alone

    known = known_of(points, soaks, wanted)
    if known is None:
        return None
    now = known.doubts(())
    place = max(now, key=lambda at: now[at])
    if COVERAGE * now[place] <= wanted.expanded_u_a:
        return None
    candidates = [
        (max(known.doubts(((line_v, load_a),)).values()), line_v, load_a)
        for line_v, load_a in product(wanted.lines_v, known.loads_a())
        if known.stays_cool(line_v, load_a, air_c)
        and not any(line_v == v and load_a >= a for v, a in too_hot)
    ]
    if not candidates:
        return None
    u_a, line_v, load_a = min(candidates, key=lambda one: (round(one[0], 6), one[1], -one[2]))
    if u_a > (1.0 - WORTH_A_SOAK) * now[place]:
        return None
    return NextSoak(line_v, load_a, *place, COVERAGE * now[place], COVERAGE * u_a)
