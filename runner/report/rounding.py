"""How a figure with an uncertainty is written for people: two digits of it, and no more.

Used by the comparison and the page; the CSVs keep more digits for who computes on.
"""

from __future__ import annotations

MOST_DECIMALS = 6


def decimals_of(expanded_u: float) -> int:
    """As many decimals as show two digits of an uncertainty (JCGM 100:2008, 7.2.6)."""
    decimals = 0
    while decimals < MOST_DECIMALS and 0.0 < expanded_u * 10.0**decimals < 9.5:
        decimals += 1
    return decimals


def with_u(value: float, expanded_u: float | None, digits: int = 4) -> str:
    """A value and its expanded uncertainty; without one the value to `digits`."""
    if expanded_u is None:
        return f"{value:.{digits}g}"
    decimals = decimals_of(expanded_u)
    shown = round(value, decimals) + 0.0  # no minus before a nought
    return f"{shown:.{decimals}f} ± {expanded_u:.{decimals}f}"
