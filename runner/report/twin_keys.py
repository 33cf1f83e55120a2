"""The keys of a learned [twin] table: value, uncertainty, and whether it was learned.

Called by the command that writes the module file. A key that no run could tell stands here
with what is assumed for it and why. Opens no file.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from runner.analysis.twin_fit import Term
from runner.analysis.twin_heat import PRIORS
from runner.analysis.uncertainty import Uncertain
from runner.report.learned_twin import LearnedTwin

LOSS_KEYS = {
    "a0": ("a0_w", "W"),
    "a1": ("a1_a", "W/V"),
    "b0": ("b0_v", "W/A"),
    "b1": ("b1", "W/(V A)"),
    "b2": ("b2_v2", "W V/A"),
    "c0": ("c0_ohm", "W/A²"),
    "c1": ("c1_ohm_v", "W V/A²"),
    "c2": ("c2_ohm_v2", "W V²/A²"),
    "r0": ("r0_v_root_a", "W/√A"),
    "r1": ("r1_root_a", "W/(V √A)"),
}
ROOM_ABOVE_HELD = 1.25
"""A current limit nobody reached is assumed to be this far above the greatest load allowed."""
LOCKOUT_START_V, LOCKOUT_STOP_V = 4.5, 4.2
SHUTDOWN_C, RESTART_K = 150.0, 20.0
ABOVE_SEEN_K = 10.0
SHORT = "no run lasted long enough: the usual time constant, with the heat capacity seen"


@dataclass(frozen=True, slots=True)
class TwinKey:
    """One key of the table: dotted below [twin], its value, its standard uncertainty, its basis.

    `basis` is learned, assumed, or set (a choice that needs no measurement); `note` says more.
    """

    key: str
    value: float | str
    unit: str
    u: float | None
    basis: str
    note: str = ""


def twin_keys(learned: LearnedTwin) -> list[TwinKey]:
    """Every key that a learned twin states, in the order of the file."""
    return [
        TwinKey("topology", "measured", "", None, "set"),
        *_output(learned),
        *_loss(learned),
        *_dropout(learned),
        *_limit(learned),
        *_lockout(learned),
        *_shutdown(learned),
        *_heat(learned),
        TwinKey(
            "line_destroys_v",
            float(learned.module["limits"]["line_abs_max_v"]),
            "V",
            None,
            "assumed",
            "limits.line_abs_max_v of the module file",
        ),
    ]


def _output(learned: LearnedTwin) -> Iterator[TwinKey]:
    fit = learned.output
    yield _of(fit.vout, "vout_v", "V")
    yield TwinKey("regulated_at_v", fit.line_v, "V", None, "set", "the line at which vout_v holds")
    yield _of(fit.per_line, "line_regulation_v_per_v", "V/V")
    yield _not_negative(fit.resistance, "output_resistance_ohm", "ohm")


def _loss(learned: LearnedTwin) -> Iterator[TwinKey]:
    by_name = {term.name: term for term in learned.loss.terms}
    for name, value in learned.loss.coefficients().items():
        key, unit = LOSS_KEYS[name]
        basis = "learned" if by_name[name].learned else "assumed"
        note = "" if basis == "learned" else "the points do not tell it apart from the other terms"
        yield TwinKey(f"loss_map.{key}", value.value, unit, value.u, basis, note)


def _dropout(learned: LearnedTwin) -> Iterator[TwinKey]:
    """A finding of the line at which the output leaves its set point, as a drop and no more."""
    found = learned.found("dropout_line_v")
    if found is None or found.measured is None:
        why = "an ideal one: no run looked for the dropout"
        yield TwinKey("dropout_v", 0.0, "V", None, "assumed", why)
        return
    drop = found.measured - learned.output.at(found.line_v, found.iout_a)
    held = f"at {found.iout_a:.3g} A"
    yield TwinKey("dropout_v", max(drop.value, 0.0), "V", drop.u, "learned", held)


def _limit(learned: LearnedTwin) -> Iterator[TwinKey]:
    fit, knee = learned.limit, learned.found("current_limit_a")
    kind, short = learned.found("current_limit_kind"), learned.found("short_circuit_a")
    current = knee.measured if knee is not None else None
    if current is None and fit is not None:
        current = fit.current
    name = _kind(kind.text if kind is not None else "", fit.kind if fit is not None else "")
    if current is None:
        allowed_a = max(float(learned.module["limits"]["iout_max_a"]), learned.greatest_held_a)
        why = f"not reached: {learned.greatest_held_a:.4g} A held"
        yield TwinKey("limit.kind", name, "", None, "assumed", why)
        yield TwinKey("limit.current_a", ROOM_ABOVE_HELD * allowed_a, "A", None, "assumed", why)
        return
    yield TwinKey("limit.kind", name, "", None, "learned")
    yield TwinKey("limit.current_a", current.value, "A", current.u, "learned")
    left = short.measured if short is not None else None
    if left is None and fit is not None:
        left = fit.short_circuit
    if name == "foldback" and left is not None:
        value = min(max(left.value, 1e-3), current.value)
        yield TwinKey("limit.short_circuit_a", value, "A", left.u, "learned")


def _kind(found: str, fitted: str) -> str:
    """The kind of limit as the simulator names it; one it cannot do is a constant current."""
    for kind in ("foldback", "hiccup", "constant-current"):
        if found.startswith(kind):
            return kind
    return fitted or "constant-current"


def _lockout(learned: LearnedTwin) -> Iterator[TwinKey]:
    least_v = min(point.vin.value for run in learned.runs for point in run.points)
    start = learned.found("lockout_start_line_v")
    stop = learned.found("lockout_stop_line_v")
    start_v, stop_v = min(LOCKOUT_START_V, 0.9 * least_v), min(LOCKOUT_STOP_V, 0.85 * least_v)
    why = f"ran at {least_v:.4g} V, no lower line was tried"
    if start is None or stop is None or start.measured is None or stop.measured is None:
        yield TwinKey("lockout.start_v", start_v, "V", None, "assumed", why)
        yield TwinKey("lockout.stop_v", stop_v, "V", None, "assumed", why)
        return
    below_v = min(stop.measured.value, start.measured.value)
    yield TwinKey("lockout.start_v", start.measured.value, "V", start.measured.u, "learned")
    yield TwinKey("lockout.stop_v", below_v, "V", stop.measured.u, "learned")


def _shutdown(learned: LearnedTwin) -> Iterator[TwinKey]:
    hottest_c = max(point.temp.value for run in learned.runs for point in run.points)
    stop = learned.found("thermal_shutdown_temp_c")
    start = learned.found("thermal_restart_temp_c")
    if stop is None or stop.measured is None:
        stop_c = max(SHUTDOWN_C, hottest_c + ABOVE_SEEN_K)
        why = f"ran at {hottest_c:.0f} °C, no hotter"
        yield TwinKey("shutdown.stop_temp_c", stop_c, "°C", None, "assumed", why)
        yield TwinKey("shutdown.start_temp_c", stop_c - RESTART_K, "°C", None, "assumed", why)
        return
    yield TwinKey("shutdown.stop_temp_c", stop.measured.value, "°C", stop.measured.u, "learned")
    if start is None or start.measured is None:
        restart_c = stop.measured.value - RESTART_K
        yield TwinKey("shutdown.start_temp_c", restart_c, "°C", None, "assumed", "usual")
        return
    restart_c = min(start.measured.value, stop.measured.value)
    yield TwinKey("shutdown.start_temp_c", restart_c, "°C", start.measured.u, "learned")


def _heat(learned: LearnedTwin) -> Iterator[TwinKey]:
    units = ("K/W", "K/W", "s", "s")
    if learned.heat is None:
        why = "usual: no run warmed up beside a thermometer for the air"
        for prior, unit in zip(PRIORS, units, strict=True):
            yield TwinKey(f"heat.{prior.name}", prior.value, unit, None, "assumed", why)
    else:
        for term, unit in zip(learned.heat.terms, units, strict=True):
            found = _of(term, f"heat.{term.name}", unit)
            short = term.name.startswith("case") and not learned.heat.long_enough
            yield replace(found, basis="assumed", note=SHORT) if short else found
    yield _not_negative(learned.loss.growth, "heat.loss_growth_per_k", "1/K")


def _of(term: Term, key: str, unit: str) -> TwinKey:
    basis = "learned" if term.learned else "assumed"
    return TwinKey(key, term.value.value, unit, term.value.u, basis)


def _not_negative(term: Term, key: str, unit: str) -> TwinKey:
    """The simulator takes none below nought: what scatter made negative is nought."""
    found, value = _of(term, key, unit), term.value.value
    if value >= 0.0:
        return found
    return TwinKey(key, 0.0, unit, found.u, found.basis, f"found {value:.2g}, taken as 0")


def loss_at_rated(learned: LearnedTwin) -> Uncertain:
    """The loss at the nominal line and the rated load, at 25 °C [W]: known far better than its
    terms, which stand for one another."""
    return learned.loss.base(learned.module["line_nominal_v"], learned.module["iout_rated_a"])


def loss_at_nothing(learned: LearnedTwin) -> Uncertain:
    """The loss at the nominal line without a load [W]."""
    return learned.loss.base(learned.module["line_nominal_v"], 0.0)
