"""Differences of uncertain values: what is shared cancels, what is not does not."""

from __future__ import annotations

import math

import GTC
import pytest
from scipy.stats import norm, t

from runner.analysis.comparison import (
    LEAST_P,
    RunPoint,
    at_load,
    differ,
    match,
    p_value,
)
from runner.analysis.uncertainty import Source, Uncertain

GAIN = Source("gain", "one meter")


def value(x: float, u: float, source: Source = GAIN) -> Uncertain:
    return Uncertain(x, {source: u})


def point(
    load_a: float,
    loss_w: Uncertain,
    *,
    line_v: float = 24.0,
    kind: str = "fast",
    ambient_c: float | None = 25.0,
    load: Source | None = None,
) -> RunPoint:
    iout = Uncertain(load_a, {load: 0.001} if load else {})
    vout = Uncertain(9.0)
    efficiency = vout * iout / (vout * iout + loss_w)
    values = {"iout_a": iout, "ploss_w": loss_w, "vout_v": vout, "efficiency": efficiency}
    return RunPoint(kind, line_v, load_a, ambient_c, values)


def curve(a: float, b: float, c: float, loads_a: tuple[float, ...]) -> list[RunPoint]:
    """A module that loses a + b I + c I² [W]."""
    return [point(x, Uncertain(a + b * x + c * x * x)) for x in loads_a]


# -------------------------------------------------------------------------- correlation


def test_difference_of_efficiencies_has_the_uncertainty_an_independent_library_finds() -> None:
    """GTC (general GUM library): two efficiencies that share two gains, and each have scatter."""
    gains = [GTC.ureal(1.0, u, label=n) for n, u in (("iin", 0.0008), ("iout", 0.0003))]
    theirs, ours = [], []
    sources = [Source("gain iin", "supply"), Source("gain iout", "load")]
    for k, (iin, iout) in enumerate(((1.70, 4.0), (1.75, 4.0))):
        scatter = GTC.ureal(0.0, 0.0002, df=9)
        theirs.append(9.0 * iout * gains[1] / (24.0 * (iin * gains[0] + scatter)))
        own = Source(f"scatter {k}", "supply", "A", 9)
        i = Uncertain(iin, {sources[0]: 0.0008 * iin, own: 0.0002})
        ours.append(9.0 * Uncertain(iout, {sources[1]: 0.0003 * iout}) / (24.0 * i))
    expected = theirs[1] - theirs[0]
    found = differ("efficiency", *ours)
    assert found.difference.value == pytest.approx(expected.x, rel=1e-12)
    assert found.difference.u == pytest.approx(expected.u, rel=1e-9)
    assert found.difference.dof == pytest.approx(expected.df, rel=1e-9)
    assert found.correlation == pytest.approx(GTC.get_correlation(*theirs), rel=1e-9)
    assert found.difference.u < 0.25 * found.a.u


def test_what_two_boxes_read_does_not_cancel() -> None:
    """Variances of independent values add, JCGM 100:2008 (10)."""
    one, other = value(1.0, 0.3), value(1.1, 0.4, Source("gain", "another meter"))
    assert differ("x", one, other).difference.u == pytest.approx(0.5)
    assert differ("x", one, value(1.1, 0.4)).difference.u == pytest.approx(0.1)


@pytest.mark.parametrize("ratio", [0.3, 1.0, 1.9, 2.5, 3.5])
def test_p_is_that_of_the_normal_distribution_and_of_student(ratio: float) -> None:
    """Two-sided tails by scipy.stats, which the function does not use."""
    assert p_value(value(ratio, 1.0)) == pytest.approx(2.0 * norm.sf(ratio), rel=1e-6)
    few = value(ratio, 1.0, Source("scatter", "", "A", 4))
    assert p_value(few) == pytest.approx(2.0 * t.sf(ratio, 4), rel=1e-6)


def test_p_is_below_one_in_twenty_exactly_where_the_interval_leaves_nought() -> None:
    for shape in ("normal", "rectangular"):
        source = Source("gain", "meter", shape=shape)
        for x in (1.4, 1.64, 1.65, 1.66, 1.9, 1.95, 1.97, 2.1):
            found = differ("x", Uncertain(0.0), value(x, 1.0, source))
            assert (found.p < 0.05) == found.is_significant, (shape, x)


def test_p_is_not_told_below_what_is_known_of_tails_and_is_one_without_a_difference() -> None:
    assert p_value(value(50.0, 1.0)) == LEAST_P
    assert p_value(value(0.0, 1.0)) == pytest.approx(1.0, abs=1e-6)
    assert p_value(Uncertain(1.0)) == LEAST_P and p_value(Uncertain(0.0)) == 1.0


# ------------------------------------------------------------------------------ matching


def test_a_parabola_is_interpolated_to_itself_and_its_bend_is_the_doubt() -> None:
    """A loss a + b I + c I² is met exactly; straight line less parabola is c (x - x0)(x1 - x)."""
    loads, x = (1.0, 2.0, 3.0, 4.0), 2.4
    found = at_load(curve(0.3, 0.4, 0.15, loads), point(x, Uncertain(0.0)))
    assert found is not None
    values, how, _ = found
    assert how == "interpolated"
    assert values["ploss_w"].value == pytest.approx(0.3 + 0.4 * x + 0.15 * x * x, rel=1e-12)
    bend = 0.15 * (x - 2.0) * (3.0 - x)
    assert values["ploss_w"].u == pytest.approx(bend / math.sqrt(3.0), rel=1e-9)


def test_efficiency_between_two_loads_follows_from_loss_and_output() -> None:
    found = at_load(curve(0.3, 0.4, 0.15, (0.1, 1.0, 2.0)), point(0.4, Uncertain(1.0)))
    assert found is not None
    loss_w = 0.3 + 0.4 * 0.4 + 0.15 * 0.16
    assert found[0]["efficiency"].value == pytest.approx(3.6 / (3.6 + loss_w), rel=1e-12)


@pytest.mark.parametrize("load_a", [0.99, 4.01])
def test_nothing_is_said_beyond_the_loads_that_were_measured(load_a: float) -> None:
    other = curve(0.3, 0.4, 0.15, (1.0, 2.0, 3.0, 4.0))
    assert at_load(other, point(load_a, Uncertain(1.0))) is None


def test_two_points_do_not_show_how_far_a_curve_bends_between_them() -> None:
    two = curve(0.3, 0.4, 0.15, (1.0, 3.0))
    assert at_load(two, point(2.0, Uncertain(1.0))) is None
    assert at_load(two, point(3.0, Uncertain(1.0))) is not None  # the same load is there


def test_one_ammeter_cancels_in_the_load_and_two_do_not() -> None:
    """At the same reading of two ammeters the true loads differ: slope times their doubt."""
    mine, theirs = Source("gain", "mine"), Source("gain", "theirs")
    b = [point(x, Uncertain(x), load=mine) for x in (1.0, 2.0, 3.0)]
    for load, expected in ((mine, 0.0), (theirs, math.hypot(0.001, 0.001))):
        found = at_load(b, point(2.0, Uncertain(2.0), load=load))
        assert found is not None
        assert found[0]["ploss_w"].u == pytest.approx(expected, abs=1e-15)  # slope 1 W/A


def test_each_ambient_of_one_run_meets_the_nearest_of_the_other() -> None:
    a = [point(2.0, Uncertain(1.0 + c / 100.0), ambient_c=c) for c in (25.0, 60.0)]
    b = [point(2.0, Uncertain(2.0 + c / 100.0), ambient_c=c) for c in (24.0, 61.0)]
    airs = [(one.ambient_a_c, one.ambient_b_c) for one in match(a, b)]
    assert sorted(airs) == [(25.0, 24.0), (60.0, 61.0)]


def test_kinds_and_lines_never_meet_others() -> None:
    a = [point(2.0, Uncertain(1.0)), point(2.0, Uncertain(1.0), line_v=20.0)]
    assert match(a, [point(2.0, Uncertain(1.0), kind="soaked")]) == []
    assert [one.line_set_v for one in match(a, [point(2.0, Uncertain(1.0), line_v=20.0)])] == [20.0]


def test_a_single_load_of_the_first_run_is_met_by_interpolating_the_second_or_the_other_way() -> (
    None
):
    one, many = [point(2.4, Uncertain(2.0))], curve(0.3, 0.4, 0.15, (1.0, 2.0, 3.0))
    (forward,), (backward,) = match(one, many), match(many, one)
    assert forward.match == backward.match == "interpolated"
    assert forward.iout_a == backward.iout_a == 2.4
    signs = [pair.differences[0].difference.value for pair in (forward, backward)]
    assert signs[0] == pytest.approx(-signs[1], rel=1e-12)
