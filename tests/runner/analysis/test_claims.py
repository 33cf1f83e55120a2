"""Each kind of claim on made-up points: values by hand, and what must not be compared."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from runner.analysis.claim_parts import Case
from runner.analysis.claims import KINDS, JudgedClaim, judge
from runner.analysis.decision import Rule
from runner.analysis.judged_points import DECIDES
from runner.analysis.uncertainty import Source, Uncertain
from tests.runner.analysis.made_up_points import MEASURED, case, physics, point, sweep

GUARD = Rule("guard-band")
ALL_AIRS_AND_LINES = [
    one
    for air_c in (25.0, 55.0)
    for line_v in (20.0, 24.0, 30.0)
    for kind in ("fast", "soaked")
    for one in sweep(kind, line_v=line_v, air_c=air_c)
]
FULL = case(ALL_AIRS_AND_LINES)


def claim(about: str, **values: Any) -> dict[str, Any]:
    given: dict[str, Any] = {"about": about, "source": "label, 2026-05", "ambient_temp_c": None}
    return given | {"vin_v": None, "iout_a": None} | values


def judged(of: Case, about: str, **values: Any) -> JudgedClaim:
    (found,) = judge([claim(about, **values)], of, GUARD)
    return found


def value(found: JudgedClaim) -> float:
    assert found.decisive.decision is not None, found.decisive.reason
    return found.decisive.decision.value


def u(found: JudgedClaim) -> float:
    assert found.decisive.decision is not None, found.decisive.reason
    return found.decisive.decision.u


CLAIMS: dict[str, dict[str, Any]] = {
    "rated-current": {"iout_min_a": 3.0, "ambient_temp_c": 25.0},
    "efficiency": {"efficiency_min_pct": 80.0, "iout_a": 2.0},
    "efficiency-curve": {"points": [{"iout_a": 1.0, "efficiency_pct": 80.0}]},
    "load-regulation": {"regulation_max_pct": 1.0, "denominator": "vout-nominal"},
    "line-regulation": {"regulation_max_pct": 1.0, "denominator": "vout-nominal"},
    "output-accuracy": {"vout_tolerance_pct": 2.0},
    "no-load-current": {"iin_max_a": 0.1},
    "current-limit": {"iout_min_a": 3.0},
    "temperature-rise": {"rise_max_k": 60.0, "iout_a": 2.0},
    "average-efficiency": {"efficiency_min_pct": 80.0, "method": "four-point-mean"},
    "limit": {"quantity": "short_circuit_a", "at_most": 5.0},
}
NO_LOAD = [point(1, 0.0), *ALL_AIRS_AND_LINES]


def test_every_kind_of_claim_passes_where_it_should_and_says_at_what() -> None:
    for about in KINDS:
        found = judged(case(NO_LOAD), about, **CLAIMS[about])
        assert found.verdict == "pass", (about, found.decisive.reason)
        assert "24 V" in found.decisive.part.conditions or "20 to 30 V" in (
            found.decisive.part.conditions
        )


def test_nothing_measured_is_not_tested() -> None:
    for about in KINDS:
        assert judged(case([]), about, **CLAIMS[about]).verdict == "not-tested", about


@pytest.mark.parametrize("source", ["assumed", "derived", "uncorrected"])
@pytest.mark.parametrize("name", ["vin_v", "iin_a", "vout_v", "iout_a"])
def test_what_is_not_measured_never_decides(name: str, source: str) -> None:
    assert source not in DECIDES
    spoilt = case(NO_LOAD, sources=MEASURED | {name: source})
    rests_on = {
        "vin_v": ("rated-current", "efficiency", "efficiency-curve", "average-efficiency"),
        "iin_a": ("rated-current", "efficiency", "no-load-current", "average-efficiency"),
        "vout_v": ("rated-current", "efficiency", "load-regulation", "output-accuracy"),
        "iout_a": ("efficiency", "load-regulation", "current-limit", "temperature-rise"),
    }[name]
    for about in rests_on:
        found = judged(spoilt, about, **CLAIMS[about])
        assert found.verdict == "not-comparable", about
        assert name in found.decisive.reason and source in found.decisive.reason


def test_an_unknown_uncertainty_is_inconclusive() -> None:
    why = "supply states no current_accuracy"
    spoilt = case(NO_LOAD, unknown={"iin_a": why})
    found = judged(spoilt, "efficiency", **CLAIMS["efficiency"])
    assert found.verdict == "inconclusive" and why in found.decisive.reason


def test_a_void_run_decides_nothing() -> None:
    for about in KINDS:
        (found,) = judge([claim(about, **CLAIMS[about])], case(NO_LOAD), GUARD, "void: it drifted")
        assert found.verdict == "inconclusive" and found.decisive.reason == "void: it drifted"


# ---------------------------------------------------------------------------- efficiency


def test_efficiency_is_that_of_the_warm_module_where_it_was_soaked() -> None:
    for points, kind in ((ALL_AIRS_AND_LINES, "soaked"), (sweep(), "fast")):
        found = judged(case(points), "efficiency", efficiency_min_pct=90.0, iout_a=2.0)
        vout_v, ploss_w, _ = physics(24.0, 2.0, 25.0, kind)  # type: ignore[arg-type]
        pout_w = 2.0 * vout_v
        assert value(found) == pytest.approx(100.0 * pout_w / (pout_w + ploss_w), rel=1e-9)
        assert kind in found.decisive.part.conditions


def test_efficiency_between_loads_lines_and_ambients_is_interpolated_and_says_so() -> None:
    asked = {"iout_a": 2.5, "vin_v": 27.0, "ambient_temp_c": 40.0}
    found = judged(FULL, "efficiency", efficiency_min_pct=80.0, **asked)
    vout_v, ploss_w, _ = physics(27.0, 2.5, 40.0, "soaked")
    true = 100.0 * 2.5 * vout_v / (2.5 * vout_v + ploss_w)
    assert abs(value(found) - true) < 2.0 * u(found)
    same = judged(FULL, "efficiency", efficiency_min_pct=80.0, iout_a=2.0, ambient_temp_c=25.0)
    assert u(found) > u(same)  # the interpolation is in it
    assert any("interpolated" in note for note in found.decisive.part.notes)
    assert not any("interpolated" in note for note in same.decisive.part.notes)


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"iout_a": 4.5}, "claimed at 4.5 A, soaked points were taken at 0.4 to 4 A"),
        ({"iout_a": 2.0, "vin_v": 12.0}, "claimed at a line of 12 V, soaked points were taken at"),
        ({"iout_a": 2.0, "ambient_temp_c": 70.0}, "claimed at 70 °C, soaked points were taken at"),
        ({"iout_a": 2.0, "ambient_temp_c": 0.0}, "claimed at 0 °C"),
    ],
)
def test_other_conditions_are_not_comparable(asked: dict[str, float], says: str) -> None:
    found = judged(FULL, "efficiency", efficiency_min_pct=80.0, **asked)
    assert found.verdict == "not-comparable" and says in found.decisive.reason


def test_an_ambient_a_little_off_is_in_the_uncertainty() -> None:
    of = case(sweep())
    here = judged(of, "efficiency", efficiency_min_pct=80.0, iout_a=2.0, ambient_temp_c=25.0)
    near = judged(of, "efficiency", efficiency_min_pct=80.0, iout_a=2.0, ambient_temp_c=27.0)
    # 0 to 0.6 %/K of 1.7 W over 2 K in 19.65 W, rectangular: by hand.
    added = 100.0 * 2.0 * 0.006 * 1.7 / math.sqrt(3.0) / (1.7 + 17.952) * 0.9135
    assert math.sqrt(u(near) ** 2 - u(here) ** 2) == pytest.approx(added, rel=0.01)


def test_a_load_not_stated_is_the_best_one_and_is_named() -> None:
    found = judged(case(sweep()), "efficiency", efficiency_min_pct=95.0)
    assert found.verdict == "fail"
    # 8.988 of 9.838 W at 1 A is a hair more than 17.952 of 19.652 W at 2 A: by hand.
    assert "load not stated: the best one measured, 1 A" in found.decisive.part.notes


def test_a_curve_fails_with_its_worst_point() -> None:
    points = [
        {"iout_a": a, "efficiency_pct": e} for a, e in ((1.0, 88.0), (2.0, 90.0), (4.0, 95.0))
    ]
    found = judged(case(sweep()), "efficiency-curve", points=points)
    assert found.verdict == "fail" and found.decisive.part.where.load_a == 4.0
    assert found.count == "3 parts: 1 fail, 2 pass"
    granted = judged(case(sweep()), "efficiency-curve", points=points, shortfall_pct=9.0)
    assert granted.verdict == "pass"


def test_a_curve_that_reaches_beyond_the_loads_is_not_all_compared() -> None:
    points = [{"iout_a": a, "efficiency_pct": 80.0} for a in (1.0, 5.0)]
    found = judged(case(sweep()), "efficiency-curve", points=points)
    assert found.verdict == "not-comparable" and found.count == "2 parts: 1 not-comparable, 1 pass"


def test_the_average_is_the_mean_of_efficiencies_of_warm_points() -> None:
    # 10 CFR 430 Subpart B Appendix Z, section 5: the mean of the four, not the ratio of sums.
    found = judged(case(sweep("soaked")), "average-efficiency", efficiency_min_pct=80.0)
    each = []
    for load_a in (1.0, 2.0, 3.0, 4.0):
        vout_v, ploss_w, _ = physics(24.0, load_a, 25.0, "soaked")
        each.append(100.0 * vout_v * load_a / (vout_v * load_a + ploss_w))
    assert value(found) == pytest.approx(sum(each) / 4.0, rel=1e-9)


def test_cold_points_can_fail_an_average_but_not_pass_it() -> None:
    cold = case(sweep())
    assert judged(cold, "average-efficiency", efficiency_min_pct=99.0).verdict == "fail"
    passed = judged(cold, "average-efficiency", efficiency_min_pct=80.0)
    assert passed.verdict == "not-comparable" and "soak at all four" in passed.decisive.reason


def test_a_load_not_sustained_is_left_out_of_the_average() -> None:
    points = [*sweep("soaked")[:-1], point(9, 4.0, kind="soaked", holds=False)]
    found = judged(case(points), "average-efficiency", efficiency_min_pct=80.0)
    assert "not sustained and left out: 4 A" in found.decisive.part.notes
    assert found.verdict == "pass"


# --------------------------------------------------------------------------- the output


def test_load_regulation_names_its_denominator_and_shares_the_gain() -> None:
    of = case(sweep())
    asked = {"iout_from_a": 0.4, "iout_to_a": 4.0, "regulation_max_pct": 1.0}
    nominal = judged(of, "load-regulation", denominator="vout-nominal", **asked)
    full = judged(of, "load-regulation", denominator="vout-at-full-load", **asked)
    # 12 mohm x 3.6 A over 9 V, and over 8.952 V: by hand.
    assert value(nominal) == pytest.approx(100.0 * 0.0432 / 9.0)
    assert value(full) == pytest.approx(100.0 * 0.0432 / 8.952)
    # The gain is in the difference with 0.1 % of it, the offset not at all.
    assert u(nominal) == pytest.approx(0.001 * 100.0 * 0.0432 / 9.0, rel=0.05)


def test_line_regulation_takes_the_widest_pair_of_lines() -> None:
    points = [one for line_v in (20.0, 24.0, 30.0) for one in sweep(line_v=line_v)]
    odd = [
        replace(one, values=dict(one.values) | {"vout_v": one.values["vout_v"] + 0.09})
        if one.point.line_v == 24.0
        else one
        for one in points
    ]
    asked = {"regulation_max_pct": 0.5, "denominator": "vout-nominal"}
    assert value(judged(case(points), "line-regulation", **asked)) == pytest.approx(0.0, abs=1e-9)
    found = judged(case(odd), "line-regulation", **asked)
    assert abs(value(found)) == pytest.approx(1.0)  # 90 mV of 9 V
    assert found.verdict == "fail"


def test_two_ends_that_are_one_measured_point_are_no_regulation() -> None:
    asked = {"regulation_max_pct": 0.5, "denominator": "vout-nominal"}
    loads = judged(FULL, "load-regulation", **asked, iout_from_a=3.98, iout_to_a=4.02)
    lines = judged(FULL, "line-regulation", **asked, vin_from_v=24.0, vin_to_v=24.1)
    assert [loads.verdict, lines.verdict] == ["not-comparable"] * 2
    assert "both loads are the same point" in loads.decisive.reason
    assert "both lines are the same point" in lines.decisive.reason


@pytest.mark.parametrize("line_v", [24.0, 24.1, 22.0])
def test_a_line_that_was_not_set_exactly_is_judged_at_every_load(line_v: float) -> None:
    points = [*ALL_AIRS_AND_LINES, point(99, 3.5, holds=False)]
    found = judged(case(points), "output-accuracy", vout_tolerance_pct=2.0, vin_v=line_v)
    assert [one.part.where.load_a for one in found.parts] == [0.4, 1.0, 2.0, 3.0, 4.0]
    best = judged(case(points), "efficiency", efficiency_min_pct=80.0, vin_v=line_v)
    assert best.verdict == "pass" and best.decisive.part.where.load_a in (1.0, 2.0)
    failed = [*ALL_AIRS_AND_LINES, point(99, 4.0, holds=False)]
    asked = {"efficiency_min_pct": 80.0, "method": "four-point-mean", "vin_v": line_v}
    mean = judged(case(failed), "average-efficiency", **asked)
    assert "not sustained and left out: 4 A" in mean.decisive.part.notes


def test_one_load_alone_a_little_off_is_in_the_uncertainty() -> None:
    of = case([point(1, 3.0, kind="soaked")])
    here = judged(of, "temperature-rise", rise_max_k=60.0, iout_a=3.0)
    near = judged(of, "temperature-rise", rise_max_k=60.0, iout_a=3.06)
    # At most with the square of the load: 2 x 0.06 / 3.06 of the rise, rectangular.
    added = 2.0 * 0.06 / 3.06 * value(here) / math.sqrt(3.0)
    assert math.sqrt(u(near) ** 2 - u(here) ** 2) == pytest.approx(added, rel=1e-6)


def test_output_accuracy_holds_at_every_load_up_to_rated() -> None:
    found = judged(case([*sweep(), point(9, 4.4)]), "output-accuracy", vout_tolerance_pct=0.4)
    assert len(found.parts) == 5
    # 4 A: 48 mV below 9 V is 0.533 %, over 0.4 %, and 9 mV of gain with 3 mV are 0.2 % of U.
    assert found.decisive.part.where.load_a == 4.0 and found.verdict == "inconclusive"
    assert value(found) == pytest.approx(-100.0 * 0.048 / 9.0)


def test_no_load_current_is_told_in_milliamperes() -> None:
    found = judged(case(NO_LOAD), "no-load-current", iin_max_a=0.010)
    assert value(found) == pytest.approx(1e3 * 0.3 / 24.0)  # 0.3 W at 24 V
    assert found.verdict == "fail"


# ----------------------------------------------------------------------------- the load


def limited() -> list[Any]:
    return [*sweep(), point(8, 4.5), point(9, 5.0, holds=False)]


def test_a_current_limit_lies_between_the_loads_around_it() -> None:
    found = judged(case(limited()), "current-limit", iout_min_a=4.0, iout_max_a=5.5)
    assert value(found) == pytest.approx(4.75)
    assert u(found) == pytest.approx(0.25 / math.sqrt(3.0), rel=1e-6)  # rectangular, half width
    assert found.verdict == "pass"
    assert judged(case(limited()), "current-limit", iout_min_a=4.75).verdict == "inconclusive"
    assert judged(case(limited()), "current-limit", iout_max_a=4.4).verdict == "fail"


@pytest.mark.parametrize(
    ("load_a", "verdict"), [(1.4, "pass"), (2.4, "inconclusive"), (3.2, "fail")]
)
def test_a_rated_current_between_held_and_failed_is_undecided(load_a: float, verdict: str) -> None:
    # 2 A was soaked and held, 3 A was not: nothing is known of 2.4 A.
    soaks = [point(k, i, kind="soaked") for k, i in enumerate((0.4, 1.0, 2.0), start=1)]
    of = case([*soaks, point(4, 3.0, holds=False)])
    assert judged(of, "rated-current", iout_min_a=load_a).verdict == verdict


def test_a_module_that_never_limited_says_only_what_it_held() -> None:
    of = case(sweep())
    assert judged(of, "current-limit", iout_min_a=3.5).verdict == "pass"
    assert judged(of, "current-limit", iout_min_a=4.5).verdict == "not-tested"
    assert judged(of, "current-limit", iout_min_a=3.5, iout_max_a=6.0).verdict == "not-tested"
    assert judged(of, "current-limit", iout_max_a=3.5).verdict == "fail"
    assert judged(of, "current-limit", behaviour="hiccup").verdict == "not-tested"


def test_temperature_rise_is_judged_on_soaked_points_alone() -> None:
    _, _, hot_c = physics(24.0, 2.0, 25.0, "soaked")
    found = judged(FULL, "temperature-rise", rise_max_k=40.0, iout_a=2.0)
    assert value(found) == pytest.approx(hot_c - 25.0)
    assert u(found) == pytest.approx(math.hypot(1.0, 0.1), rel=1e-3)
    assert judged(case(sweep()), "temperature-rise", rise_max_k=40.0).verdict == "not-tested"


def true_worth_a(air_c: float) -> float:
    """The load that settles the made-up hot spot at 110 °C, by bisection."""
    low, high = 0.0, 10.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (
            (middle, high) if physics(24.0, middle, air_c, "soaked")[2] < 110 else (low, middle)
        )
    return low


def test_a_rated_current_is_what_it_carries_for_ever() -> None:
    worth_a = true_worth_a(55.0)
    found = judged(FULL, "rated-current", iout_min_a=worth_a - 0.3, ambient_temp_c=55.0)
    (carried,) = [one for one in found.parts if one.part.what == "continuous load"]
    assert carried.decision is not None
    assert carried.decision.value == pytest.approx(worth_a, abs=0.01)
    assert "limited by the hot spot" in carried.part.notes
    assert found.verdict == "pass"
    for off_a, verdict in ((0.3, "fail"), (0.0, "inconclusive")):
        asked = {"iout_min_a": worth_a + off_a, "ambient_temp_c": 55.0}
        assert judged(FULL, "rated-current", **asked).verdict == verdict


def test_a_rated_current_at_an_ambient_or_a_load_not_soaked_is_not_comparable() -> None:
    cold = case([*sweep(), *sweep("soaked")])
    found = judged(cold, "rated-current", iout_min_a=2.0, ambient_temp_c=40.0)
    assert found.verdict == "not-comparable" and "soaked at 25 °C" in found.parts[-1].reason
    light = case([*sweep(), point(9, 1.0, kind="soaked")])
    found = judged(light, "rated-current", iout_min_a=3.0, ambient_temp_c=25.0)
    assert found.verdict == "not-comparable" and "soak at 3 A" in found.decisive.reason
    other = judged(cold, "rated-current", iout_min_a=2.0, ambient_temp_c=25.0, vin_v=30.0)
    assert other.verdict == "not-comparable"


def test_between_soaked_ambients_the_derating_model_interpolates() -> None:
    found = judged(FULL, "rated-current", iout_min_a=2.0, ambient_temp_c=40.0)
    assert found.verdict == "pass"
    carried = found.parts[-1]
    assert carried.decision is not None
    assert carried.decision.value == pytest.approx(true_worth_a(40.0), abs=0.02)
    assert "ambient interpolated by the derating model" in carried.part.notes


def test_a_rated_current_fails_cold_where_the_output_or_the_limit_does() -> None:
    low = [
        replace(one, values=dict(one.values) | {"vout_v": one.values["vout_v"] - 0.5})
        for one in sweep()
    ]
    found = judged(case(low), "rated-current", iout_min_a=4.0, vout_tolerance_pct=3.0)
    assert found.verdict == "fail" and found.decisive.part.what == "output deviation"
    limit = case([*sweep()[:-1], point(9, 4.0, holds=False)])
    found = judged(limit, "rated-current", iout_min_a=4.0)
    assert found.verdict == "fail" and found.decisive.part.what == "current limit"


def test_points_that_say_nothing_of_the_module_are_not_judged() -> None:
    spoilts: tuple[dict[str, Any], ...] = ({"fed": False}, {"settled": False}, {"holds": False})
    for spoilt in spoilts:
        points = [point(k, 2.0, **spoilt) for k in range(1, 3)]
        found = judged(case(points), "efficiency", efficiency_min_pct=80.0, iout_a=2.0)
        assert found.verdict == "not-tested", spoilt


def test_fast_and_soaked_points_never_make_one_value() -> None:
    mixed = [point(1, 1.0), point(2, 3.0, kind="soaked"), point(3, 4.0)]
    found = judged(case(mixed), "efficiency", efficiency_min_pct=80.0, iout_a=2.0)
    (used,) = [one.part.found for one in found.parts]
    assert used.points == (1, 3)  # type: ignore[union-attr]


def test_a_doubt_that_points_share_does_not_average_away() -> None:
    shared = Source("gain, everything", "supply")
    points = [
        replace(
            one,
            values=dict(one.values)
            | {"ploss_w": Uncertain(one.values["ploss_w"].value, {shared: 0.1})},
        )
        for one in sweep("soaked")
    ]
    average = judged(case(points), "average-efficiency", efficiency_min_pct=80.0)
    single = judged(case(points), "efficiency", efficiency_min_pct=80.0, iout_a=2.0)
    assert u(average) > 0.8 * u(single)  # independent ones would halve
