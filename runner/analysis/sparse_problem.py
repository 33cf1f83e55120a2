"""The reconciliation problem of a sparse bench: unknowns, observations, errors, starts.

Called by `inference`. An observation is a reading, a statement about the resistors and
leads, or, only if asked for, an assumption. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from operator import itemgetter

from runner.analysis.reconcile import Error, Model, Observation, Problem, Shape, Unknown
from runner.analysis.sparse_bench import Bank, Quantities, Situation, SparseBench, Stated, at

PLANNED_EFFICIENCY = 0.8
"""Only to start the search, and to plan a measurement where nothing was measured."""

ANY = (-math.inf, math.inf)
BODY_TEMPS_C = (-50.0, 600.0)
COEFFICIENTS_PER_K = (-0.01, 0.01)
"""True values beyond these cannot be; the first is what a load resistor survives."""

THERMAL_SCATTER = 0.01
"""Standard uncertainty, as a share, by which a body's thermal resistance differs from one
point to the next (draught, radiation); common practice, no source."""


def problem(bench: SparseBench, *, assumed: bool) -> Problem:
    """The reconciliation of everything read and stated; with the assumptions if `assumed`."""
    unknowns = {u.name: u for u in _unknowns(bench)}
    observed = list(_observations(bench, assumed))
    together: dict[str, Error] = {}
    for observation, errors in observed:
        for name, u, shape in errors:
            if u > 0.0:
                known = together.get(name, Error(name, {}, shape))
                effects = {**known.effects, observation.name: u}
                together[name] = Error(name, effects, shape)
    observations = tuple(observation for observation, _ in observed)
    return Problem(tuple(unknowns.values()), observations, tuple(together.values()))


Errors = tuple[tuple[str, float, Shape], ...]


def _observations(bench: SparseBench, assumed: bool) -> Iterator[tuple[Observation, Errors]]:
    for name, stated in _shared(bench):
        if stated.u > 0.0:
            yield _statement(name, stated, itemgetter(name), _plausible(name))
    for situation in bench.situations:
        quantities = Quantities(bench, situation)
        for role, reading in situation.readings.items():
            name = at(role, situation)
            observation = Observation(name, reading.value, quantities.read(role))
            yield observation, reading.errors(name)
        yield from _heat(quantities)
        if assumed:
            yield from _assumptions(quantities)


def _heat(quantities: Quantities) -> Iterator[tuple[Observation, Errors]]:
    situation, bank = quantities.situation, quantities.bank
    if bank is None or not bank.changes_with_heat:
        return
    if situation.body_temp_c is not None:
        name = at("body_temp_c", situation)
        yield _statement(name, situation.body_temp_c, quantities.body_temp_c, BODY_TEMPS_C)
    if bank.thermal_k_per_w is not None and situation.ambient_temp_c is not None:
        name = at("thermal_k_per_w", situation)
        stated = bank.thermal_k_per_w
        errors: Errors = (
            (f"thermal_k_per_w of {situation.bank}", stated.u, stated.shape),
            (f"{name} itself", THERMAL_SCATTER * stated.value, "rectangular"),
        )
        yield Observation(name, stated.value, quantities.thermal_k_per_w), errors
        if situation.ambient_temp_c.u > 0.0:
            air = at("ambient_temp_c", situation)
            yield _statement(air, situation.ambient_temp_c, itemgetter(air))


def _assumptions(quantities: Quantities) -> Iterator[tuple[Observation, Errors]]:
    situation = quantities.situation
    if situation.assumed_efficiency is not None:
        name = at("assumed efficiency", situation)
        yield _statement(name, situation.assumed_efficiency, quantities.efficiency)
    if situation.assumed_vout_v is not None:
        name = at("assumed vout_v", situation)
        yield _statement(name, situation.assumed_vout_v, quantities.vout_v)


def _statement(
    name: str, stated: Stated, model: Model, plausible: tuple[float, float] = ANY
) -> tuple[Observation, Errors]:
    observation = Observation(name, stated.value, model, plausible)
    return observation, ((name, stated.u, stated.shape),)


def _plausible(name: str) -> tuple[float, float]:
    """Resistances are positive; no metal's coefficient is above 1 percent per kelvin."""
    return COEFFICIENTS_PER_K if name.startswith("coefficient") else (0.0, math.inf)


def _shared(bench: SparseBench) -> Iterator[tuple[str, Stated]]:
    """Stated quantities that all situations share."""
    yield "supply_lead_ohm", bench.supply_lead_ohm
    for name in dict.fromkeys(s.bank for s in bench.situations if s.bank is not None):
        bank = bench.banks[name]
        yield f"resistance_ohm of {name}", bank.resistance_ohm
        yield f"coefficient_per_k of {name}", bank.coefficient_per_k
        yield f"lead_ohm of {name}", bank.lead_ohm


def _unknowns(bench: SparseBench) -> Iterator[Unknown]:
    for name, stated in _shared(bench):
        if stated.u > 0.0:
            yield Unknown(name, stated.value, stated.u)
    for situation in bench.situations:
        bank = bench.bank_of(situation)
        start = starts(situation, bank)
        for quantity in ("vin_v", "iin_a", "vout_v"):
            yield Unknown(at(quantity, situation), start[quantity], start[quantity])
        if bank is None:
            yield Unknown(at("iout_a", situation), start["iout_a"], start["iout_a"])
        elif bank.changes_with_heat:
            yield Unknown(at("body_temp_c", situation), start["body_temp_c"], 10.0)
            ambient = situation.ambient_temp_c
            if ambient is not None and ambient.u > 0.0 and bank.thermal_k_per_w is not None:
                yield Unknown(at("ambient_temp_c", situation), ambient.value, 1.0)


def starts(situation: Situation, bank: Bank | None) -> dict[str, float]:
    """Where the search starts: what was read, else what a module in the middle would do."""
    read = {role: reading.value for role, reading in situation.readings.items()}
    efficiency = situation.assumed_efficiency or Stated(PLANNED_EFFICIENCY, 0.0)
    vin_v = read.get("vin_v", read.get("supply_v"))
    iin_a = read.get("iin_a", read.get("supply_a"))
    vout_v = read.get("vout_v", read.get("vload_v"))
    iout_a = read.get("iout_a")
    ohm = bank.resistance_ohm.value * bank.factor + bank.lead_ohm.value if bank else None
    if vout_v is None and situation.assumed_vout_v is not None:
        vout_v = situation.assumed_vout_v.value
    if vout_v is None and ohm is not None and iout_a is not None:
        vout_v = iout_a * ohm
    if vout_v is None and ohm is not None and vin_v is not None and iin_a is not None:
        vout_v = math.sqrt(efficiency.value * vin_v * iin_a * ohm)
    vin_v = vin_v if vin_v is not None else 2.0 * vout_v if vout_v is not None else 24.0
    vout_v = vout_v if vout_v is not None else vin_v / 2.0
    if iout_a is None:
        known_w = efficiency.value * vin_v * iin_a if iin_a is not None else vout_v
        iout_a = vout_v / ohm if ohm is not None else known_w / vout_v
    if iin_a is None:
        iin_a = vout_v * iout_a / (efficiency.value * vin_v)
    return {
        "vin_v": vin_v,
        "iin_a": iin_a,
        "vout_v": vout_v,
        "iout_a": iout_a,
        "body_temp_c": _body_start_c(situation, bank, vout_v, ohm),
    }


def _body_start_c(
    situation: Situation, bank: Bank | None, vout_v: float, ohm: float | None
) -> float:
    if situation.body_temp_c is not None:
        return situation.body_temp_c.value
    air_c = situation.ambient_temp_c.value if situation.ambient_temp_c else 25.0
    if bank is None or ohm is None or bank.thermal_k_per_w is None:
        return air_c
    return air_c + bank.thermal_k_per_w.value * vout_v**2 / ohm / bank.pieces
