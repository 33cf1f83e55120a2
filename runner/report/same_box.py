"""Which box of one run is which box of another: what decides whether their errors are the same.

Called by the comparison. Two readings share gain and offset only where it is proven that one
and the same instrument took them on one range; two boxes of one type share nothing.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from runner.analysis.accuracy import Range, ranges
from runner.analysis.uncertainty import Source, Uncertain
from runner.report.measured import greatest_seen
from runner.report.record import RunRecord

Key = str
"""All that has to agree for two boxes to be one, as text."""

NO_SERIAL = frozenset({"", "0"})
"""What stands in an identity for a serial number that is not known (IEEE 488.2, 10.14)."""

ERRORS = (
    "channel",
    "sensor",
    "shunt_ohm",
    "shunt_tolerance_pct",
    "calibration_due",
    "voltage_accuracy",
    "current_accuracy",
    "temp_accuracy",
)
"""Keys of a section that have to agree as well: another channel, sensor or shunt, a calibration
or another statement of accuracy in between, and the errors are no longer the same ones."""


def section_of(record: RunRecord, name: str) -> Mapping[str, Any]:
    """An instrument's section of the bench file, empty where it has none."""
    section: Mapping[str, Any] = record.bench.get("instruments", {}).get(name, {})
    return section


def serial_of(record: RunRecord, name: str) -> str:
    """A serial number: of the bench file, of the identity, or of the USB address; "" if unknown."""
    section = section_of(record, name)
    fields = str(record.run.get("identities", {}).get(name, "")).split(",")
    address = str(section.get("resource", "")).split("::")
    candidates = [
        section.get("serial") or "",
        fields[2].strip() if len(fields) > 2 else "",
        address[3] if len(address) > 4 and address[0].upper().startswith("USB") else "",
    ]
    return next((text for text in candidates if text not in NO_SERIAL), "")


def key_of(record: RunRecord, name: str) -> Key | None:
    """What tells this box from all others; None where nothing does."""
    serial = serial_of(record, name)
    if not serial:
        return None
    section = section_of(record, name)
    identity = record.run.get("identities", {}).get(name, "")
    values = {key: section.get(key) for key in ERRORS if section.get(key)}
    is_twin = record.bench.get("visa") == "simulated"  # says its name, and has errors of its own
    return json.dumps([identity, serial, is_twin, values], sort_keys=True)


class Owners:
    """Renames the sources of several runs so that what they share is one source, and only that.

    `shared` and `apart` tell for each later run which boxes were proven to be one of an earlier
    run, and why the others were not.
    """

    def __init__(self) -> None:
        self._names: dict[Key, str] = {}

    def renamed(self, record: RunRecord, label: str) -> Renaming:
        """How the sources of this run are called in a comparison; `label` tells the run."""
        owners: dict[Source, str] = {}
        for one in ranges(record.bench, greatest_seen(record)).values():
            key = key_of(record, one.instrument) if isinstance(one, Range) else None
            if isinstance(one, Range) and key is not None:
                name = self._names.setdefault(key, f"{one.instrument} of run {label}")
                owners |= {source: name for source, _ in (*one.gains, *one.offsets)}
        return Renaming(owners, label)


class Renaming:
    """The sources of one run, renamed: those of a known box by the box, all others by the run."""

    def __init__(self, owners: Mapping[Source, str], label: str) -> None:
        self._owners, self._label = owners, label
        self._known: dict[Source, Source] = {}

    def value(self, found: Uncertain) -> Uncertain:
        """The same value, resting on the renamed sources."""
        return Uncertain(found.value, {self._source(s): u for s, u in found.parts.items()})

    def _source(self, source: Source) -> Source:
        known = self._known.get(source)
        if known is None:
            known = self._known[source] = self._renamed(source)
        return known

    def _renamed(self, source: Source) -> Source:
        owner = self._owners.get(source)
        if owner is not None:
            return replace(source, instrument=owner)
        together = f"{source.together}, run {self._label}" if source.together else ""
        instrument = f"{source.instrument} in run {self._label}"
        return replace(source, instrument=instrument, together=together)


def told_apart(a: RunRecord, b: RunRecord) -> dict[str, str]:
    """For each role that reads in both runs: "" where one box read in both, else why not."""
    boxes_a, boxes_b = _readers(a), _readers(b)
    return {
        quantity: _why_apart(a, boxes_a[quantity], b, boxes_b[quantity])
        for quantity in boxes_a
        if quantity in boxes_b
    }


def _readers(record: RunRecord) -> dict[str, Range]:
    found = ranges(record.bench, greatest_seen(record))
    return {quantity: one for quantity, one in found.items() if isinstance(one, Range)}


def _why_apart(a: RunRecord, range_a: Range, b: RunRecord, range_b: Range) -> str:
    serial_a, serial_b = serial_of(a, range_a.instrument), serial_of(b, range_b.instrument)
    if not serial_a or not serial_b:
        return "no serial number is known: write `serial` into its section of the bench file"
    if serial_a != serial_b:
        return f"two boxes, serial numbers {serial_a} and {serial_b}"
    if key_of(a, range_a.instrument) != key_of(b, range_b.instrument):
        return "same serial number, but identity, channel, sensor, calibration or accuracy differ"
    if {s for s, _ in range_a.gains} != {s for s, _ in range_b.gains}:
        return "another range"
    return ""
