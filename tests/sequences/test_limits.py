"""The sequences that look for limits, each on modules whose limits are known and were not seen."""

from __future__ import annotations

import re
from math import inf, log
from random import Random

import pytest

from runner.attention import Attention
from runner.errors import BadInput
from runner.hand.person import Agreeing
from runner.rehearsal import rehearse, stage
from runner.run import prepare
from runner.sequence import load
from tests.runner.conftest import live
from tests.runner.live import Heard, Live
from tests.sequences.held_out import changed, found, misses, named

__all__ = ["live"]

DRAWN = Random(81)
"""The held-out modules are drawn, not chosen."""


def steps_of(live: Live, kind: str) -> list[dict[str, object]]:
    return [r["args"] for r in live.records() if r["kind"] == "step" and r["step"] == kind]


# ------------------------------------------------------------------------ current limit


def knee_a(kind: str, current_a: float, short_a: float, own_ohm: float = 0.012) -> float:
    """The greatest load a constant-current load can take, from the twin's own equations.

    Foldback: I = Is + (V / V0) (Ik - Is) where V = V0 - R I.
    """
    if kind != "foldback":
        return current_a
    return current_a / (1.0 + own_ohm / 9.04 * (current_a - short_a))


CASES = [
    (kind, round(DRAWN.uniform(3.2, 5.4), 3), round(DRAWN.uniform(0.4, 2.4), 3))
    for kind in ("constant-current", "foldback", "hiccup", "latch-off")
    for _ in range(3)
]


@pytest.mark.parametrize(("kind", "current_a", "short_a"), CASES)
def test_the_knee_is_found_within_its_uncertainty_and_its_kind_told(
    live: Live, kind: str, current_a: float, short_a: float
) -> None:
    module = changed(
        live,
        "module",
        twin__limit__kind=kind,
        twin__limit__current_a=current_a,
        twin__limit__short_circuit_a=short_a,
    )
    done = live.run("current_limit", module=module, audit="no")
    assert done.ending.name == "done", done.ending.message
    results = found(live)
    knee = named(results, "current_limit_a")
    assert misses(knee, knee_a(kind, current_a, short_a)) <= 1.0
    assert knee.low is not None and knee.high is not None
    assert knee.high - knee.low <= 0.0101 * knee_a(kind, current_a, short_a)
    assert named(results, "current_limit_kind").text.partition(",")[0] == kind
    assert len(steps_of(live, "Draw")) - 1 <= 10  # loads tried; the first is none


def test_a_module_without_a_limit_gives_a_bound(live: Live) -> None:
    module = changed(live, "module", twin__limit__kind="none")
    live.run("current_limit", module=module, audit="no")
    (knee,) = found(live)
    assert knee.value is None and knee.high is None
    assert knee.low == pytest.approx(5.5, abs=0.01)
    assert "limits.iout_max_a" in knee.text


@pytest.mark.parametrize(("burst_s", "rest_s"), [(0.02, 0.2), (0.1, 0.9), (0.05, 0.15)])
def test_the_period_of_a_hiccup_is_told(live: Live, burst_s: float, rest_s: float) -> None:
    module = changed(
        live,
        "module",
        twin__limit__kind="hiccup",
        twin__limit__burst_s=burst_s,
        twin__limit__rest_s=rest_s,
    )
    live.run("current_limit", module=module, watch_s="4", audit="no")
    said = named(found(live), "current_limit_kind").text
    period_ms = float(said.partition("every ")[2].partition(" ms")[0])
    assert period_ms == pytest.approx(1e3 * (burst_s + rest_s), rel=0.05)
    assert "mean nothing" in said


def test_pulses_faster_than_the_readings_are_marked_without_a_period(live: Live) -> None:
    module = changed(
        live,
        "module",
        twin__limit__kind="hiccup",
        twin__limit__burst_s=0.0011,
        twin__limit__rest_s=0.0061,
    )
    # Input and output are read one after the other: between pulses their difference is no loss.
    bench = changed(live, "bench", limits__ploss_max_w=60.0)
    live.run("current_limit", module=module, bench=bench, audit="no")
    said = named(found(live), "current_limit_kind").text
    assert said == ("hiccup, faster than the readings; mean readings beyond the knee mean nothing")


def test_a_thermal_shutdown_on_the_way_is_waited_for_and_no_latch(live: Live) -> None:
    module = changed(
        live,
        "module",
        twin__shutdown__stop_temp_c=36.0,
        twin__shutdown__start_temp_c=27.0,
    )
    done = live.run("current_limit", module=module, audit="no", dwell_s="8")
    assert done.ending.name == "done", done.ending.message
    notes = [args["text"] for args in steps_of(live, "Note")]
    assert any("as the hot spot cooled" in str(note) for note in notes)
    assert not any("switched off and on" in str(note) for note in notes)


def test_the_supplys_own_limit_is_not_taken_for_the_modules(live: Live) -> None:
    bench = changed(live, "bench", limits__iin_max_a=2.08)
    done = live.run("current_limit", bench=bench, audit="no")
    assert done.ending.exit_code != 0 and not found(live)
    assert live.outputs_on() == (False, False)


def test_no_load_goes_above_the_module_files_limit(live: Live) -> None:
    with pytest.raises(BadInput, match=r"limits\.iout_max_a of the module file"):
        live.run("current_limit", most_a="6", audit="no")


# ------------------------------------------------------------------------ short circuit


def test_a_short_is_asked_for_first_and_its_current_told(live: Live) -> None:
    module = changed(
        live, "module", twin__limit__kind="foldback", twin__limit__short_circuit_a=1.37
    )
    done = live.run("short_circuit", module=module, person=Agreeing(), lasts_s="7", audit="no")
    assert done.ending.name == "done", done.ending.message
    kinds = [r["step"] for r in live.records() if r["kind"] == "step"]
    assert kinds[0] == "Ask" and kinds.index("Ask") < kinds.index("PowerUp")
    results = found(live)
    # 0.1 ohm is no dead short: I = Is + (R I / V0) (Ik - Is)
    truth_a = 1.37 / (1.0 - 0.1 / 9.04 * (5.0 - 1.37))
    assert misses(named(results, "short_circuit_a"), truth_a) <= 1.0
    assert misses(named(results, "start_into_short_a"), truth_a) <= 1.0
    assert named(results, "short_circuit_held_s").value == pytest.approx(7.0)
    assert live.outputs_on() == (False, False)


def test_a_short_that_comes_in_pulses_has_no_mean(live: Live) -> None:
    module = changed(live, "module", twin__limit__kind="hiccup")
    live.run("short_circuit", module=module, person=Agreeing(), brief_s="1", audit="no")
    short = named(found(live), "short_circuit_a")
    assert short.value is None and "pulses" in short.text


def test_a_short_ends_at_the_hot_spots_limit(live: Live) -> None:
    module = changed(live, "module", limits__hot_spot_max_temp_c=50.0, limits__case_max_temp_c=45.0)
    done = live.run("short_circuit", module=module, person=Agreeing(), lasts_s="60", audit="no")
    assert done.ending.name == "done", done.ending.message
    held = named(found(live), "short_circuit_held_s")
    assert held.value is not None and held.value < 60.0 and "hot spot" in held.text


# ------------------------------------------------------------------------------ dropout


@pytest.mark.parametrize(
    ("drop_v", "duty"), [(round(DRAWN.uniform(0.1, 1.8), 2), duty) for duty in (0.9, 0.97)]
)
def test_the_dropout_line_is_found_within_its_uncertainty(
    live: Live, drop_v: float, duty: float
) -> None:
    module = changed(
        live,
        "module",
        twin__switch_drop_v=drop_v,
        twin__greatest_duty=duty,
        twin__heat__loss_growth_per_k=0.0,
    )
    done = live.run("dropout", module=module, loads_a="1,2", audit="no")
    assert done.ending.name == "done", done.ending.message
    results = [one for one in found(live) if one.quantity.startswith("dropout")]
    assert len(results) == 4
    for one in results:
        assert misses(one, dropout_line_v(one.iout_a, drop_v, duty)) <= 1.0, one


def dropout_line_v(iout_a: float, drop_v: float, duty: float) -> float:
    """The line at which volt-second balance at the greatest duty gives 98 % of the output.

    D (V - Vsw - R I) = Vout + (1 - D) Vd + Rl I: R. W. Erickson and D. Maksimovic, Fundamentals
    of Power Electronics, 3rd ed., ch. 3. The diode by its equation at 25 °C (SPICE).
    """
    vout_v = 0.98 * (9.04 - 0.012 * iout_a)
    diode_v = 1.05 * 0.0256926 * log(iout_a / 5e-6 + 1.0) + 0.03 * iout_a
    return (vout_v + (1.0 - duty) * diode_v + 0.04 * iout_a) / duty + drop_v + 0.05 * iout_a


# ------------------------------------------------------------------------------ lockout


@pytest.mark.parametrize(
    ("stop_v", "start_v"),
    [
        (low := round(DRAWN.uniform(3.0, 12.0), 2), round(low + DRAWN.uniform(0.0, 3.0), 2))
        for _ in range(4)
    ],
)
def test_both_edges_of_the_lockout_are_found_within_their_uncertainty(
    live: Live, stop_v: float, start_v: float
) -> None:
    module = changed(live, "module", twin__lockout__stop_v=stop_v, twin__lockout__start_v=start_v)
    done = live.run("lockout", module=module, audit="no")
    assert done.ending.name == "done", done.ending.message
    results = found(live)
    assert misses(named(results, "lockout_stop_line_v"), stop_v) <= 1.0
    assert misses(named(results, "lockout_start_line_v"), start_v) <= 1.0
    assert misses(named(results, "lockout_hysteresis_v"), start_v - stop_v) <= 1.0


def test_a_module_without_lockout_gives_a_bound(live: Live) -> None:
    module = changed(live, "module", twin__lockout__stop_v=0.4, twin__lockout__start_v=0.45)
    live.run("lockout", module=module, lowest_v="3", audit="no")
    stop = named(found(live), "lockout_stop_line_v")
    assert stop.value is None and stop.high == pytest.approx(3.0, abs=0.02)


# ----------------------------------------------------------------------------- overload


def test_a_thermal_shutdown_and_its_restart_are_told(live: Live) -> None:
    module = changed(
        live,
        "module",
        twin__shutdown__stop_temp_c=93.0,
        twin__shutdown__start_temp_c=71.0,
        twin__heat__case_time_constant_s=150.0,
    )
    done = live.run("overload", module=module, audit="no")
    assert done.ending.name == "done", done.ending.message
    results = found(live)
    assert named(results, "overload_held_s").text == "the output fell"
    # This bench's thermometer is almost as far off as its maker allows, 1 K: beyond the 95 %.
    for name, truth_c in (("thermal_shutdown_temp_c", 93.0), ("thermal_restart_temp_c", 71.0)):
        one = named(results, name)
        assert one.low is not None and one.high is not None
        assert one.low - 1.0 <= truth_c <= one.high + 1.0
    assert named(results, "thermal_recovery_s").value is not None


def test_an_overload_ends_at_the_hot_spots_limit_with_a_bound(live: Live) -> None:
    module = changed(live, "module", limits__hot_spot_max_temp_c=60.0, limits__case_max_temp_c=60.0)
    done = live.run("overload", module=module, audit="no")
    assert done.ending.name == "done", done.ending.message
    (held,) = found(live)
    assert held.value is None and held.high is None and (held.low or inf) < 600.0
    assert "hot spot above 60 °C" in held.text


def test_an_overload_beyond_the_current_limit_is_called_that(live: Live) -> None:
    module = changed(live, "module", twin__limit__current_a=4.3)
    live.run("overload", module=module, audit="no")
    (held,) = found(live)
    assert "current limit" in held.text and (held.value or 0.0) < 1.0


# ------------------------------------------------------------------------- minimum load


@pytest.mark.parametrize(
    ("rise_pct", "below_a"), [(DRAWN.uniform(4.0, 9.0), DRAWN.uniform(0.06, 0.3)) for _ in range(3)]
)
def test_the_minimum_load_is_found_within_its_uncertainty(
    live: Live, rise_pct: float, below_a: float
) -> None:
    module = changed(
        live, "module", twin__unloaded__rise_pct=rise_pct, twin__unloaded__below_a=below_a
    )
    done = live.run("minimum_load", module=module, lines_v="24", audit="no")
    assert done.ending.name == "done", done.ending.message
    (least,) = found(live)
    # V0 (1 + r (1 - I / Ib)) - R I = 1.02 (V0 - R 2 A), from the twin's own straight lines
    rise, own_ohm, v0_v = rise_pct / 100.0, 0.012, 9.04
    level_v = 1.02 * (v0_v - own_ohm * 2.0)
    truth_a = (v0_v * (1.0 + rise) - level_v) / (v0_v * rise / below_a + own_ohm)
    assert misses(least, truth_a) <= 1.0


def test_a_module_that_needs_no_load_says_so(live: Live) -> None:
    live.run("minimum_load", lines_v="24", audit="no")
    (least,) = found(live)
    assert least.value == 0.0 and "none needed" in least.text


# --------------------------------------------------------------------- all of them, on paper

EVERY = ("current_limit", "short_circuit", "dropout", "lockout", "overload", "minimum_load")


@pytest.mark.parametrize("name", EVERY)
def test_each_can_be_rehearsed_without_a_person(live: Live, name: str) -> None:
    sequence = load(name)
    job = prepare(sequence, sequence.values({"audit": "no"}), "demo", "demo", Attention())
    told = rehearse(stage(job), Attention(), Heard())
    assert told.ending.name == "done", told.ending.message
    assert not told.over


@pytest.mark.parametrize("name", EVERY)
def test_every_result_has_a_name_a_claim_can_use(live: Live, name: str) -> None:
    live.run(name, person=Agreeing(), audit="no")
    results = found(live)
    assert results
    for one in results:
        is_word = one.quantity.endswith("_kind")
        assert is_word or re.fullmatch(r"[a-z][a-z0-9_]*_(v|a|w|s|c|k)", one.quantity)
