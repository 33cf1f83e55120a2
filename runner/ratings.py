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
from runner.interlocks import Least
from runner.limits import LIMIT_ABOVE_INTERLOCK, interlocks, leasts, rises_after_s
from runner.rating_checks import (
    Bound,
    input_current_a,
    least,
    load_bounds,
    mistakes,
    supply_bounds,
    warnings,
)
from runner.steps import Step
from runner.trends import RISE_JUDGED_AFTER_S

TRIP_ABOVE_RATING = 1.1
"""How far above its rating a supply's over-voltage trip can usually be set (common practice)."""

FUSE_LOAD = 0.9
"""The supply's current limit stays below this share of the fuse."""

LEAST_LINE_V = 0.5
"""A line below this is no line; PowerDown switches it off."""


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
    iin_max_a: float
    iin_reason: str
    supply_max_v: float
    supply_max_w: float
    line_ohm: float
    leasts: tuple[Least, ...] = ()
    rises_after_s: float = RISE_JUDGED_AFTER_S
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
    iin = least([*supply_bounds(bench), Bound(trips["iin_a"], "limits.iin_max_a")])
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
        iin_max_a=iin.value,
        iin_reason=iin.source,
        supply_max_v=supply.rated_v,
        supply_max_w=supply.greatest_w,
        line_ohm=(supply.lead_resistance_ohm or 0.0) if supply.remote_sense else 0.0,
        leasts=leasts(bench, module),
        rises_after_s=rises_after_s(bench, module),
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


def check_input(may: Allowed, vout_v: float, line_v: float, iout_a: float) -> None:
    """Refuse a line [V] and a load [A] that the supply, its leads, fuse or meter cannot feed.

    Even a module without loss takes the power it gives; its output of `vout_v` [V] is counted
    as far as a line that low can hold it.
    """
    if not line_v > 0.0:
        return
    iin_a = min(vout_v, line_v) * iout_a / line_v
    supply_v = line_v + may.line_ohm * iin_a
    refused = (
        ("input current", iin_a, may.iin_max_a, "A", may.iin_reason),
        ("supply voltage", supply_v, may.supply_max_v, "V", "rated_v, with the drop in the leads"),
        ("supply power", supply_v * iin_a, may.supply_max_w, "W", "what the supply can give"),
    )
    for what, found, most, unit, reason in refused:
        if not _within(found, most):
            raise BadInput(
                f"{what}: {iout_a:g} A at a line of {line_v:g} V take at least {found:.4g} {unit}, "
                f"even without loss; allowed: {most:.4g} {unit} ({reason}); ask for less load or "
                "another line, or correct that rating if it is wrong"
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


__all__ = [
    "Allowed",
    "allowed",
    "check",
    "check_ambient",
    "check_dead",
    "check_input",
    "check_line",
    "check_load",
    "check_up",
    "input_current_a",
    "interlocks",
]
