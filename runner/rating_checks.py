"""The single checks behind `ratings`: what limits the load, and what cannot work together.

Pure functions of a bench file and a module file; `heights` takes the bounds too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from runner.files.bench_file import (
    BenchFile,
    LoadSection,
    MeterKeys,
    ResistorBankSection,
    SupplySection,
)
from runner.files.mistakes import Mistake, dotted
from runner.files.module_file import ModuleFile

PESSIMISTIC_EFFICIENCY = 0.70
"""Assumed where a supply must be enough: below the usual 75 % of a poor non-synchronous
module (common practice, no source)."""

SEQUENCE_THINKS_S, WAITS_A_CALL = 10.0, 2.0
"""A sequence may compute so long [s] (`attention.PATIENCE_S`); a late box takes two timeouts."""

SENSE_DROP_MAX_V = 0.5
"""What a supply's remote sense can usually make up for (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Bound:
    """A greatest value and who says so."""

    value: float
    source: str


def least(bounds: Iterable[Bound]) -> Bound:
    """The bound that binds."""
    return min(bounds, key=lambda bound: bound.value)


def input_current_a(
    module: ModuleFile, line_v: float, iout_a: float, efficiency: float = PESSIMISTIC_EFFICIENCY
) -> float:
    """Input current [A] at a line [V] and load [A]; power balance at an assumed efficiency."""
    return module.vout_set_v * iout_a / (efficiency * line_v)


# ---------------------------------------------------------------------------- bounds


def load_bounds(bench: BenchFile, module: ModuleFile) -> Iterator[Bound]:
    """Everything that limits the load current [A]."""
    load, name = bench.load, bench.roles.load
    yield Bound(module.limits.iout_max_a, "limits.iout_max_a of the module file")
    yield Bound(load.rated_a, f"rated_a of {name}")
    yield Bound(load.rated_w / module.vout_most_v, f"rated_w of {name} at the module's output")
    if load.lead_max_a is not None:
        yield Bound(load.lead_max_a, f"lead_max_a of {name}")
    if bench.limits.iout_max_a is not None:
        yield Bound(bench.limits.iout_max_a, "limits.iout_max_a of the bench file")
    yield from ammeter_bounds(bench, "iout")


def supply_bounds(bench: BenchFile, fuse_load: float = 1.0) -> Iterator[Bound]:
    """Everything that limits the line current [A] in hardware; `fuse_load` is the fuse's share."""
    supply, name = bench.supply, bench.roles.supply
    yield Bound(supply.rated_a, f"rated_a of {name}")
    if supply.lead_max_a is not None:
        yield Bound(supply.lead_max_a, f"lead_max_a of {name}")
    if bench.limits.fuse_a is not None:
        yield Bound(fuse_load * bench.limits.fuse_a, "limits.fuse_a of the bench file")
    yield from ammeter_bounds(bench, "iin")


def ammeter_bounds(bench: BenchFile, role: Literal["iin", "iout"]) -> Iterator[Bound]:
    """What an ammeter's shunt may carry and its range holds [A]."""
    meter, name = bench.meter(role), getattr(bench.roles, role)
    if meter is None:
        return
    if meter.shunt_max_a is not None:
        yield Bound(meter.shunt_max_a, f"shunt_max_a of {name}")
    full_a = full_scale_a(meter)
    if full_a is not None:
        yield Bound(full_a, f"range of {name}")


def full_scale_a(meter: MeterKeys) -> float | None:
    """The greatest current [A] an ammeter reads on its range, over its shunt if it has one."""
    if meter.shunt_ohm is None or meter.range_v is None:
        return meter.range_a
    return meter.range_v / meter.shunt_ohm


# ------------------------------------------------------------------------- impossible


def mistakes(bench: BenchFile, module: ModuleFile) -> Iterator[Mistake]:
    """What cannot work, whatever the sequence asks for."""
    yield from _above_ratings(bench)
    yield from _too_small_for_module(bench, module)
    yield from _meters_too_small(bench, module)


def _above_ratings(bench: BenchFile) -> Iterator[Mistake]:
    """Interlocks that only trip after something is broken."""
    limits, supply, load, roles = bench.limits, bench.supply, bench.load, bench.roles
    pairs: list[tuple[str, float | None, float | None, str]] = [
        ("vin_max_v", limits.vin_max_v, supply.rated_v, f"rated_v of {roles.supply}"),
        ("iin_max_a", limits.iin_max_a, supply.rated_a, f"rated_a of {roles.supply}"),
        ("iin_max_a", limits.iin_max_a, supply.lead_max_a, f"lead_max_a of {roles.supply}"),
        ("iin_max_a", limits.iin_max_a, limits.fuse_a, "limits.fuse_a"),
        ("vout_max_v", limits.vout_max_v, load.rated_v, f"rated_v of {roles.load}"),
        ("iout_max_a", limits.iout_max_a, load.rated_a, f"rated_a of {roles.load}"),
        ("iout_max_a", limits.iout_max_a, load.lead_max_a, f"lead_max_a of {roles.load}"),
        ("iin_max_a", limits.iin_max_a, _shunt_a(bench, "iin"), f"shunt_max_a of {roles.iin}"),
        ("iout_max_a", limits.iout_max_a, _shunt_a(bench, "iout"), f"shunt_max_a of {roles.iout}"),
        ("pin_max_w", limits.pin_max_w, supply.greatest_w, f"what {roles.supply} can give"),
        ("pout_max_w", limits.pout_max_w, load.rated_w, f"rated_w of {roles.load}"),
    ]
    for key, limit, rating, source in pairs:
        if limit is not None and rating is not None and limit > rating:
            allowed = f"at most {rating:g}, {source}"
            yield Mistake(f"limits.{key}", repr(limit), allowed, "lower it")


def _too_small_for_module(bench: BenchFile, module: ModuleFile) -> Iterator[Mistake]:
    """Ratings and limits below what the module needs at its own ratings."""
    limits, supply, load = bench.limits, bench.supply, bench.load
    line_v, vout_v, iout_a = module.line_max_v, module.vout_most_v, module.iout_rated_a
    drop_v = _drop_v(supply, input_current_a(module, line_v, iout_a, 1.0))
    at_supply = dotted(["instruments", bench.roles.supply])
    at_load = dotted(["instruments", bench.roles.load])
    least_iin_a = input_current_a(module, module.line_min_v, iout_a, 1.0)
    full_w = vout_v * iout_a
    needs: list[tuple[str, float | None, float, str]] = [
        (f"{at_supply}.rated_v", supply.rated_v, line_v + drop_v, "V for line_max_v and leads"),
        ("limits.vin_max_v", limits.vin_max_v, line_v, "V, the module's line_max_v"),
        ("limits.vout_max_v", limits.vout_max_v, vout_v, "V, the module's output tolerance"),
        ("limits.iout_max_a", limits.iout_max_a, iout_a, "A, the module's iout_rated_a"),
        ("limits.pin_max_w", limits.pin_max_w, module.vout_set_v * iout_a, "W without loss"),
        ("limits.pout_max_w", limits.pout_max_w, full_w, "W, the module's rated output power"),
        (f"{at_load}.rated_v", load.rated_v, vout_v, "V, the module's output tolerance"),
        (f"{at_load}.rated_a", load.rated_a, iout_a, "A, the module's iout_rated_a"),
        (f"{at_load}.rated_w", load.rated_w, full_w, "W, the module's rated output power"),
        (f"{at_load}.lead_max_a", load.lead_max_a, iout_a, "A, the module's iout_rated_a"),
        (f"{at_supply}.rated_w", supply.greatest_w, module.vout_set_v * iout_a, "W without loss"),
        *(
            (key, value, least_iin_a, "A at line_min_v and rated load, even without loss")
            for key, value in _line_currents(bench, at_supply)
        ),
    ]
    for key, value, need, source in needs:
        if value is not None and value < need:
            allowed = f"at least {need:.4g} {source}"
            yield Mistake(key, repr(value), allowed, "use a larger one, or correct the file")
    leasts = (
        ("limits.vin_min_v", limits.vin_min_v, module.line_min_v, "the module's line_min_v"),
        ("limits.vout_min_v", limits.vout_min_v, module.vout_least_v, "the module's tolerance"),
    )
    for key, value, most_v, source in leasts:
        if value is not None and value > most_v:
            yield Mistake(key, repr(value), f"at most {most_v:.4g} V, {source}", "lower it")
    if load.least_v > module.vout_least_v:
        yield Mistake(
            f"{at_load}.least_v",
            repr(load.least_v),
            f"at most {module.vout_least_v:.4g} V, the module's least output",
            "use a load that works at this voltage",
        )


def _shunt_a(bench: BenchFile, role: Literal["iin", "iout"]) -> float | None:
    meter = bench.meter(role)
    return None if meter is None else meter.shunt_max_a


def _drop_v(box: SupplySection | LoadSection | ResistorBankSection, i_a: float) -> float:
    return (box.lead_resistance_ohm or 0.0) * i_a


def _line_currents(bench: BenchFile, at_supply: str) -> Iterator[tuple[str, float | None]]:
    supply, limits = bench.supply, bench.limits
    yield f"{at_supply}.rated_a", supply.rated_a
    yield f"{at_supply}.lead_max_a", supply.lead_max_a
    yield "limits.iin_max_a", limits.iin_max_a
    yield "limits.fuse_a", limits.fuse_a


def _meters_too_small(bench: BenchFile, module: ModuleFile) -> Iterator[Mistake]:
    """Meters whose fixed range does not hold the module's ratings."""
    least_iin_a = input_current_a(module, module.line_min_v, module.iout_rated_a, 1.0)
    needs: dict[Literal["vin", "iin", "vout", "iout"], float] = {
        "vin": module.line_max_v,
        "iin": least_iin_a,
        "vout": module.vout_most_v,
        "iout": module.iout_rated_a,
    }
    for role, need in needs.items():
        meter = bench.meter(role)
        if meter is None:
            continue
        volts = role.startswith("v")
        full = meter.range_v if volts else full_scale_a(meter)
        key = "range_v" if meter.range_v is not None else "range_a"
        at = dotted(["instruments", getattr(bench.roles, role)])
        unit = "V" if volts else "A"
        if full is not None and full < need:
            found = f"{getattr(meter, key)!r}, which reads up to {full:g} {unit}"
            yield Mistake(
                f"{at}.{key}", found, f"at least {need:.4g} {unit}", "take a larger range"
            )
        if meter.shunt_max_a is not None and meter.shunt_max_a < need:
            allowed = f"at least {need:.4g} A, what flows at the module's ratings"
            yield Mistake(f"{at}.shunt_max_a", repr(meter.shunt_max_a), allowed, "larger shunt")


# --------------------------------------------------------------------------- warnings


def warnings(bench: BenchFile, module: ModuleFile) -> Iterator[str]:
    """What works, but should be known before a night is spent on it."""
    yield from _sense_warnings(bench)
    yield from _watchdog_warnings(bench)
    yield from _accuracy_warnings(bench)
    yield from _supply_warnings(bench, module)
    yield from _temperature_warnings(bench, module)


def _sense_warnings(bench: BenchFile) -> Iterator[str]:
    boxes = ((bench.roles.supply, bench.supply, "vin"), (bench.roles.load, bench.load, "vout"))
    for name, box, role in boxes:
        if box.remote_sense or box.lead_resistance_ohm is not None or getattr(bench.roles, role):
            continue
        yield (
            f"{dotted(['instruments', name])}: remote_sense is false and lead_resistance_ohm is "
            f"missing: the drop in the leads will count as loss; wire the sense terminals, give "
            f"the lead resistance, or put a meter in roles.{role}"
        )


def _watchdog_warnings(bench: BenchFile) -> Iterator[str]:
    """A box that switches off by itself while the runner waits for another one."""
    slowest_s = max(section.timeout_s for section in bench.boxes.values())
    least_s = max(SEQUENCE_THINKS_S, WAITS_A_CALL * slowest_s)
    for name, box in ((bench.roles.supply, bench.supply), (bench.roles.load, bench.load)):
        time_s = getattr(box, "comm_watchdog_s", None)
        if time_s is not None and time_s < least_s:
            yield (
                f"{dotted(['instruments', name])}.comm_watchdog_s is {time_s:g} s: a sequence that "
                f"thinks, or a box that answers late, may keep the runner from speaking to it for "
                f"{least_s:g} s, and it then switches off in the middle of a healthy run"
            )


def _accuracy_warnings(bench: BenchFile) -> Iterator[str]:
    needs = {"vin": "voltage", "iin": "current", "vout": "voltage", "iout": "current"}
    for role, what in needs.items():
        name = getattr(bench.roles, role)
        source = bench.meter(role) or (bench.supply if role.endswith("in") else bench.load)  # type: ignore[arg-type]
        if isinstance(source, ResistorBankSection):
            yield from _clip_warnings(name or bench.roles.load, source)
            continue
        name = name or (bench.roles.supply if role.endswith("in") else bench.roles.load)
        over_shunt = isinstance(source, MeterKeys) and source.shunt_ohm is not None
        key = f"{'voltage' if over_shunt else what}_accuracy"
        if not getattr(source, key):
            at = dotted(["instruments", name, key])
            yield f"{at} is missing: results from it carry no uncertainty of the instrument"


def _clip_warnings(name: str, bank: ResistorBankSection) -> Iterator[str]:
    if bank.lead_resistance_ohm is None:
        least_ohm = min(resistor.resistance_ohm for resistor in bank.resistors)
        yield (
            f"{dotted(['instruments', name])}: lead_resistance_ohm is missing: leads and clips of "
            f"50 mohm are {5.0 / least_ohm:.2g} % of the smallest resistor, and of its current"
        )


def _supply_warnings(bench: BenchFile, module: ModuleFile) -> Iterator[str]:
    """Enough without loss, perhaps not with it."""
    bounds = list(supply_bounds(bench))
    if bench.limits.iin_max_a is not None:
        bounds.append(Bound(bench.limits.iin_max_a, "limits.iin_max_a of the bench file"))
    bound, iout_a = least(bounds), least(load_bounds(bench, module)).value
    need_a = input_current_a(module, module.line_min_v, iout_a)
    if need_a > bound.value:
        enough_a = iout_a * bound.value / need_a
        yield (
            f"{bound.source} is {bound.value:g} A; at {module.line_min_v:g} V and {iout_a:g} A the "
            f"module would draw {need_a:.3g} A if its efficiency were only "
            f"{PESSIMISTIC_EFFICIENCY:.0%}; loads up to {enough_a:.3g} A are sure to work there"
        )
    drop_v = _drop_v(bench.supply, need_a)
    if bench.supply.remote_sense and drop_v > SENSE_DROP_MAX_V:
        yield (
            f"{dotted(['instruments', bench.roles.supply])}: the leads may drop {drop_v:.2g} V; a "
            f"supply's remote sense often makes up for {SENSE_DROP_MAX_V:g} V only: thicker leads"
        )


def _temperature_warnings(bench: BenchFile, module: ModuleFile) -> Iterator[str]:
    if bench.roles.hot_spot is None:
        yield (
            "roles.hot_spot is missing: the hot spot is not watched, and no derated current can "
            "be found without it"
        )
    if bench.roles.ambient is None:
        yield "roles.ambient is missing: temperatures cannot be given as a rise above ambient"
    pairs = (
        ("hot_spot_max_temp_c", "hot spot"),
        ("case_max_temp_c", "case"),
        ("capacitor_max_temp_c", "capacitor"),
    )
    for key, part in pairs:
        trip_c, limit_c = getattr(bench.limits, key), getattr(module.limits, key)
        if trip_c is not None and limit_c is not None and trip_c < limit_c:
            yield (
                f"limits.{key} of the bench is {trip_c:g} °C, below the module's {limit_c:g} °C: "
                f"a run ends before the {part} reaches the module's limit"
            )
