"""What a wiring audit looks at, and what it finds: plain values.

Made by `runner/audit.py` from points, bench file and module file; judged in
`wiring_audit.py`, `wiring_checks.py` and `ammeter_checks.py`. Nothing here judges.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Severity = Literal["stop", "warn"]

USUAL_EFFICIENCY = 0.85
"""Where the points show none that can be: a non-synchronous module (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Error:
    """Limits of error of one quantity on the range in use: `share` of the reading + `fixed`."""

    share: float
    fixed: float

    def limit(self, value: float) -> float:
        """The greatest error at a reading, in its unit."""
        return self.share * abs(value) + self.fixed


LOW_COST = {
    "vin_v": Error(0.005, 0.020),
    "iin_a": Error(0.005, 0.010),
    "vout_v": Error(0.005, 0.020),
    "iout_a": Error(0.005, 0.010),
}
"""Taken where no accuracy is stated: low-cost readback (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What the files say of module and bench.

    `supply_limit_a` [A] is the least of what limits the line current; a lead resistance is
    of both wires together [ohm], None where it is not stated. `vin_sensed` and
    `vout_sensed`: that voltage is said to be taken at the module's terminals. `drawn` are
    the limits within which the load draws what it is told.
    """

    line_min_v: float
    vout_set_v: float
    vout_tolerance: float
    iout_rated_a: float
    iout_most_a: float
    supply_limit_a: float
    load_least_v: float = 0.0
    line_lead_ohm: float | None = None
    output_lead_ohm: float | None = None
    vin_sensed: bool = True
    vout_sensed: bool = True
    drawn: Error = LOW_COST["iout_a"]
    errors: Mapping[str, Error] = field(default_factory=lambda: LOW_COST)

    def limit(self, quantity: str, value: float) -> float:
        """The greatest error of a quantity at a reading [its unit]."""
        return self.errors.get(quantity, LOW_COST[quantity]).limit(value)


@dataclass(frozen=True, slots=True)
class AuditPoint:
    """The means of one point at low power; `u` holds their standard errors, by name."""

    line_set_v: float
    iout_set_a: float
    vin_v: float
    iin_a: float
    vout_v: float
    iout_a: float
    supply_mode: str = "CV"
    load_mode: str = "CC"
    ambient_temp_c: float | None = None
    case_temp_c: float | None = None
    hot_spot_temp_c: float | None = None
    u: Mapping[str, float] = field(default_factory=dict)
    capacitor_temp_c: float | None = None

    @property
    def pin_w(self) -> float:
        """Input power [W]."""
        return self.vin_v * self.iin_a

    @property
    def pout_w(self) -> float:
        """Output power [W]."""
        return self.vout_v * self.iout_a

    @property
    def efficiency(self) -> float | None:
        """Output over input power, None without input power."""
        return self.pout_w / self.pin_w if self.pin_w > 0.0 else None


@dataclass(frozen=True, slots=True)
class Zero:
    """What the ammeters showed at no current [A]; None where nobody looked."""

    iin_a: float | None = None
    iout_a: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong, or likely wrong.

    `seen` has the numbers, `matters` why, `points` by how many percentage points the
    efficiency at rated load is false from it, to first order (None: it makes no sense at
    all, or is not touched), `remedy` what to do.
    """

    name: str
    severity: Severity
    seen: str
    matters: str
    remedy: str
    points: float | None = None

    @property
    def text(self) -> str:
        """All of it in one line."""
        points = "" if self.points is None else f" ({self.points:+.2g} points at rated load)"
        return f"{self.name}: {self.seen}; {self.matters}{points}. {self.remedy}"


def likely_efficiency(points: tuple[AuditPoint, ...]) -> float:
    """The efficiency seen at the greatest load, where it can be one; else a usual one."""
    seen = [p.efficiency for p in points if p.iout_set_a > 0.0 and p.efficiency is not None]
    return seen[-1] if seen and 0.3 < seen[-1] < 1.0 else USUAL_EFFICIENCY
