"""Efficiency of one point and the average over the four standard loads.

Pure arithmetic on powers and currents; called by the reports. Fractions (0..1), not
percent. Knows no files, clocks or instruments.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

FOUR_LOADS = (0.25, 0.50, 0.75, 1.00)
"""Loading conditions 4 to 1 of 10 CFR 430 Subpart B Appendix Z, of the rated current (from
memory; the averaging rule itself is in section 5 of the stored text)."""

LOAD_BAND = 0.02
"""How far a test load may be from a loading condition, of the rated current (Appendix Z, from
memory)."""


def efficiency(pin_w: float, pout_w: float) -> float | None:
    """Output over input power, both [W]; None without input power."""
    return pout_w / pin_w if pin_w > 0.0 else None


@dataclass(frozen=True, slots=True)
class FourPointAverage:
    """The mean efficiency, and which of the four loads (of rated) it does and does not hold."""

    mean: float | None
    used: tuple[float, ...]
    not_sustained: tuple[float, ...]
    not_tested: tuple[float, ...]


def four_point_average(
    tested: Iterable[tuple[float, float | None]], iout_rated_a: float
) -> FourPointAverage:
    """Arithmetic mean of the efficiencies at 25, 50, 75 and 100 % of `iout_rated_a` [A].

    `tested` holds (load set [A], efficiency); None for a load the module could not sustain,
    which is left out of the mean (10 CFR 430 Subpart B App. Z: the mean of the efficiencies,
    not the ratio of the summed powers). A load that was never tried leaves no mean at all.
    """
    points = list(tested)
    found = {share: _at_load(points, share, iout_rated_a) for share in FOUR_LOADS}
    kept = {
        share: sum(values) / len(values)  # type: ignore[arg-type]  # no None among them
        for share, values in found.items()
        if values and None not in values
    }
    not_tested = tuple(share for share, values in found.items() if not values)
    mean = sum(kept.values()) / len(kept) if kept and not not_tested else None
    not_sustained = tuple(share for share, values in found.items() if None in values)
    return FourPointAverage(mean, tuple(kept), not_sustained, not_tested)


def _at_load(
    points: Iterable[tuple[float, float | None]], share: float, iout_rated_a: float
) -> list[float | None]:
    band_a = LOAD_BAND * iout_rated_a * (1.0 + 1e-9)
    return [eff for iout_a, eff in points if abs(iout_a - share * iout_rated_a) <= band_a]
