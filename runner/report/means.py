"""What the samples of a step say: the worth of a point's means, and the tares of the ammeters.

`record` feeds the samples in passing and applies the tares, so that every output sees one and
the same corrected point; the raw samples stay raw. Keeps no sample, opens no file.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from runner.analysis.accuracy import Range, lead, ranges
from runner.analysis.sampling import Mean, Series, ZeroSeries
from runner.report.columns import SPREAD
from runner.steps import Point

CURRENTS = ("iin_a", "iout_a")


@dataclass(frozen=True, slots=True)
class Zero:
    """What an ammeter shows at no current: its mean [A] and the step of its display [A]."""

    mean: Mean
    step: float


def series_of_step(step_name: str) -> Mapping[str, Series]:
    """Empty series for the samples of a step; none for a step that is not averaged."""
    match step_name:
        case "Read":
            return {name: Series() for name in SPREAD}
        case "Tare":
            return {name: ZeroSeries() for name in CURRENTS}
    return {}


def mean_of(point: Point, name: str, series: Series | None) -> Mean | None:
    """The worth of a point's mean: from its samples, or from its own `sd` where they are gone.

    From `sd` alone the samples are taken as independent, with n - 1 degrees of freedom (JCGM
    100:2008, 4.2.3 and 4.2.6).
    """
    value = getattr(point, name)
    if value is None:
        return None
    if series is not None and series.n == point.samples:
        return replace(series.mean(), value=value)
    sd, n = point.sd.get(name), point.samples
    if sd is None or n < 2:
        return Mean(value, 0.0, None, 0.0, n, 1.0)
    return Mean(value, sd, sd / math.sqrt(n), n - 1.0, n, float(n))


@dataclass(slots=True)
class Tares:
    """The last tare of each ammeter, and in words why one was not used.

    `beyond` has the offsets [A] that were more than their makers allow: they were not taken off,
    but the readings are as doubtful as that.
    """

    zeros: dict[str, Zero] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    beyond: dict[str, float] = field(default_factory=dict)
    _line_ohm: float = 0.0
    _output_ohm: float = 0.0

    def take(self, run: Mapping[str, Any], series: Mapping[str, Series]) -> None:
        """Take over a tare from its samples; a useless one takes nothing away."""
        bench = run.get("bench", {})
        self._line_ohm = _corrected_ohm(run, "vin_v", "supply")
        self._output_ohm = _corrected_ohm(run, "vout_v", "load")
        stated = ranges(bench, greatest_of(run))
        for name, one in series.items():
            if run.get("sources", {}).get(name) == "derived":
                continue  # by definition nothing without a voltage
            if isinstance(one, ZeroSeries) and one.n > 0:
                reason = _useless(one, stated.get(name))
                self.beyond.pop(name, None)
                if reason:
                    self.refused[name] = reason
                    if one.shows_offset:
                        self.beyond[name] = one.mean().value
                else:
                    self.refused.pop(name, None)
                    self.zeros[name] = Zero(one.mean(), one.step)

    def correct(self, point: Point) -> tuple[Point, Mapping[str, Zero]]:
        """The point with its currents less the offset, and the lead drops that follow from them."""
        if not self.zeros:
            return point, {}
        line_a, output_a = (
            self.zeros[name].mean.value if name in self.zeros else 0.0 for name in CURRENTS
        )
        corrected = replace(
            point,
            iin_a=point.iin_a - line_a,
            iout_a=point.iout_a - output_a,
            vin_v=point.vin_v + line_a * self._line_ohm,
            vout_v=point.vout_v - output_a * self._output_ohm,
        )
        return corrected, dict(self.zeros)


def _useless(series: ZeroSeries, stated: Range | str | None) -> str:
    """Why a tare must not be used; empty where it may be."""
    if not series.shows_offset:
        return "the display shows nothing below 0 A, which hides the offset"
    mean = series.mean()
    if isinstance(stated, Range):
        most_a = stated.offset_limit + 3.0 * (mean.u or 0.0) + series.step
        if abs(mean.value) > most_a:
            return (
                f"{1e3 * mean.value:.3g} mA with everything off is more than the offset its maker "
                f"allows, {1e3 * stated.offset_limit:.3g} mA: a current flows, or it needs service"
            )
    return ""


def _corrected_ohm(run: Mapping[str, Any], name: str, role: str) -> float:
    """The lead resistance [ohm] a voltage was corrected by; 0.0 where it was not."""
    if run.get("sources", {}).get(name) != "corrected":
        return 0.0
    bench = run.get("bench", {})
    section = bench.get("instruments", {}).get(bench.get("roles", {}).get(role), {})
    known = lead(section, role)
    return known.value if known else 0.0


def greatest_of(run: Mapping[str, Any]) -> dict[str, float]:
    """The greatest value each range was chosen for [V], [A], as the run record has it."""
    greatest: dict[str, float] = dict(run.get("greatest") or {})
    return greatest
