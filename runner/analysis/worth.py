"""The headline: the greatest load a module carries for ever, for each line and ambient.

The derating with its uncertainty, asked for at the ambients that matter. Called by the judging of
claims; pure. Beyond the soaks it says so, and beyond 25 K of ambient it gives no number.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runner.analysis.derated_u import DoubtfulPoint, greatest_loads
from runner.analysis.derating import DeratedLoad, Limits, derate
from runner.analysis.judged_points import JudgedPoint
from runner.analysis.uncertainty import Expanded, Uncertain

TEMPS = ("ambient_temp_c", "case_temp_c", "hot_spot_temp_c", "capacitor_temp_c")
DOUBTS = ("iout_a", "vout_v", "ploss_w", *TEMPS)
"""The quantities of a point that a derated load is made from."""


@dataclass(frozen=True, slots=True)
class Worth:
    """The derated load of one line and ambient; `load` is None where its doubt is not known."""

    derated: DeratedLoad
    load: Uncertain | None

    @property
    def line_v(self) -> float:
        """Line [V]."""
        return self.derated.line.line_v

    @property
    def ambient_c(self) -> float:
        """Air around the module [°C]."""
        return self.derated.ambient_temp_c

    @property
    def iout_a(self) -> float | None:
        """The greatest continuous load [A], None where it is refused."""
        return self.derated.greatest.iout_max_a if self.derated.greatest else None

    @property
    def expanded(self) -> Expanded | None:
        """U [A] for 95 %, and k."""
        return None if self.load is None else self.load.expanded(shapes=True)


def worths(
    points: Sequence[JudgedPoint], limits: Limits, ambients_c: Iterable[float], *, known: bool
) -> list[Worth]:
    """The worth at every line measured and every ambient [°C].

    `known` is False where an accuracy it rests on is not stated. Raises CannotDerateError.
    """
    made = doubtful(points)
    rows = derate([one.point for one in made], limits, list(ambients_c))
    loads = greatest_loads(made, limits, rows) if known else [None] * len(rows)
    return [Worth(row, load) for row, load in zip(rows, loads, strict=True)]


def doubtful(points: Iterable[JudgedPoint]) -> list[DoubtfulPoint]:
    """The points as the derating's uncertainty takes them."""
    return [
        DoubtfulPoint(
            one.point,
            {name: one.values[name] for name in DOUBTS if name in one.values},
            one.settling_k,
        )
        for one in points
    ]
