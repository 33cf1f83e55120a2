"""What a display's last digit leaves in doubt once the errors of a box have cancelled.

A maker's statement covers the resolution of a single reading; in the difference of two readings
of one box the statement cancels, and the digits do not. Called by the comparison.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from runner.analysis.accuracy import DITHERED, RECTANGULAR, ROOT_3
from runner.analysis.sampling import MOST_DECIMALS
from runner.analysis.uncertainty import Source, Uncertain
from runner.report.columns import SPREAD
from runner.report.measured import DERIVED, Measured, MeasuredRun, derived
from runner.report.record import Record, SetPoints

ENOUGH = 500
"""Samples after which the last decimal of every display has been seen."""


@dataclass(slots=True)
class Digits:
    """Learns from the samples in passing how many decimals each quantity is told with."""

    decimals: dict[str, int] = field(default_factory=dict)
    _seen: int = 0

    def take(self, setpoints: SetPoints, sample: Record) -> None:
        """Look at one sample; later ones than `ENOUGH` teach nothing new."""
        if self._seen >= ENOUGH:
            return
        self._seen += 1
        for name in SPREAD:
            value = sample.get(name)
            if value is not None:
                text = f"{value:.{MOST_DECIMALS}f}".rstrip("0")
                used = len(text) - text.index(".") - 1
                self.decimals[name] = max(self.decimals.get(name, 0), used)

    @property
    def steps(self) -> dict[str, float]:
        """One digit of each quantity's last decimal, in its unit."""
        return {name: 10.0**-decimals for name, decimals in self.decimals.items()}


def with_resolution(run: MeasuredRun, steps: Mapping[str, float]) -> MeasuredRun:
    """The same points, each reading with its resolution where its own noise does not cover it."""
    return replace(run, points=tuple(_with_resolution(one, steps) for one in run.points))


def _with_resolution(measured: Measured, steps: Mapping[str, float]) -> Measured:
    values = {n: v for n, v in measured.values.items() if n not in DERIVED}
    for name in values:
        digit = _digit(measured, name, steps.get(name, 0.0))
        if digit is not None:
            values[name] = values[name] + digit
    return replace(measured, values=values | derived(values))


def _digit(measured: Measured, name: str, step: float) -> Uncertain | None:
    """Half a digit either way, rectangular; None where it is known or averaged out already.

    Not more than the reading's own doubt, which a maker states with the resolution in it: readings
    that happen to be round look like those of a coarse display.
    """
    numbered = measured.numbered
    mean = numbered.means.get(name)
    is_read = measured.sources.get(name, "measured") != "derived"
    if mean is None or name in numbered.zeros or not is_read or mean.sd >= DITHERED * step:
        return None
    label = f"resolution of {name} at point {numbered.number}"
    u = min(step / 2.0 / ROOT_3, measured.values[name].u)
    return Uncertain(0.0, {Source(label, "display", shape=RECTANGULAR): u})
