"""The one table of CSV columns: name, unit, meaning and how a value is written.

The writers, the README and the tests all read it; a column that is not here is in no
file. A missing value is blank, a float always carries a point, so that pandas reads
every file with no options. Nothing here opens a file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

TEXT = ""
"""Format of a column of words; the others are printf formats."""

COUNT = "%d"
YES_NO = "%r"
MEASURED = "%#.7g"  # 0.1 ppm of the value: more than any bench resolves
DERIVED = "%#.6g"
STANDARD = "%#.4g"  # an uncertainty: two digits are read, two more for who computes on
FITTED = "%#.5g"  # no more digits than a search finds alike on every machine
TEMP = "%.3f"
PERCENT = "%.4f"
SECONDS = "%.3f"

_NEEDS_QUOTES = frozenset(',"\n\r')


def _quoted(value: object) -> str:
    text = str(value)
    if _NEEDS_QUOTES.isdisjoint(text):
        return text
    return '"' + text.replace('"', '""') + '"'


@dataclass(frozen=True, slots=True)
class Column:
    """One column; `show` writes a value that is there.

    One with a `role` is left out where the bench has no instrument in that role.
    """

    name: str
    unit: str
    meaning: str
    format: str = DERIVED
    role: str = ""
    show: Callable[[Any], str] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "show", self.format.__mod__ if self.format else _quoted)


def header(columns: Iterable[Column]) -> str:
    """The first line of a file."""
    return ",".join(column.name for column in columns) + "\n"


def row(columns: Sequence[Column], values: Sequence[Any]) -> str:
    """One line of a file: each value in its column's format, None as a blank."""
    cells = [
        "" if value is None else column.show(value)
        for column, value in zip(columns, values, strict=True)
    ]
    return ",".join(cells) + "\n"


def there(columns: Iterable[Column], roles: Mapping[str, Any]) -> tuple[bool, ...]:
    """For each column whether a run on a bench with these roles has it."""
    return tuple(not column.role or roles.get(column.role) is not None for column in columns)


def markdown_table(columns: Iterable[Column]) -> str:
    """The columns as a table for the README."""
    lines = ["| column | unit | meaning |", "|---|---|---|"]
    lines += [f"| `{column.name}` | {column.unit} | {column.meaning} |" for column in columns]
    return "\n".join(lines) + "\n"


CAPACITOR = "capacitor"
_WITH_ONE = "no such column without a thermometer on it"

_TEMPERATURES = (
    Column("ambient_temp_c", "°C", "air around the module; blank without a thermometer", TEMP),
    Column("case_temp_c", "°C", "case", TEMP),
    Column("hot_spot_temp_c", "°C", "hot spot", TEMP),
    Column("capacitor_temp_c", "°C", f"can of the capacitor; {_WITH_ONE}", TEMP, CAPACITOR),
)

READINGS = (
    Column("step", "", "number of the sequence's step, from 0", COUNT),
    Column("step_name", "", "what the step is, such as Read or Soak", TEXT),
    Column("t_s", "s", "time on the run's clock", SECONDS),
    Column("utc", "", "time of day, ISO 8601, UTC", TEXT),
    Column("line_set_v", "V", "line voltage set; 0 while the supply is off", DERIVED),
    Column("iout_set_a", "A", "load current set; 0 while the load is off", DERIVED),
    Column("vin_v", "V", "line at the module's input", MEASURED),
    Column("iin_a", "A", "input current", MEASURED),
    Column("vout_v", "V", "output of the module", MEASURED),
    Column("iout_a", "A", "output current", MEASURED),
    *_TEMPERATURES,
    Column("supply_mode", "", "what the supply regulates: CV, CC, OFF, TRIPPED or ?", TEXT),
    Column("load_mode", "", "CC, CR, CV, CP, OFF, TRIPPED or UNREGULATED", TEXT),
)
"""readings.csv: one row a sample."""

TEMPS = ("ambient_temp_c", "case_temp_c", "hot_spot_temp_c", "capacitor_temp_c")
SOURCED = ("vin_v", "iin_a", "vout_v", "iout_a")
SPREAD = (*SOURCED, *TEMPS)
SAMPLED = (*SPREAD, "supply_mode", "load_mode")

_K95 = "coverage factor: the 95 % interval is the value plus and minus this times"
_SOURCE = (
    "measured, corrected (lead drop, tare), uncorrected (leads are in it) or derived (a resistor's "
    "current, from its voltage)"
)


def _u(name: str, unit: str, of: str, role: str = "") -> Column:
    meaning = f"standard uncertainty (k = 1) of {of}; blank where an accuracy is not stated"
    return Column(f"{name}_u", unit, meaning, STANDARD, role)


def _electrical(name: str, unit: str, meaning: str) -> tuple[Column, Column, Column]:
    return (
        Column(name, unit, f"{meaning}, mean of the samples", MEASURED),
        _u(name, unit, name),
        Column(f"{name}_source", "", f"where it comes from: {_SOURCE}", TEXT),
    )


EFFICIENCY = (
    Column("run_id", "", "the run", TEXT),
    Column("unit", "", "which sample of the module", TEXT),
    Column("point", "", "number of the point in the run, from 1", COUNT),
    Column("kind", "", "fast (electrical curve) or soaked (in thermal equilibrium)", TEXT),
    Column("label", "", "the sequence's word for it", TEXT),
    Column("line_set_v", "V", "line voltage set", DERIVED),
    Column("iout_set_a", "A", "load current set", DERIVED),
    *_electrical("vin_v", "V", "line at the module's input"),
    *_electrical("iin_a", "A", "input current"),
    *_electrical("vout_v", "V", "output of the module"),
    *_electrical("iout_a", "A", "output current"),
    Column("pin_w", "W", "input power, vin_v x iin_a", MEASURED),
    _u("pin_w", "W", "it"),
    Column("pout_w", "W", "output power, vout_v x iout_a", MEASURED),
    _u("pout_w", "W", "it"),
    Column("ploss_w", "W", "loss, pin_w - pout_w", DERIVED),
    _u("ploss_w", "W", "it"),
    Column("ploss_w_k95", "", f"{_K95} ploss_w_u", "%.3f"),
    Column("efficiency_pct", "%", "pout_w / pin_w; blank without input power", PERCENT),
    _u("efficiency_pct", "%", "it, in percentage points"),
    Column("efficiency_pct_k95", "", f"{_K95} efficiency_pct_u", "%.3f"),
    Column("vout_deviation_pct", "%", "output from its set voltage, of the set voltage", PERCENT),
    *(shown for t in _TEMPERATURES for shown in (t, _u(t.name, "K", t.name, t.role))),
    Column("samples", "", "readings averaged", COUNT),
    *(
        Column(
            f"{name}_sd",
            {"v": "V", "a": "A", "c": "K"}[name[-1]],
            f"sample standard deviation of {name}; blank for one sample",
            "%#.4g",
            CAPACITOR if name.startswith(CAPACITOR) else "",
        )
        for name in SPREAD
    ),
    Column("supply_mode", "", "what the supply regulated at the last sample", TEXT),
    Column("load_mode", "", "what the load did at the last sample", TEXT),
    Column("settled", "", "electrically (fast) or thermally (soaked) settled", YES_NO),
    Column("dwell_s", "s", "time since the last change of a set point", SECONDS),
    Column("t_s", "s", "time of the last sample on the run's clock", SECONDS),
    Column("utc", "", "time of day of the point, ISO 8601, UTC", TEXT),
    Column("flags", "", "words such as UNSETTLED or SUPPLY_CC, joined by ;", TEXT),
)
"""efficiency.csv: one row a point."""

DERATING = (
    Column("run_id", "", "the run", TEXT),
    Column("unit", "", "which sample of the module", TEXT),
    Column("line_v", "V", "line voltage", DERIVED),
    Column("ambient_temp_c", "°C", "air around the module", TEMP),
    Column("iout_max_a", "A", "greatest continuous load; blank when refused", "%.4f"),
    Column(
        "iout_max_a_u",
        "A",
        "standard uncertainty (k = 1) of it, from instruments, fit, growth, settling or the "
        "predicted end of a soak, the gap up "
        "to a load that did not hold, and a resistance borrowed from another line; 0 where a "
        "file's limit decides, blank where an accuracy is not stated",
        "%#.3g",
    ),
    Column(
        "limited_by",
        "",
        "hot-spot, case, capacitor, output-tolerance, current-limit (seen), module-limit or "
        "derating-rule (module file) or bench (no greater load can be drawn here)",
        TEXT,
    ),
    Column(
        "basis",
        "",
        "measured (within 2.5 K of an ambient soaked at, and between the soaked loads of this "
        "line), extrapolated, or refused (more than 25 K away, or too few loads)",
        TEXT,
    ),
    Column("extrapolation_k", "K", "distance to the nearest ambient soaked at", TEMP),
    Column("hot_spot_temp_c", "°C", "hot spot at that load, settled", TEMP),
    Column("case_temp_c", "°C", "case at that load, settled", TEMP),
    Column(
        "capacitor_temp_c", "°C", f"capacitor at that load, settled; {_WITH_ONE}", TEMP, CAPACITOR
    ),
    Column("ploss_w", "W", "loss at that load, settled", DERIVED),
    Column("efficiency_pct", "%", "there; blank beyond the loads measured", PERCENT),
    Column("thermal_resistance_k_per_w", "K/W", "hot spot to air", DERIVED),
    Column("case_resistance_k_per_w", "K/W", "case to air", DERIVED),
    Column(
        "capacitor_resistance_k_per_w",
        "K/W",
        f"capacitor to air; {_WITH_ONE}",
        DERIVED,
        CAPACITOR,
    ),
    Column("resistance_spread_pct", "%", "greatest less least of the single soaks", PERCENT),
    Column("soaks", "", "settled soaks the thermal resistance rests on", COUNT),
    Column("soaked_least_a", "A", "least load soaked at", MEASURED),
    Column("soaked_greatest_a", "A", "greatest load soaked at", MEASURED),
    Column("loss_a_w", "W", "a of the loss (a + b I + c I²)(1 + growth (T - 25 °C))", FITTED),
    Column("loss_b_w_per_a", "W/A", "b of it", FITTED),
    Column("loss_c_w_per_a2", "W/A²", "c of it", FITTED),
    Column(
        "loss_growth_pct_per_k", "%/K", "growth of it; T is the hot spot, else the case", PERCENT
    ),
    Column("loss_growth_basis", "", "fitted, or assumed because the points cannot tell it", TEXT),
    Column("loss_residual_w", "W", "rms of measured less fitted loss at this line", "%.6f"),
    Column("loss_points", "", "points the loss rests on at this line", COUNT),
    Column(
        "flags",
        "",
        "ABOVE_SOAKED_LOADS, BELOW_SOAKED_LOADS, NOT_SOAKED_AT_LINE (thermal resistance of the "
        "other lines), TOO_FEW_LOADS (three are needed), GROWTH_ASSUMED, RESISTANCE_SPREAD (over "
        "20 %), HOT_SPOT_NOT_MEASURED, CASE_NOT_MEASURED, CAPACITOR_NOT_MEASURED; joined by ;",
        TEXT,
    ),
)
"""derating.csv: one row a line and ambient."""

BUDGET = (
    Column("run_id", "", "the run", TEXT),
    Column("point", "", "number of the point in the run, from 1", COUNT),
    Column("quantity", "", "efficiency_pct or ploss_w", TEXT),
    Column("source", "", "what is in doubt: a gain, an offset, repeatability, ...", TEXT),
    Column("instrument", "", "whose it is, by its name in the bench file", TEXT),
    Column("type", "", "A from repeated readings, B otherwise", TEXT),
    Column("distribution", "", "its shape", TEXT),
    Column("u", "", "sensitivity x standard uncertainty, in the quantity's unit", STANDARD),
    Column("share_pct", "%", "of the quantity's variance", PERCENT),
)
"""budget.csv: one row a source of each point's efficiency and loss, the greatest first."""

FINDINGS = (
    Column("run_id", "", "the run", TEXT),
    Column("unit", "", "which sample of the module", TEXT),
    Column("finding", "", "number of the result in the run, from 1", COUNT),
    Column("quantity", "", "what was found, such as current_limit_a", TEXT),
    Column("value", "", "the result; blank where there is only a bound, or a word", MEASURED),
    Column("value_unit", "", "unit of it, of its uncertainty and of the bracket", TEXT),
    Column(
        "value_u",
        "",
        "standard uncertainty (k = 1) of it, from the instrument and the bracket (rectangular); "
        "blank where an accuracy is not stated",
        STANDARD,
    ),
    Column("value_k95", "", f"{_K95} value_u", "%.3f"),
    Column("low", "", "it lies above this; blank without a bound", MEASURED),
    Column("high", "", "it lies below this; blank without a bound", MEASURED),
    Column("line_v", "V", "line it was found at", DERIVED),
    Column("iout_a", "A", "load it was found at", DERIVED),
    Column("ambient_temp_c", "°C", "air around the module; blank where it was not read", TEMP),
    Column("rests_on", "", "the reading it was found with; blank for a time", TEXT),
    Column("text", "", "a result in words, or what has to be known of it", TEXT),
)
"""findings.csv: one row a result of the sequence."""

_IN_UNIT = "in the unit of the row"

COMPARISON = (
    Column("run_a", "", "the run compared with: the first one named", TEXT),
    Column("run_b", "", "the run compared", TEXT),
    Column(
        "kind", "", "fast, soaked, derated (what the module is worth) or found (a result)", TEXT
    ),
    Column("line_set_v", "V", "line voltage set, in both runs; where it was found", DERIVED),
    Column("iout_a", "A", "load both are compared at, as measured; blank for a worth", MEASURED),
    Column("ambient_temp_c", "°C", "air in run_a", TEMP),
    Column("ambient_b_temp_c", "°C", "air in run_b", TEMP),
    Column("hot_spot_temp_c", "°C", "hot spot in run_a; fast points lose more when warmer", TEMP),
    Column("hot_spot_b_temp_c", "°C", "hot spot in run_b", TEMP),
    Column(
        "quantity",
        "",
        "efficiency_pct, ploss_w, vout_v, hot_spot_rise_k (above ambient, soaked), worth_a "
        "(greatest continuous load), or a result such as dropout_line_v",
        TEXT,
    ),
    Column("quantity_unit", "", "its unit; % of an efficiency are percentage points", TEXT),
    Column("a", "", f"run_a, {_IN_UNIT}", MEASURED),
    Column("a_u", "", f"standard uncertainty (k = 1) of a, {_IN_UNIT}", STANDARD),
    Column("b", "", f"run_b, {_IN_UNIT}", MEASURED),
    Column("b_u", "", f"standard uncertainty (k = 1) of b, {_IN_UNIT}", STANDARD),
    Column("correlation", "", "of a and b: 1 where one box took both with the same errors", "%.4f"),
    Column("difference", "", f"b less a, {_IN_UNIT}", MEASURED),
    Column("difference_u", "", f"standard uncertainty (k = 1) of it, {_IN_UNIT}", STANDARD),
    Column("difference_k95", "", f"{_K95} difference_u", "%.3f"),
    Column(
        "significance",
        "",
        "size of the difference over its expanded uncertainty (95 %): above 1 it is one",
        "%#.4g",
    ),
    Column(
        "p",
        "",
        "probability that no difference at all shows this much or more; 0.0001 stands for less",
        "%.4f",
    ),
    Column(
        "match",
        "",
        "same load (set alike in both), interpolated (between loads of one run, never beyond), "
        "for a worth its basis in both runs, for a result what was said of it",
        TEXT,
    ),
)
"""comparison.csv: one row a quantity of each matched point."""

VERDICTS = (
    Column("run_id", "", "the run", TEXT),
    Column("unit", "", "which sample of the module", TEXT),
    Column("claim", "", "number of the claim in the module file, from 1", COUNT),
    Column("about", "", "what kind of claim, as in the module file", TEXT),
    Column("source", "", "where the claim was read", TEXT),
    Column("part", "", "what was looked at: a claim may have several parts", TEXT),
    Column("conditions", "", "line, load, air and kind of points it was judged at", TEXT),
    Column("decides", "", "True for the one part whose verdict is that of the claim", YES_NO),
    Column("verdict", "", "pass, fail, inconclusive, not-comparable or not-tested", TEXT),
    Column("rule", "", "the decision rule", TEXT),
    Column("measured", "", "the value; blank where there is none to compare", MEASURED),
    Column("measured_unit", "", "unit of it, of its doubt, the limits and the margin", TEXT),
    Column("expanded_u", "", "expanded uncertainty U = k u for 95 %", STANDARD),
    Column("k", "", "its coverage factor", "%.3f"),
    Column("least", "", "claimed limit below; blank without one", DERIVED),
    Column("most", "", "claimed limit above; blank without one", DERIVED),
    Column("accepted_least", "", "passes from here, by the rule and this U", MEASURED),
    Column("accepted_most", "", "passes up to here; both blank where nothing could pass", MEASURED),
    Column("margin", "", "distance to the nearest claimed limit, negative outside", STANDARD),
    Column("margin_in_u", "", "margin over expanded_u", "%#.3g"),
    Column(
        "conformance_probability",
        "",
        "probability that the true value is inside the limits (JCGM 106)",
        "%.4f",
    ),
    Column("points", "", "numbers of the points it rests on, joined by ;", TEXT),
    Column("notes", "", "what was assumed, and what else has to be known", TEXT),
    Column("reason", "", "why this verdict", TEXT),
)
"""verdicts.csv: one row a part of each claim."""

PROTECTION = (
    Column("part", "", "schottky, p-channel or fuse-and-clamp, as in the module file", TEXT),
    Column("line_v", "V", "line in front of the part", DERIVED),
    Column("iout_a", "A", "load of the module", MEASURED),
    Column("ambient_temp_c", "°C", "air around the part", TEMP),
    Column("module_v", "V", "what reaches the module", MEASURED),
    Column("iin_a", "A", "current in the part and the module, more than without it", MEASURED),
    Column("drop_v", "V", "line_v - module_v", DERIVED),
    Column("drop_v_u", "V", "standard uncertainty (k = 1) of it, by the tolerances", STANDARD),
    Column("part_w", "W", "what heats the part", DERIVED),
    Column("part_w_u", "W", "standard uncertainty (k = 1) of it", STANDARD),
    Column(
        "extra_w",
        "W",
        "price: what the line gives more than without the part; the module's own loss changes too",
        DERIVED,
    ),
    Column("extra_w_u", "W", "standard uncertainty (k = 1) of it", STANDARD),
    Column("extra_w_k95", "", f"{_K95} extra_w_u", "%.3f"),
    Column("bare_efficiency_pct", "%", "of the module alone at this line", PERCENT),
    Column("bare_efficiency_pct_u", "%", "standard uncertainty (k = 1) of it, in points", STANDARD),
    Column("efficiency_pct", "%", "of part and module", PERCENT),
    Column("efficiency_pct_u", "%", "standard uncertainty (k = 1) of it, in points", STANDARD),
    Column("lost_pct", "%", "the difference, in percentage points", PERCENT),
    Column("lost_pct_u", "%", "standard uncertainty (k = 1) of it, in points", STANDARD),
    Column("least_line_v", "V", "line at which the module just gets what it needs", DERIVED),
    Column("headroom_v", "V", "how much higher that is than without the part", DERIVED),
    Column("part_temp_c", "°C", "of the part at rest; blank without its thermal resistance", TEMP),
    Column("part_temp_c_u", "K", "standard uncertainty (k = 1) of it", STANDARD),
    Column("measured_w", "W", "price measured: difference of the loss of two runs", DERIVED),
    Column("measured_w_u", "W", "standard uncertainty (k = 1) of it", STANDARD),
    Column("why", "", "why there is no price; blank where there is one", TEXT),
)
"""protection.csv: one row a part, line and load."""
