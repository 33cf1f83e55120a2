"""Points of a made-up module for the tests of claims: its physics is three lines, see `physics`."""

from __future__ import annotations

from typing import Any

from runner.analysis.claim_parts import Case
from runner.analysis.derating import Limits
from runner.analysis.findings import Finding
from runner.analysis.holding import Kind, LoadPoint, OutputLimits
from runner.analysis.judged_points import Evidence, JudgedPoint
from runner.analysis.uncertainty import Source, Uncertain

MODULE: dict[str, Any] = {
    "line_min_v": 20.0,
    "line_nominal_v": 24.0,
    "line_max_v": 30.0,
    "vout_set_v": 9.0,
    "vout_tolerance_pct": 3.0,
    "iout_rated_a": 4.0,
}
OUTPUT = OutputLimits(9.0, 0.03)
LIMITS = Limits(OUTPUT, 110.0, 100.0)
MEASURED = {"vin_v": "measured", "iin_a": "corrected", "vout_v": "measured", "iout_a": "corrected"}
LOADS_A = (0.4, 1.0, 2.0, 3.0, 4.0)

GAIN_V, OFFSET_V, GAIN_A, SPOT = (
    Source("gain, vout_v", "load"),
    Source("offset, vout_v", "load"),
    Source("gain, iin_a", "supply"),
    Source("offset, hot_spot_temp_c", "hot_spot"),
)
GROWTH, HOT_K_PER_W = 0.004, 12.0
SHORT = Finding(
    1,
    "short_circuit_a",
    "A",
    4.0,
    3.95,
    4.05,
    24.0,
    4.0,
    25.0,
    "",
    "iout_a",
    Uncertain(4.0, {Source("bracket", shape="rectangular"): 0.05 / 3.0**0.5}),
)
"""What a sequence found beside the points."""


def physics(line_v: float, iout_a: float, air_c: float, kind: Kind) -> tuple[float, float, float]:
    """Output [V], loss [W], hot spot [°C]: 12 mohm; (0.3 + 0.4 I + 0.15 I^2) and 0.4 %/K of it."""
    base_w = (0.3 + 0.4 * iout_a + 0.15 * iout_a**2) * (1.0 + 0.005 * (line_v - 24.0))
    rise_k = 0.0
    if kind == "soaked":
        warm = base_w * (1.0 + GROWTH * (air_c - 25.0))
        rise_k = HOT_K_PER_W * warm / (1.0 - GROWTH * HOT_K_PER_W * base_w)
    hot_c = air_c + rise_k
    return 9.0 - 0.012 * iout_a, base_w * (1.0 + GROWTH * (hot_c - 25.0)), hot_c


def point(
    number: int,
    iout_a: float,
    *,
    line_v: float = 24.0,
    air_c: float = 25.0,
    kind: Kind = "fast",
    gain: float = 0.001,
    **changes: Any,
) -> JudgedPoint:
    """One point; both gains are `gain`, 3 mV of offset, 1 K of the hot spot."""
    vout_v, ploss_w, hot_c = physics(line_v, iout_a, air_c, kind)
    loaded = LoadPoint(line_v, iout_a, iout_a, vout_v, ploss_w, air_c, None, hot_c, kind)
    pin_w = vout_v * iout_a + ploss_w
    ambient = Uncertain(air_c, {Source("offset, ambient_temp_c", "ambient"): 0.1})
    hot_spot = Uncertain(hot_c, {SPOT: 1.0})
    values = {
        "vin_v": Uncertain(line_v),
        "iin_a": Uncertain(pin_w / line_v, {GAIN_A: gain * pin_w / line_v}),
        "vout_v": Uncertain(vout_v, {GAIN_V: gain * vout_v, OFFSET_V: 0.003}),
        "iout_a": Uncertain(iout_a, {Source("repeatability", f"{number}"): 1e-5}),
        "ambient_temp_c": ambient,
        "hot_spot_temp_c": hot_spot,
    }
    values["ploss_w"] = values["vin_v"] * values["iin_a"] - values["vout_v"] * values["iout_a"]
    if kind == "soaked":
        values["hot_spot_rise_k"] = hot_spot - ambient
    for name, value in changes.items():
        loaded = replaced(loaded, name, value)
    return JudgedPoint(number, loaded, values)


def replaced(loaded: LoadPoint, name: str, value: Any) -> LoadPoint:
    from dataclasses import replace

    return replace(loaded, **{name: value})


def sweep(kind: Kind = "fast", **how: Any) -> list[JudgedPoint]:
    """All loads at one line and ambient."""
    return [point(k, load_a, kind=kind, **how) for k, load_a in enumerate(LOADS_A, start=1)]


def case(points: list[JudgedPoint], **evidence: Any) -> Case:
    """The points renumbered, as claims are judged on them."""
    numbered = tuple(
        JudgedPoint(k, one.point, one.values, one.settling_k, one.on_curve)
        for k, one in enumerate(points, start=1)
    )
    given = {"sources": MEASURED, "unknown": {}} | evidence
    seen = Evidence(numbered, output=OUTPUT, iout_rated_a=4.0, **given)
    return Case(seen, MODULE, LIMITS, (SHORT,) if numbered else ())
