"""Which unit, on which bench, read by which instruments: what a reader needs to do it again.

Everything from the module and bench files as the journal holds them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from runner.analysis.accuracy import Range, ranges
from runner.audit import AUDIT
from runner.report.columns import SOURCED
from runner.report.measured import greatest_seen
from runner.report.page.markup import NOTHING, Markup, facts, paragraph, section, subheading, table
from runner.report.same_box import section_of, serial_of
from runner.report.tables import Tables
from runner.report.worth import drifts

NOT_SAID = "not stated"
QUANTITIES = {
    "vin_v": "line voltage",
    "iin_a": "input current",
    "vout_v": "output voltage",
    "iout_a": "output current",
    "ambient_temp_c": "air",
    "case_temp_c": "case",
    "capacitor_temp_c": "capacitor",
    "hot_spot_temp_c": "hot spot",
}
WATCHED = QUANTITIES | {
    "ploss_w": "loss",
    "ploss_jump_w": "jump of the loss",
    "pin_w": "input power",
    "pout_w": "output power",
    "hot_spot_rise_k_per_min": "rise of the hot spot",
    "case_rise_k_per_min": "rise of the case",
    "capacitor_rise_k_per_min": "rise of the capacitor",
}
LIMITS = {
    "line_abs_max_v": "line at most",
    "iout_max_a": "load at most",
    "hot_spot_max_temp_c": "hot spot at most",
    "case_max_temp_c": "case at most",
    "capacitor_max_temp_c": "capacitor at most",
    "derating_from_c": "stated rule: rated load up to",
    "derating_to_zero_c": "and none from",
}
PROVENANCE = {
    "measured": "measured at the module, by remote sense or a meter there",
    "corrected": "corrected for the drop in leads of known resistance",
    "uncorrected": "NOT corrected: leads of unknown resistance are in it",
    "derived": "derived from a voltage and a resistor",
    "assumed": "ASSUMED: nothing that rests on it is decided",
}


def unit(tables: Tables) -> Markup:
    """The specimen."""
    module = tables.record.module
    limits = module.get("limits") or {}
    protection = module.get("protection") or {}
    told = [f"{key} {value}" for key, value in protection.items() if value not in (None, "")]
    pairs = [
        ("module", module["name"]),
        ("unit", module.get("unit") or NOT_SAID),
        ("lot", module.get("lot") or NOT_SAID),
        ("marking", module.get("marking") or NOT_SAID),
        ("sample", "one unit; how it was chosen and photographs are not in the journal"),
        (
            "line",
            f"{module['line_min_v']:g} to {module['line_max_v']:g} V, nominal "
            f"{module['line_nominal_v']:g} V"
            if "line_nominal_v" in module
            else "",
        ),
        (
            "output",
            f"set to {module['vout_set_v']:g} V, "
            f"tolerance {module.get('vout_tolerance_pct') or '-'} %",
        ),
        ("rated load", f"{module['iout_rated_a']:g} A"),
        ("air flow", module.get("airflow") or NOT_SAID),
        ("mounting", module.get("mounting") or NOT_SAID),
        ("protection", ", ".join(told).removeprefix("kind ") or "none"),
        (
            "limits",
            ", ".join(
                f"{LIMITS[k]} {v:g} {_limit({'quantity': k, 'most': v})[1]}"
                for k, v in limits.items()
                if v and k in LIMITS
            ),
        ),
    ]
    return section("unit", "The unit", facts(pairs))


def bench(tables: Tables) -> Markup:
    """Set-up and instruments."""
    record = tables.record
    sources = record.run.get("sources", {})
    simulated = record.bench.get("visa") == "simulated"
    warned = paragraph("A simulated bench: nothing here was measured on hardware.", class_="warn")
    where = [(QUANTITIES[name], _provenance(name, sources)) for name in SOURCED]
    return section(
        "setup",
        "Set-up",
        warned if simulated else NOTHING,
        facts([("bench", str(record.bench.get("name", ""))), ("reference plane", PLANE), *where]),
        facts(_leads(tables)),
        facts([("not in the journal", "wire lengths, enclosure")]),
        _wiring(tables),
    )


def _provenance(name: str, sources: Mapping[str, Any]) -> str:
    source = str(sources.get(name, "measured"))
    if source == "measured" and name.endswith("_a"):
        return "measured"  # a current is the same all along its wire
    return PROVENANCE.get(source, source)


PLANE = "the terminals of the module, or of the protection in front of it: line in, output out"


def _leads(tables: Tables) -> Iterator[tuple[str, str]]:
    for role in ("supply", "load"):
        name = (tables.record.bench.get("roles") or {}).get(role, role)
        box = section_of(tables.record, name)
        sense = "with remote sense" if box.get("remote_sense") else "without remote sense"
        ohm = box.get("lead_resistance_ohm")
        if ohm is None:
            yield f"leads of the {role}", f"{sense}, resistance {NOT_SAID}"
            continue
        u_ohm = box.get("lead_resistance_u_ohm")
        doubt = f"{1e3 * u_ohm:g} mΩ" if u_ohm is not None else "10 % of it, as none is stated"
        yield f"leads of the {role}", f"{sense}, {1e3 * ohm:g} mΩ both wires, u = {doubt}"


def _wiring(tables: Tables) -> Markup:
    """Wiring audit, tares, and whether the reference point moved."""
    record = tables.record
    notes = [note for note in record.notes if note.startswith(AUDIT)]
    pairs = [("wiring audit", note.removeprefix(AUDIT).lstrip(",: ")) for note in notes]
    if not notes:
        pairs.append(("wiring audit", "not done"))
    tared = [f"{name} {1e3 * zero.mean.value:+.2f} mA" for name, zero in record.tares.zeros.items()]
    pairs.append(("tare, taken off", ", ".join(tared) or "none: offsets are in the uncertainty"))
    pairs += [(f"no tare of {name}", why) for name, why in record.tares.refused.items()]
    found = list(drifts(tables.measured.points))
    for drift in found:
        verdict = "DRIFT, beyond its uncertainty" if drift.is_drift else "within its uncertainty"
        pairs.append(
            (
                "reference point",
                f"{verdict}: the loss moved {1e3 * drift.moved_w:+.0f} mW; "
                f"{1e3 * drift.rest_w:+.0f} ± {1e3 * drift.expanded_u_w:.0f} mW (99 %) is not "
                f"explained by {drift.warmer_k:+.1f} K of heat",
            )
        )
    if not found:
        pairs.append(("reference point", "not repeated: drift is not known"))
    return Markup(subheading("Proof of the wiring, tare, drift") + facts(pairs))


# --------------------------------------------------------------------------- instruments


def instruments(tables: Tables) -> Markup:
    """Each reading with the box behind it, the range used and its maker's statement."""
    record = tables.record
    found = ranges(record.bench, greatest_seen(record))
    rows = [
        _instrument(tables, quantity, one)
        for quantity, one in found.items()
        if quantity in QUANTITIES
    ]
    header = ("reads", "name", "identity", "serial", "calibration due", "range", "accuracy")
    limits = record.run.get("limits") or []
    interlocks = [
        (WATCHED.get(one["quantity"], one["quantity"]), *_limit(one), one["source"])
        for one in limits
    ]
    watched = (
        Markup(
            subheading("Interlocks during the run")
            + table(("quantity", "at most", "unit", "from"), interlocks, words=(0, 2, 3))
        )
        if interlocks
        else NOTHING
    )
    return section(
        "instruments",
        "Instruments",
        table(header, rows, words=range(7)),
        paragraph(
            "Limits of error are taken as rectangular (JCGM 100:2008, 4.3.7) unless stated with "
            "k = 2. Readings on one range of one box share its gain and its offset.",
            class_="quiet",
        ),
        watched,
    )


def _limit(one: Mapping[str, Any]) -> tuple[str, str]:
    unit = {"v": "V", "a": "A", "w": "W", "c": "°C", "n": "K/min"}.get(one["quantity"][-1], "")
    return f"{one['most']:g}", unit


def _instrument(tables: Tables, quantity: str, one: Range | str) -> tuple[str, ...]:
    record, name = tables.record, _box(tables, quantity)
    box = section_of(record, name)
    kind = {"v": "voltage", "a": "current"}.get(quantity[-1], "temp")
    if box.get("shunt_ohm") and kind == "current":
        kind = "voltage"
    used = _range_of(one)
    return (
        QUANTITIES[quantity],
        name,
        str(record.run.get("identities", {}).get(name, NOT_SAID)),
        serial_of(record, name) or NOT_SAID,
        str(box.get("calibration_due") or NOT_SAID),
        used or NOT_SAID,
        one if isinstance(one, str) else _accuracy(box, kind, used),
    )


def _box(tables: Tables, quantity: str) -> str:
    roles = tables.record.bench.get("roles") or {}
    role = quantity.removesuffix("_temp_c").removesuffix("_v").removesuffix("_a")
    readback = {"vin": "supply", "iin": "supply", "vout": "load", "iout": "load"}.get(role, role)
    return str(roles.get(role) or roles.get(readback) or readback)


def _range_of(one: Range | str) -> str:
    """The range a gain or an offset names, such as 6 A range."""
    if isinstance(one, str):
        return ""
    sources = [source.name.rpartition(", ")[2] for source, _ in (*one.gains, *one.offsets)]
    return next((text for text in sources if text.endswith("range")), "its only range")


def _accuracy(box: Mapping[str, Any], kind: str, used: str) -> str:
    """The maker's statement of the range that was used, word by word."""
    rows = box.get(f"{kind}_accuracy") or ()
    for row in [rows] if isinstance(rows, Mapping) else rows:
        unit = next((u for u in ("v", "a") if f"range_{u}" in row), "k")
        named = f"{row.get(f'range_{unit}', 0.0):g} {unit.upper()} range"
        if used == named or unit == "k":
            return _statement(row, unit) + _shunt(box)
    return NOT_SAID


def _statement(row: Mapping[str, Any], unit: str) -> str:
    parts = [
        f"{row['reading_pct']:g} % of reading" if row.get("reading_pct") else "",
        f"{row['range_pct']:g} % of range" if row.get("range_pct") else "",
        f"{row[f'offset_{unit}']:g} {unit.upper()}" if row.get(f"offset_{unit}") else "",
    ]
    shape = ", k = 2" if row.get("distribution") == "normal-k2" else ""
    return " + ".join(part for part in parts if part) + shape


def _shunt(box: Mapping[str, Any]) -> str:
    if not box.get("shunt_ohm"):
        return ""
    return f", over {box['shunt_ohm']:g} Ω ± {box.get('shunt_tolerance_pct', 0.0):g} %"
