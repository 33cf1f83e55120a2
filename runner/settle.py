"""When a reading has stopped moving: pure criteria on short traces.

The engine feeds them; they know no clock and no instrument.
"""

from __future__ import annotations

from collections.abc import Sequence

from runner.steps import Reading

ELECTRICAL = ("vin_v", "iin_a", "vout_v", "iout_a")
WINDOW = 5
"""Readings an electrical settle is judged on."""

_BAND = {"vin_v": 1e-3, "iin_a": 2e-3, "vout_v": 5e-4, "iout_a": 5e-4}  # of the value
_FLOOR = {"vin_v": 5e-3, "iin_a": 2e-3, "vout_v": 2e-3, "iout_a": 2e-3}  # in V or A


def trend(times_s: Sequence[float], values: Sequence[float]) -> float:
    """What a least-squares line through the trace moves over its length, in the values' unit."""
    n = len(times_s)
    mean_t = sum(times_s) / n
    mean_v = sum(values) / n
    spread = sum((t - mean_t) ** 2 for t in times_s)
    if spread == 0.0:
        return 0.0
    slope = sum((t - mean_t) * (v - mean_v) for t, v in zip(times_s, values, strict=True)) / spread
    return slope * (times_s[-1] - times_s[0])


def electrically_settled(trace: Sequence[Reading]) -> bool:
    """True when line, output and currents moved within their bands over the last readings.

    Criterion: over the last `WINDOW` readings the trend of each of the four quantities
    stays below 0.05 to 0.2 percent of its value, with a floor of 2 to 5 mV or mA, the
    order of a bench instrument's resolution (common practice, no source).
    """
    if len(trace) < WINDOW:
        return False
    last = trace[-WINDOW:]
    times_s = [reading.t_s for reading in last]
    return all(_is_still(times_s, [getattr(r, name) for r in last], name) for name in ELECTRICAL)


def _is_still(times_s: Sequence[float], values: Sequence[float], name: str) -> bool:
    band = max(_FLOOR[name], _BAND[name] * abs(values[-1]))
    return abs(trend(times_s, values)) <= band


def thermal_change(
    times_s: Sequence[float], rises_k: Sequence[float], over_s: float
) -> float | None:
    """What a temperature rise moved over its last `over_s` [s], by its trend [K].

    None while the trace is shorter than `over_s`.
    """
    if not times_s or times_s[-1] - times_s[0] < over_s - 1e-6:
        return None
    start_s = times_s[-1] - over_s - 1e-6
    first = next(k for k, t in enumerate(times_s) if t >= start_s)
    return trend(times_s[first:], rises_k[first:])
