"""What a bench and a module may carry together: pure checks before anything is energised.

`allowed` gives the bounds that steps are held to, `interlocks` the limits that readings
are held to, `check` refuses files that cannot work together. Called by `run`, `plan`,
`perform` and the commands; it opens nothing.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from runner.errors import BadInput
from runner.files.bench_file import BenchFile
from runner.files.mistakes import Mistake, bad_input
from runner.files.module_file import ModuleFile
from runner.interlocks import Limit
from runner.rating_checks import (
    PESSIMISTIC_EFFICIENCY,
    Bound,
    input_current_a,
    least,
    load_bounds,
    mistakes,
    supply_bounds,
    warnings,
)
from runner.steps import Step

LIMIT_ABOVE_INTERLOCK = 1.05
"""Hardware limits lie this much above the interlocks: the runner acts first, with a reason."""

TRIP_ABOVE_RATING = 1.1
"""How far above its rating a supply's over-voltage trip can usually be set (common practice)."""

FUSE_LOAD = 0.9
"""The supply's current limit stays below this share of the fuse."""

VOUT_ABOVE_SET = 1.10
"""Default interlock: the output 10 % above what it is set to (common practice, no source)."""

LEAST_LINE_V = 0.5
"""A line below this is no line; PowerDown switches it off."""

HOT_SPOT_MARGIN_K = 10.0
AMBIENT_MARGIN_K = 10.0
"""Default interlocks lie this far above the module's limits and the chamber's rating, so
that a derating run may reach them."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """The bounds of one bench with one module: greatest set points, hardware limits."""

    line_max_v: float
    line_reason: str
    iout_max_a: float
    iout_reason: str
    supply_limit_a: float
    supply_trip_v: float
    supply_trip_a: float
    load_trip_a: float
    load_trip_w: float
    vout_most_v: float
    ambient_least_c: float | None = None
    ambient_most_c: float | None = None

    def greatest(self) -> dict[str, float]:
        """The greatest value expected of each quantity, for fixed ranges."""
        return {
            "vin_v": self.line_max_v,
            "iin_a": self.supply_limit_a,
            "vout_v": self.vout_most_v,
            "iout_a": self.iout_max_a,
        }


def allowed(bench: BenchFile, module: ModuleFile) -> Allowed:
    """The least of every rating, lead and limit that bears on a set point [V], [A], [W]."""
    trips = {limit.quantity: limit.most for limit in interlocks(bench, module)}
    load, supply, limits = bench.load, bench.supply, module.limits
    line = least(_line_bounds(bench, module))
    iout = least(load_bounds(bench, module))
    above = LIMIT_ABOVE_INTERLOCK
    supply_limit_a = least(
        [*supply_bounds(bench, FUSE_LOAD), Bound(above * trips["iin_a"], "limits.iin_max_a")]
    ).value
    ratings_a = [load.rated_a] + ([load.lead_max_a] if load.lead_max_a is not None else [])
    load_trip_a = min([above * trips["iout_a"], *ratings_a])
    return Allowed(
        line_max_v=line.value,
        line_reason=line.source,
        iout_max_a=iout.value,
        iout_reason=iout.source,
        supply_limit_a=supply_limit_a,
        supply_trip_v=min(
            limits.line_abs_max_v, above * trips["vin_v"], TRIP_ABOVE_RATING * supply.rated_v
        ),
        supply_trip_a=min(TRIP_ABOVE_RATING * supply_limit_a, supply.rated_a),
        load_trip_a=load_trip_a,
        load_trip_w=min(load.rated_w, trips["vout_v"] * load_trip_a),
        vout_most_v=trips["vout_v"],
        ambient_least_c=bench.chamber.least_temp_c if bench.chamber else None,
        ambient_most_c=bench.chamber.rated_temp_c if bench.chamber else None,
    )


def _line_bounds(bench: BenchFile, module: ModuleFile) -> Iterable[Bound]:
    yield Bound(module.limits.line_abs_max_v, "limits.line_abs_max_v of the module file")
    yield Bound(bench.supply.rated_v, f"rated_v of {bench.roles.supply}")
    if bench.limits.vin_max_v is not None:
        yield Bound(bench.limits.vin_max_v, "limits.vin_max_v of the bench file")
    meter = bench.meter("vin")
    if meter is not None and meter.range_v is not None:
        yield Bound(meter.range_v, f"range_v of {bench.roles.vin}")


def check_line(may: Allowed, line_v: float) -> None:
    """Refuse a line [V] that something on the bench or the module may not carry, or none."""
    if not _within(line_v, may.line_max_v) or line_v < LEAST_LINE_V:
        raise BadInput(
            f"line voltage: found {line_v!r} V; allowed: {LEAST_LINE_V:g} to {may.line_max_v:g} V "
            f"({may.line_reason}); ask for less, or correct that rating if it is wrong"
        )


def check_up(step: Step, line_is_up: bool) -> None:
    """Refuse a step that needs the line while the supply is off."""
    if not line_is_up:
        raise BadInput(f"the sequence yielded {step!r} with the supply off; PowerUp comes first")


def check_dead(step: Step, something_is_on: bool) -> None:
    """Refuse a step that needs everything off while something is on."""
    if something_is_on:
        raise BadInput(
            f"the sequence yielded {step!r} with the supply or the load on; currents are tared "
            "before PowerUp, or after PowerDown"
        )


def check_load(may: Allowed, iout_a: float) -> None:
    """Refuse a load [A] that something on the bench or the module may not carry."""
    if not _within(iout_a, may.iout_max_a):
        raise BadInput(
            f"load current: found {iout_a!r} A; allowed: 0 to {may.iout_max_a:g} A "
            f"({may.iout_reason}); ask for less, or correct that rating if it is wrong"
        )


def check_ambient(may: Allowed, ambient_temp_c: float) -> None:
    """Refuse an ambient [°C] that the chamber cannot make; without one the room decides."""
    least_c, most_c = may.ambient_least_c, may.ambient_most_c
    if least_c is None or most_c is None or least_c <= ambient_temp_c <= most_c:
        return
    raise BadInput(
        f"ambient: found {ambient_temp_c!r} °C; allowed: {least_c:g} to {most_c:g} °C "
        "(least_temp_c and rated_temp_c of the chamber in the bench file)"
    )


def _within(value: object, most: float) -> bool:
    """A number from 0 to `most`; a step such as 55 * 0.1 may miss it by rounding."""
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    return is_number and 0.0 <= value <= most * (1.0 + 1e-9)  # type: ignore[operator]


def check(
    bench: BenchFile, module: ModuleFile, bench_path: str | Path, module_path: str | Path
) -> tuple[str, ...]:
    """Refuse a bench and a module that cannot work together; return warnings in words.

    Raises one BadInput that lists everything impossible.
    """
    wrong: list[Mistake] = list(mistakes(bench, module))
    if wrong:
        raise bad_input(f"{bench_path} with {module_path}", wrong)
    return tuple(warnings(bench, module))


def interlocks(bench: BenchFile, module: ModuleFile) -> tuple[Limit, ...]:
    """The limit on every watched quantity: the bench file's, else this default.

    vin_v: the module's absolute maximum. iin_a: least of supply, leads and fuse. vout_v:
    10 % above what the module is set to, or its tolerance if that is wider. iout_a: 5 %
    above the module's greatest load, at most load and leads. ploss_w: the loss at the
    module's greatest load if its efficiency were 70 %. hot_spot_temp_c and case_temp_c:
    10 K above the module's limit, which a derating run must be able to reach.
    ambient_temp_c: 10 K above the chamber's rating.
    """
    given = bench.limits
    defaults = _default_interlocks(bench, module)
    keys = {
        "vin_v": given.vin_max_v,
        "iin_a": given.iin_max_a,
        "vout_v": given.vout_max_v,
        "iout_a": given.iout_max_a,
        "ploss_w": given.ploss_max_w,
        "hot_spot_temp_c": given.hot_spot_max_temp_c,
        "case_temp_c": given.case_max_temp_c,
        "ambient_temp_c": given.ambient_max_temp_c,
    }
    chosen = []
    for quantity, most in keys.items():
        default = defaults.get(quantity)
        if most is not None:
            chosen.append(Limit(quantity, most, "[limits] of the bench file"))
        elif default is not None:
            chosen.append(Limit(quantity, default.value, default.source))
    return tuple(chosen)


def _default_interlocks(bench: BenchFile, module: ModuleFile) -> dict[str, Bound]:
    limits, load = module.limits, bench.load
    vout_v = max(VOUT_ABOVE_SET * module.vout_set_v, LIMIT_ABOVE_INTERLOCK * module.vout_most_v)
    iout_bounds = [
        Bound(
            LIMIT_ABOVE_INTERLOCK * limits.iout_max_a,
            "5 % above limits.iout_max_a of the module file",
        ),
        Bound(load.rated_a, f"rated_a of {bench.roles.load}"),
    ]
    if load.lead_max_a is not None:
        iout_bounds.append(Bound(load.lead_max_a, f"lead_max_a of {bench.roles.load}"))
    loss_w = module.vout_set_v * limits.iout_max_a * (1.0 / PESSIMISTIC_EFFICIENCY - 1.0)
    found = {
        "vin_v": Bound(limits.line_abs_max_v, "limits.line_abs_max_v of the module file"),
        "iin_a": least(supply_bounds(bench)),
        "vout_v": Bound(vout_v, "10 % above vout_set_v of the module file"),
        "iout_a": least(iout_bounds),
        "ploss_w": Bound(loss_w, "an efficiency of 70 % at the module's greatest load"),
        "hot_spot_temp_c": Bound(
            limits.hot_spot_max_temp_c + HOT_SPOT_MARGIN_K, "10 K above the module's limit"
        ),
    }
    if limits.case_max_temp_c is not None:
        most_c = limits.case_max_temp_c + HOT_SPOT_MARGIN_K
        found["case_temp_c"] = Bound(most_c, "10 K above the module's limit")
    if bench.chamber is not None:
        most_c = bench.chamber.rated_temp_c + AMBIENT_MARGIN_K
        found["ambient_temp_c"] = Bound(most_c, "10 K above the chamber's rating")
    return found


__all__ = [
    "Allowed",
    "allowed",
    "check",
    "check_ambient",
    "check_dead",
    "check_line",
    "check_load",
    "check_up",
    "input_current_a",
    "interlocks",
]
