"""Between measured places: exact where it can be, honest where it cannot, never beyond."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.analysis.interpolation import Node, at
from runner.analysis.uncertainty import Source, Uncertain

GAIN = Source("gain")


def nodes(*places: tuple[float, float], gain: float = 0.0) -> list[Node]:
    return [
        Node(Uncertain(x), Uncertain(y, {GAIN: gain * y}), (number,))
        for number, (x, y) in enumerate(places, start=1)
    ]


def parabola(a: float, b: float, c: float, *xs: float) -> list[Node]:
    return nodes(*((x, a + b * x + c * x * x) for x in xs))


def test_a_parabola_is_met_and_its_bend_is_the_limit_of_error() -> None:
    found = at(parabola(0.3, 0.4, 0.15, 1.0, 2.0, 4.0), 3.0, 0.01, "loss")
    assert found is not None and found.interpolated and found.points == (2, 3)
    assert found.y.value == pytest.approx(0.3 + 0.4 * 3.0 + 0.15 * 9.0)
    # A parabola bends by c (x - x0)(x1 - x) from its chord: 0.15 here. Elementary.
    assert found.y.u == pytest.approx(0.15 / math.sqrt(3.0))


def test_a_place_that_was_nearly_set_is_moved_along_the_slope() -> None:
    found = at(nodes((1.0, 10.0), (2.01, 20.1), (3.0, 30.0)), 2.0, 0.08, "y")
    assert found is not None and not found.interpolated and found.points == (2,)
    assert found.y.value == pytest.approx(20.0)


def test_beyond_what_was_measured_there_is_nothing() -> None:
    some = nodes((1.0, 1.0), (2.0, 2.0), (3.0, 3.0))
    assert at(some, 3.2, 0.1, "y") is None
    assert at(some, 0.8, 0.1, "y") is None
    assert at([], 1.0, 0.1, "y") is None


def test_a_shared_gain_stays_shared() -> None:
    found = at(nodes((1.0, 10.0), (2.0, 20.0), (3.0, 30.0), gain=0.01), 2.5, 0.1, "y")
    assert found is not None
    assert found.y.u == pytest.approx(0.01 * 25.0)  # not smaller: one gain errs in both


@given(st.floats(-1.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(0.05, 0.95))
def test_a_rising_parabola_is_within_the_limits_of_two_nodes(
    a: float, b: float, c: float, x: float
) -> None:
    # From its vertex upwards a parabola leaves its chord by at most a quarter of the rise.
    found = at(parabola(a, b, c, 0.0, 1.0), x, 0.01, "y")
    assert found is not None
    assert abs(found.y.value - (a + b * x + c * x * x)) <= math.sqrt(3.0) * found.y.u + 1e-12


@given(st.floats(-1.0, 1.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.floats(-0.2, 0.2))
def test_a_moved_node_has_the_doubt_of_its_slope(a: float, b: float, c: float, off: float) -> None:
    true = a + b * (1.0 + off) + c * (1.0 + off) ** 2
    # Three nodes give the parabola itself, at an end as well; two bound one that keeps rising.
    for xs in ((0.5, 1.0, 2.0), (1.0, 2.0, 3.0), (-1.0, 0.2, 1.0)):
        found = at(parabola(a, b, c, *xs), 1.0 + off, 0.3, "y")
        if found is not None:
            assert found.y.value == pytest.approx(true, abs=1e-9)
    found = at(parabola(a, b, c, 1.0, 2.0), 1.0 + off, 0.3, "y")
    assert found is not None
    assert abs(found.y.value - true) <= math.sqrt(3.0) * found.y.u + 1e-12


def test_a_light_load_near_none_is_not_that_of_none() -> None:
    # A loss that rises with the root of the load over half its rise, as pulse skipping ends.
    def loss(x: float) -> float:
        return 0.2 + 0.1 * math.sqrt(x / 0.2) + 0.1 * x / 0.2

    some = nodes(*((x, loss(x)) for x in (0.0, 0.2, 0.6)))
    for x in (0.01, 0.05, 0.079, 0.081, 0.12):
        found = at(some, x, 0.08, "loss")
        assert found is not None
        assert abs(found.y.value - loss(x)) <= math.sqrt(3.0) * found.y.u
    exact = at(some, 0.0, 0.08, "loss")
    assert exact is not None and exact.y.u == 0.0


def test_none_says_nothing_of_how_loads_bend() -> None:
    # No load 0.5 below the parabola of all the loads: between those it must not be seen.
    some = [*nodes((0.0, -0.2)), *parabola(0.3, 0.4, 0.15, 0.5, 1.0, 2.0, 4.0)]
    for x in (0.55, 0.7):
        found = at(some, x, 0.08, "loss")
        assert found is not None
        assert found.y.value == pytest.approx(0.3 + 0.4 * x + 0.15 * x * x)
