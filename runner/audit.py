"""The wiring audit as a part of a sequence: a few points at low power, then what was found.

Sequences call it right after their first PowerUp. What a finding is, is judged in
`analysis/wiring_audit.py`; each becomes a note, and one that stops ends the run.
"""

from __future__ import annotations

import math
from typing import Literal

from runner.analysis.wiring_audit import AuditPoint, Error, Facts, Finding, Zero, audit
from runner.analysis.wiring_facts import LOW_COST
from runner.options import Setup
from runner.steps import (
    Draw,
    GiveUp,
    Note,
    Part,
    Point,
    Read,
    Release,
    Settle,
    Step,
    Tared,
    Wait,
)

AUDIT = "wiring audit"
"""The label of its points, which are no part of any curve, and the beginning of its notes."""
LOAD_SHARES = (0.02, 0.10, 0.25)
"""The loads it takes, of rated: gross mistakes show at the first, within every limit; the last
two are far enough apart to see a resistance."""
WARM_S = 30.0
"""How long it waits for the thermometers to move [s]."""
SAMPLES = 10
METERED: tuple[tuple[Literal["vin", "iin", "vout", "iout"], Literal["v", "a"]], ...] = (
    ("vin", "v"),
    ("iin", "a"),
    ("vout", "v"),
    ("iout", "a"),
)


def wiring_audit(
    setup: Setup, tared: Tared | None = None, warm_s: float = WARM_S
) -> Part[tuple[Finding, ...]]:
    """Look at the wiring at no load, then at 2, 10 and 25 % of rated load; the line is up.

    One that stops is not followed by a greater load: it ends the run with GiveUp. Every
    finding is noted. Gives back the findings, with the load off.
    """
    if setup.bench.load.family == "resistor-bank":
        yield Note(f"{AUDIT} left out: its loads need a load that is set, not connected by hand")
        return ()
    facts = facts_of(setup)
    zero = Zero() if tared is None else Zero(tared.iin_a, tared.iout_a)
    points: list[AuditPoint] = []
    found: tuple[Finding, ...] = ()
    rated_a = setup.module.iout_rated_a
    steps: tuple[Step, ...] = (
        Release(),
        *(Draw(share * rated_a) for share in LOAD_SHARES),
        Wait(warm_s),
    )
    for step in steps:
        yield step
        yield Settle()
        points.append(audit_point((yield Read("fast", SAMPLES, 0.1, AUDIT))))
        found = audit(tuple(points), zero, facts)
        if any(finding.severity == "stop" for finding in found):
            break
    yield Release()
    yield from _tell(found)
    if not found:
        yield Note(f"{AUDIT}: nothing found up to {LOAD_SHARES[-1] * rated_a:g} A")
    return found


def _tell(found: tuple[Finding, ...]) -> Part[None]:
    """A note for each, and the end of the run if one of them stops it."""
    for finding in found:
        yield Note(f"{AUDIT}, {finding.severity}: {finding.text}")
    stops = [finding for finding in found if finding.severity == "stop"]
    if stops:
        names = ", ".join(finding.name for finding in stops)
        yield GiveUp(
            f"the {AUDIT} found {names}. {stops[0].text}; then run again "
            "(--audit no goes on without it)"
        )


def audit_point(point: Point) -> AuditPoint:
    """A point as the audit sees it."""
    return AuditPoint(
        line_set_v=point.line_set_v,
        iout_set_a=point.iout_set_a,
        vin_v=point.vin_v,
        iin_a=point.iin_a,
        vout_v=point.vout_v,
        iout_a=point.iout_a,
        supply_mode="CC" if "SUPPLY_CC" in point.flags else point.supply_mode,
        load_mode="UNREGULATED" if "LOAD_UNREGULATED" in point.flags else point.load_mode,
        ambient_temp_c=point.ambient_temp_c,
        case_temp_c=point.case_temp_c,
        hot_spot_temp_c=point.hot_spot_temp_c,
        capacitor_temp_c=point.capacitor_temp_c,
        u={name: sd / math.sqrt(point.samples) for name, sd in point.sd.items()},
    )


def facts_of(setup: Setup) -> Facts:
    """What the files say that the audit needs."""
    from runner.ratings import allowed  # with pydantic behind it: sequences import this module

    bench, module = setup.bench, setup.module
    supply, load = bench.supply, bench.load
    may = allowed(bench, module)
    return Facts(
        line_min_v=module.line_min_v,
        vout_set_v=module.vout_set_v,
        vout_tolerance=module.vout_tolerance_pct / 100.0,
        iout_rated_a=module.iout_rated_a,
        iout_most_a=min(1.1 * module.iout_rated_a, may.iout_max_a),
        supply_limit_a=min(may.supply_limit_a, supply.greatest_w / module.line_min_v),
        load_least_v=load.least_v,
        line_lead_ohm=supply.lead_resistance_ohm,
        output_lead_ohm=load.lead_resistance_ohm,
        vin_sensed=supply.remote_sense,
        vout_sensed=load.remote_sense or bench.roles.vout is not None,
        errors=_errors(setup, may.greatest()),
        drawn=_stated(load, "a", may.greatest()["iout_a"]) or LOW_COST["iout_a"],
    )


def _errors(setup: Setup, greatest: dict[str, float]) -> dict[str, Error]:
    """Limits of error of each quantity on the range the runner fixes, where they are stated."""
    errors = {}
    for role, unit in METERED:
        name = f"{role}_{unit}"
        error = _error(setup, role, unit, greatest[name])
        if error is not None:
            errors[name] = error
    return errors


def _error(
    setup: Setup, role: Literal["vin", "iin", "vout", "iout"], unit: str, greatest: float
) -> Error | None:
    meter = setup.bench.meter(role)
    box = meter or (setup.bench.supply if role.endswith("in") else setup.bench.load)
    shunt_ohm = None if meter is None else meter.shunt_ohm
    over_shunt = unit == "a" and shunt_ohm is not None
    scale = shunt_ohm if over_shunt and shunt_ohm is not None else 1.0
    found = _stated(box, "v" if over_shunt else unit, greatest * scale)
    if found is None:
        return None
    tolerance = meter.shunt_tolerance_pct / 100.0 if over_shunt and meter is not None else 0.0
    return Error(found.share + tolerance, found.fixed / scale)


def _stated(box: object, unit: str, greatest: float) -> Error | None:
    """What is stated of the range that holds `greatest`; a load's holds for what it draws too."""
    from runner.analysis.accuracy import fixed_range, stated

    rows = getattr(box, "voltage_accuracy" if unit == "v" else "current_accuracy", ())
    found = fixed_range((stated(row.model_dump(), unit) for row in rows), greatest)
    return None if found is None else Error(found.gain, found.fixed)
