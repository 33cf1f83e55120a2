"""The limits a run is watched by: the bench file's, the module file's, else a default.

Pure. `interlocks` gives what may not be passed, `leasts` what may not be fallen below; both go
to the watch. Called by `ratings` and `run`. A limit that both files give is the stricter one.
"""

from __future__ import annotations

from runner.files.bench_file import BenchFile
from runner.files.module_file import ModuleFile
from runner.interlocks import Least, Limit
from runner.rating_checks import PESSIMISTIC_EFFICIENCY, Bound, least, supply_bounds
from runner.trends import RISE_JUDGED_AFTER_S

LIMIT_ABOVE_INTERLOCK = 1.05
"""Hardware limits lie this much above the interlocks: the runner acts first, with a reason."""

VOUT_ABOVE_SET = 1.10
"""Default interlock: the output 10 % above what it is set to (common practice, no source)."""

HOT_SPOT_MARGIN_K = 10.0
AMBIENT_MARGIN_K = 10.0
"""Default interlocks lie this far above the module's limits and the chamber's rating, so
that a derating run may reach them."""

RISE_K_PER_MIN = 10.0
"""Default interlock on a rise once set points have stood (`trends.RISE_JUDGED_AFTER_S` says why
no healthy module gets there); common practice, no source."""

JUMP_SHARE = 0.5
"""Default interlock: the loss jumps by half of the greatest loss allowed. What a module's own
heat adds comes slowly and is followed; common practice, no source."""

MOST = {
    "vin_v": "vin_max_v",
    "iin_a": "iin_max_a",
    "pin_w": "pin_max_w",
    "vout_v": "vout_max_v",
    "iout_a": "iout_max_a",
    "pout_w": "pout_max_w",
    "ploss_w": "ploss_max_w",
    "ploss_jump_w": "ploss_jump_max_w",
    "hot_spot_temp_c": "hot_spot_max_temp_c",
    "case_temp_c": "case_max_temp_c",
    "capacitor_temp_c": "capacitor_max_temp_c",
    "ambient_temp_c": "ambient_max_temp_c",
    "hot_spot_rise_k_per_min": "hot_spot_rise_max_k_per_min",
    "case_rise_k_per_min": "case_rise_max_k_per_min",
    "capacitor_rise_k_per_min": "capacitor_rise_max_k_per_min",
}
"""The key of each limit, by quantity. Current and temperatures of the module file are no
interlocks themselves: a derating run reaches them, and the defaults lie above them."""
OF_THE_MODULE = (
    "vout_v",
    "ploss_w",
    "ploss_jump_w",
    "hot_spot_rise_k_per_min",
    "case_rise_k_per_min",
    "capacitor_rise_k_per_min",
)
LEAST = {"vin_v": "vin_min_v", "vout_v": "vout_min_v"}


def interlocks(bench: BenchFile, module: ModuleFile) -> tuple[Limit, ...]:
    """The limit on every watched quantity: the stricter of the two files', else this default.

    vin_v: the module's absolute maximum. iin_a: least of supply, leads and fuse. vout_v:
    10 % above what the module is set to, or its tolerance if that is wider. iout_a: 5 %
    above the module's greatest load, at most load and leads. ploss_w: the loss at the
    module's greatest load if its efficiency were 70 %. ploss_jump_w: half of the limit of
    ploss_w. hot_spot_temp_c, case_temp_c, capacitor_temp_c: 10 K above the module's limit, which a
    derating run must be able to reach. Their rises: 10 K/min once set points have stood for 300 s.
    ambient_temp_c: 10 K above the chamber's rating. pin_w, pout_w: none.
    """
    defaults = _defaults(bench, module)
    chosen: dict[str, Limit] = {}
    for quantity, key in MOST.items():
        found = _given(bench, module, quantity, key)
        if quantity == "ploss_jump_w":
            most_w = JUMP_SHARE * chosen["ploss_w"].most
            defaults[quantity] = Bound(most_w, "half of the greatest loss allowed")
        if not found and quantity in defaults:
            found = [defaults[quantity]]
        if found:
            strictest = least(found)
            chosen[quantity] = Limit(quantity, strictest.value, strictest.source)
    return tuple(chosen.values())


def leasts(bench: BenchFile, module: ModuleFile) -> tuple[Least, ...]:
    """What line and output may not fall below while the supply is on; by default nothing: a
    module in its current limit, or switched off by its own heat, is a finding and no trip."""
    found = []
    for quantity, key in LEAST.items():
        bounds = _from_files(bench, module, key, of_module=quantity == "vout_v")
        if bounds:
            highest = max(bounds, key=lambda bound: bound.value)
            found.append(Least(quantity, highest.value, highest.source))
    return tuple(found)


def rises_after_s(bench: BenchFile, module: ModuleFile) -> float:
    """How long set points stand before a rise is judged [s]."""
    given = (bench.limits.rise_judged_after_s, module.limits.rise_judged_after_s)
    return min((s for s in given if s is not None), default=RISE_JUDGED_AFTER_S)


def _given(bench: BenchFile, module: ModuleFile, quantity: str, key: str) -> list[Bound]:
    return _from_files(bench, module, key, of_module=quantity in OF_THE_MODULE)


def _from_files(bench: BenchFile, module: ModuleFile, key: str, *, of_module: bool) -> list[Bound]:
    of_bench = getattr(bench.limits, key)
    found = [] if of_bench is None else [Bound(of_bench, "[limits] of the bench file")]
    asked = getattr(module.limits, key) if of_module else None
    return found if asked is None else [*found, Bound(asked, "[limits] of the module file")]


def _defaults(bench: BenchFile, module: ModuleFile) -> dict[str, Bound]:
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
    rise = Bound(RISE_K_PER_MIN, "with set points that have stood; no healthy module rises so")
    found = {
        "vin_v": Bound(limits.line_abs_max_v, "limits.line_abs_max_v of the module file"),
        "iin_a": least(supply_bounds(bench)),
        "vout_v": Bound(vout_v, "10 % above vout_set_v of the module file"),
        "iout_a": least(iout_bounds),
        "ploss_w": Bound(loss_w, "an efficiency of 70 % at the module's greatest load"),
        "hot_spot_temp_c": Bound(
            limits.hot_spot_max_temp_c + HOT_SPOT_MARGIN_K, "10 K above the module's limit"
        ),
        "hot_spot_rise_k_per_min": rise,
        "case_rise_k_per_min": rise,
    }
    if limits.case_max_temp_c is not None:
        most_c = limits.case_max_temp_c + HOT_SPOT_MARGIN_K
        found["case_temp_c"] = Bound(most_c, "10 K above the module's limit")
    if limits.capacitor_max_temp_c is not None:
        most_c = limits.capacitor_max_temp_c + HOT_SPOT_MARGIN_K
        found["capacitor_temp_c"] = Bound(most_c, "10 K above the module's limit")
    if bench.roles.capacitor is not None:
        found["capacitor_rise_k_per_min"] = rise
    if bench.chamber is not None:
        most_c = bench.chamber.rated_temp_c + AMBIENT_MARGIN_K
        found["ambient_temp_c"] = Bound(most_c, "10 K above the chamber's rating")
    return found
