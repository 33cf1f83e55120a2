"""Where the next soak tells most: by what it would take off the doubt, and never too hot."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import pytest

from runner.analysis.next_soak import NextSoak, Wanted, next_soak

LINES_V = (20.0, 24.0, 30.0)
K_PER_W, GROWTH, LIMIT_C = 15.0, 0.003, 110.0
WANTED = Wanted(LINES_V, (25.0, 40.0), LIMIT_C, 4.4, 0.08)


@dataclass(frozen=True)
class Point:
    line_set_v: float
    iout_a: float
    ploss_w: float
    ambient_temp_c: float | None
    hot_spot_temp_c: float | None


@dataclass(frozen=True)
class Ended:
    settled: bool = True
    end_rise_k: float | None = None
    end_u_k: float | None = None
    end_loss_ratio: float = 1.0


def base_w(line_v: float, load_a: float) -> float:
    return 0.1 + 0.01 * line_v + (0.4 + 0.01 * line_v) * load_a + 0.15 * load_a**2


def cool(line_v: float, load_a: float) -> Point:
    return Point(line_v, load_a, base_w(line_v, load_a), 25.0, 25.0)


def soak(line_v: float, load_a: float) -> tuple[Point, Ended]:
    """A soak waited out, in closed form: rise = R P25 (1 + g rise) in 25 °C air."""
    base = base_w(line_v, load_a)
    rise_k = K_PER_W * base / (1.0 - GROWTH * K_PER_W * base)
    return Point(line_v, load_a, rise_k / K_PER_W, 25.0, 25.0 + rise_k), Ended()


MAP = [cool(line_v, load_a) for line_v, load_a in product(LINES_V, (0.4, 1.0, 2.0, 3.0, 4.0))]


def after(*soaks: tuple[float, float], wanted: Wanted = WANTED) -> NextSoak | None:
    done = [soak(*one) for one in soaks]
    return next_soak([*MAP, *(point for point, _ in done)], done, wanted, 25.0)


def test_without_a_soak_nothing_is_chosen() -> None:
    assert after() is None


def test_each_line_is_soaked_in_turn_and_then_it_is_enough() -> None:
    # A line without a soak borrows its resistance; so the next soak is at a line without one.
    done, doubts = [(24.0, 2.4)], []
    while (found := after(*done)) is not None:
        doubts.append(found.expanded_u_a)
        assert found.expected_u_a < found.expanded_u_a
        done.append((found.line_v, found.iout_a))
        assert len(done) < 8
    assert {line_v for line_v, _ in done} == set(LINES_V)
    assert doubts == sorted(doubts, reverse=True)


def test_doubt_comes_out_as_expected_when_the_soak_agrees() -> None:
    first = after((24.0, 2.4))
    assert first is not None
    second = after((24.0, 2.4), (first.line_v, first.iout_a))
    assert second is not None
    assert second.expanded_u_a == pytest.approx(first.expected_u_a, rel=0.25)


def test_a_soak_is_never_planned_too_hot() -> None:
    # Worked out in closed form: the end of each planned soak stays below the limit.
    done = [(24.0, 1.2)]
    for _ in range(5):
        found = after(*done)
        if found is None:
            break
        point, _ = soak(found.line_v, found.iout_a)
        assert (point.hot_spot_temp_c or 0.0) < LIMIT_C
        done.append((found.line_v, found.iout_a))


def test_a_load_that_was_stopped_is_not_planned_again() -> None:
    done = [soak(24.0, 2.4)]
    points = [*MAP, done[0][0]]
    first = next_soak(points, done, WANTED, 25.0)
    assert first is not None
    again = next_soak(points, done, WANTED, 25.0, [(first.line_v, first.iout_a)])
    assert again is not None
    assert again.line_v != first.line_v or again.iout_a < first.iout_a


def test_a_wider_wish_is_met_sooner() -> None:
    wide = Wanted(LINES_V, (25.0, 40.0), LIMIT_C, 4.4, 2.0)
    assert after((24.0, 2.4), wanted=wide) is None


def test_where_heat_does_not_limit_no_soak_is_spent() -> None:
    small = Wanted(LINES_V, (25.0,), LIMIT_C, 1.0, 0.02)
    assert after((24.0, 0.8), wanted=small) is None


def test_a_soak_that_did_not_settle_tells_nothing() -> None:
    point, _ = soak(24.0, 2.4)
    assert next_soak([*MAP, point], [(point, Ended(settled=False))], WANTED, 25.0) is None


def test_two_loads_are_not_enough_for_a_choice() -> None:
    some = [cool(24.0, 1.0), cool(24.0, 2.0)]
    assert next_soak(some, [soak(24.0, 2.0)], WANTED, 25.0) is None


def test_a_predicted_end_counts_as_well_as_it_is_known() -> None:
    # The same soak, its end told within 3 K instead of 0.5 K: more doubt is left.
    point, _ = soak(24.0, 2.4)
    rise_k = (point.hot_spot_temp_c or 0.0) - 25.0
    doubts = []
    for u_k in (0.5, 3.0):
        ended = Ended(end_rise_k=rise_k, end_u_k=u_k)
        found = next_soak([*MAP, point], [(point, ended)], WANTED, 25.0)
        assert found is not None
        doubts.append(found.expanded_u_a)
    assert doubts[1] > doubts[0]
