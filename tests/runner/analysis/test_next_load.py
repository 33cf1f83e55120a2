"""Where the next load is placed, against curves whose shape is known."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

import pytest

from runner.analysis.interpolation import Node, at
from runner.analysis.next_load import NextLoad, next_load
from runner.analysis.uncertainty import Uncertain

LOADS_A = (0.2, 0.4, 1.0, 2.0, 4.0, 4.4)


class Shown(NamedTuple):
    iout_a: float
    vout_v: float
    ploss_w: float
    hot_spot_temp_c: float | None = None


def curve(loss: Callable[[float], float], loads_a: Sequence[float] = LOADS_A) -> list[Shown]:
    return [Shown(load_a, 9.0, loss(load_a)) for load_a in loads_a]


def quadratic(load_a: float) -> float:
    """a + b I + c I²: what a parabola reads off without error."""
    return 0.2 + 0.4 * load_a + 0.15 * load_a**2


def with_break(load_a: float, at_a: float = 1.5) -> float:
    """Below some load the module switches otherwise, and loses less."""
    return quadratic(load_a) - 0.3 * max(at_a - load_a, 0.0)


def following(points: list[Shown], asked_a: tuple[float, ...] = ()) -> NextLoad:
    found = next_load(points, asked_a)
    assert found is not None
    return found


def placed(loss: Callable[[float], float], count: int) -> list[float]:
    points = curve(loss)
    while len(points) < count:
        load_a = following(points).iout_a
        points.append(Shown(load_a, 9.0, loss(load_a)))
    return [point.iout_a for point in points]


def test_on_a_parabola_nothing_is_in_doubt_but_what_was_not_looked_at() -> None:
    """The third difference of a parabola is nought; the widest gap for its load is left."""
    found = following(curve(quadratic))
    assert found.iout_a == pytest.approx(0.7)  # of the gap 0.4 to 1.0, as wide as 0.86 of itself
    assert found.doubt == pytest.approx(1e-4 * 0.6 / 0.7, rel=1e-6)


def test_the_doubt_is_the_next_term_of_the_parabola() -> None:
    """A cubic of 0.01 W/A³: the parabola leaves out 0.01 (x - a)(x - b)(x - c), exactly."""
    points = curve(lambda load_a: quadratic(load_a) + 0.01 * load_a**3, (1.0, 2.0, 3.0, 4.0))
    found = following(points)
    x = found.iout_a
    by_gap = {1.5: (1, 2, 3), 2.5: (2, 3, 1), 3.5: (3, 4, 2)}[x]
    off_w = 0.01 * abs(math.prod(x - node for node in by_gap))
    low, high = by_gap[0], by_gap[1]
    loss_w = sum(point.ploss_w for point in points if point.iout_a in (low, high)) / 2.0
    pout_w = 9.0 * x
    expected = off_w * pout_w / (pout_w + loss_w) ** 2 + 1e-4 / x
    assert found.doubt == pytest.approx(expected, rel=1e-6)


def greatest_error(loss: Callable[[float], float], loads_a: Sequence[float]) -> float:
    """Of the efficiency read off, as claims are judged, from the smallest to the greatest load."""
    nodes = [Node(Uncertain(load_a), Uncertain(loss(load_a)), ()) for load_a in loads_a]
    worst = 0.0
    for k in range(401):
        load_a = 0.2 + 4.2 * k / 400
        read = at(nodes, load_a, 0.0, "loss")
        assert read is not None
        efficiencies = [9.0 * load_a / (9.0 * load_a + w) for w in (read.y.value, loss(load_a))]
        worst = max(worst, abs(efficiencies[0] - efficiencies[1]))
    return worst


@pytest.mark.parametrize("at_a", [0.55, 0.8, 1.3, 1.7, 2.6, 3.3])
def test_a_break_is_closed_in_on(at_a: float) -> None:
    """Twelve loads, six of them placed, read the curve off better than twelve even ones, and four
    times as well as the six there were."""

    def loss(load_a: float) -> float:
        return with_break(load_a, at_a)

    own = greatest_error(loss, placed(loss, 12))
    even = greatest_error(loss, [0.2 + 4.2 * k / 11 for k in range(12)])
    assert own < even
    assert own < 0.25 * greatest_error(loss, LOADS_A)


def test_a_load_somebody_asks_about_is_taken_where_it_serves_as_well() -> None:
    assert following(curve(quadratic), (0.65, 3.0)).iout_a == 0.65
    assert following(curve(quadratic), (0.45, 3.0)).iout_a == pytest.approx(0.7)  # too near 0.4


def test_what_heat_does_to_a_loss_is_no_break() -> None:
    """One module at 25 and at 85 °C by turns, 0.3 %/K: as good as the cold curve."""
    warm = [
        Shown(p.iout_a, p.vout_v, p.ploss_w * (1.0 + 0.003 * 60.0 * (k % 2)), 25.0 + 60.0 * (k % 2))
        for k, p in enumerate(curve(quadratic))
    ]
    assert following(warm) == following(curve(quadratic))


def test_the_order_of_the_points_does_not_matter_and_no_load_is_left_out() -> None:
    points = curve(with_break)
    assert following(points[::-1]) == following(points)
    assert following([Shown(0.0, 9.0, 0.1), *points]) == following(points)


def test_too_few_points_and_no_gap_left_give_none() -> None:
    assert next_load(curve(quadratic, LOADS_A[:3])) is None
    close = [1.0 + 0.015 * k for k in range(6)]
    assert next_load(curve(quadratic, close)) is None
