"""Each point of a run with its uncertainties: what the tables, the budget and the summary use.

Joins the points of `record` with the accuracies of the run record's bench. A quantity whose
instrument states no accuracy has no uncertainty, nor has anything made of it; why is told
in words. Opens no file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from runner.analysis.accuracy import RECTANGULAR, ROOT_3, Range, lead, ranges
from runner.analysis.uncertainty import Source, Uncertain
from runner.report.columns import SOURCED, SPREAD
from runner.report.means import greatest_of
from runner.report.record import NumberedPoint, RunRecord

OBSERVED = frozenset({"measured", "corrected", "uncorrected", "derived"})
"""Sources that rest on a reading; an efficiency with any other input is undefined."""

DERIVED = ("pin_w", "pout_w", "ploss_w", "efficiency")
LEADS = {"vin_v": ("supply", "iin_a"), "vout_v": ("load", "iout_a")}
"""The box whose leads a voltage may have to be corrected for, and the current in them."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A point, where its quantities come from, and those whose uncertainty is known, by name.

    `values` has [V], [A], [W], [°C]; `efficiency` is a fraction.
    """

    numbered: NumberedPoint
    sources: Mapping[str, str]
    values: Mapping[str, Uncertain] = field(default_factory=dict)

    def u(self, name: str) -> float | None:
        """Standard uncertainty of a quantity, None where it is not known."""
        found = self.values.get(name)
        return None if found is None else found.u

    @property
    def is_observed(self) -> bool:
        """True where all four electrical quantities rest on readings."""
        return all(self.sources[name] in OBSERVED for name in SOURCED)


@dataclass(frozen=True, slots=True)
class MeasuredRun:
    """All points, and for each quantity without an uncertainty the reason."""

    points: tuple[Measured, ...]
    unknown: Mapping[str, str]


def measure(record: RunRecord) -> MeasuredRun:
    """The points of a run with their uncertainties."""
    found = ranges(record.bench, greatest_seen(record))
    known = {name: one for name, one in found.items() if isinstance(one, Range)}
    known |= {n: known[n].beyond(a) for n, a in record.tares.beyond.items() if n in known}
    unknown = _nameless(record, found)
    unknown |= {name: one for name, one in found.items() if isinstance(one, str)}
    if record.run.get("sources", {}).get("iout_a") == "derived" and "vout_v" in known:
        unknown.pop("iout_a", None)  # it has what its voltage and its resistor have
    leads = _leads(record)
    points = tuple(_measured(record, numbered, known, leads) for numbered in record.points)
    return MeasuredRun(points, unknown)


def _nameless(record: RunRecord, found: Mapping[str, object]) -> dict[str, str]:
    """Quantities that the points have and no instrument of the bench file is named for."""
    names = [name for name in SPREAD if name not in found]
    points = [numbered.point for numbered in record.points]
    return {
        name: f"no instrument is named for {name}"
        for name in names
        if any(getattr(point, name) is not None for point in points)
    }


def greatest_seen(record: RunRecord) -> dict[str, float]:
    """What the ranges were chosen for: as recorded, else the greatest value of the run."""
    points = [numbered.point for numbered in record.points]
    seen = {name: max((abs(getattr(p, name)) for p in points), default=0.0) for name in SOURCED}
    return seen | greatest_of(record.run)


def _leads(record: RunRecord) -> dict[str, Uncertain]:
    """The lead resistance [ohm] of each voltage that was corrected for it."""
    sources, bench = record.run.get("sources", {}), record.bench
    found: dict[str, Uncertain] = {}
    for name, (role, _) in LEADS.items():
        box = bench.get("roles", {}).get(role, role)
        known = lead(bench.get("instruments", {}).get(box, {}), box)
        if known is not None and sources.get(name) == "corrected":
            found[name] = known
    return found


def _measured(
    record: RunRecord,
    numbered: NumberedPoint,
    known: Mapping[str, Range],
    leads: Mapping[str, Uncertain],
) -> Measured:
    sources = {name: record.run.get("sources", {}).get(name, "measured") for name in SOURCED}
    sources |= {name: "corrected" for name in numbered.zeros if sources[name] == "measured"}
    values = dict(_readings(numbered, known))
    if sources["iout_a"] == "derived" and "vout_v" in values:
        values["iout_a"] = _through_resistor(record, numbered, values["vout_v"])
    for name, lead_ohm in leads.items():
        _, current = LEADS[name]
        at_module = values.pop(name, None)
        if at_module is not None and current in values:
            values[name] = _behind_leads(name, at_module, values[current], lead_ohm)
    observed = {n: v for n, v in values.items() if sources.get(n, "measured") in OBSERVED}
    return Measured(numbered, sources, observed | derived(observed))


def _readings(
    numbered: NumberedPoint, known: Mapping[str, Range]
) -> Iterable[tuple[str, Uncertain]]:
    """Each quantity as its instrument knows it, tared where it was."""
    for name in SPREAD:
        value, mean = getattr(numbered.point, name), numbered.means.get(name)
        if value is None or mean is None or name not in known:
            continue
        own, zero = known[name], numbered.zeros.get(name)
        if zero is not None:
            own = own.tared(zero.mean, zero.step)
        yield name, own.reading(value, mean, numbered.number)


def _behind_leads(
    name: str, corrected: Uncertain, current: Uncertain, lead_ohm: Uncertain
) -> Uncertain:
    """A voltage at the module: what the box reads less, or plus, the drop in its leads."""
    sign = -1.0 if name == "vin_v" else 1.0
    at_box = corrected - sign * current.value * lead_ohm.value
    return at_box + sign * (current * lead_ohm)


def _through_resistor(record: RunRecord, numbered: NumberedPoint, vout: Uncertain) -> Uncertain:
    """A resistor's current [A] by Ohm's law: what is in doubt is its voltage, it, and its clips."""
    connected = numbered.connected
    if not connected.get("ohm"):
        return Uncertain(0.0)
    bank = record.bench.get("roles", {}).get("load", "load")
    section = record.bench.get("instruments", {}).get(bank, {})
    body = Source(f"resistance of {connected['resistor']}", bank, shape=RECTANGULAR)
    parts = {body: connected["ohm_limit"] / ROOT_3}
    clips = lead(section, bank)
    if clips is not None:
        parts |= clips.parts
    return vout / Uncertain(connected["ohm"], parts)


def derived(values: Mapping[str, Uncertain]) -> dict[str, Uncertain]:
    """Powers [W], loss [W] and efficiency of the point, correlated as their inputs are."""
    found: dict[str, Uncertain] = {}
    if "vin_v" in values and "iin_a" in values:
        found["pin_w"] = values["vin_v"] * values["iin_a"]
    if "vout_v" in values and "iout_a" in values:
        found["pout_w"] = values["vout_v"] * values["iout_a"]
    if len(found) == 2:
        found["ploss_w"] = found["pin_w"] - found["pout_w"]
        if found["pin_w"].value > 0.0:
            found["efficiency"] = found["pout_w"] / found["pin_w"]
    return found
