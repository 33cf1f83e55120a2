"""The search for an edge."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from runner.analysis.bracket import Bracket, outwards


@given(st.floats(1.0, 2.7), st.booleans())
def test_an_edge_is_known_to_a_hundredth_after_ten_tries(edge: float, is_falling: bool) -> None:
    """From a load of 1 up to 2.7 times that; by counting, as a technician would."""
    tries, holds, fails = 0, None, None
    for value in outwards(1.0, 2.75):
        tries += 1
        if value > edge:
            fails = value
            break
        holds = value
    assert fails is not None
    bracket = Bracket(holds or 0.7, fails)
    while not bracket.is_narrow(0.0, 0.01):
        tries += 1
        bracket = bracket.told(bracket.middle, holds=bracket.middle <= edge)
    assert bracket.low <= edge <= bracket.high or edge == 1.0
    assert bracket.width <= 0.01 * bracket.middle
    assert tries <= 10


@given(st.floats(-50.0, 50.0), st.floats(-50.0, 50.0), st.floats(0.0, 1.0))
def test_the_edge_never_leaves_the_bracket(holds: float, fails: float, at: float) -> None:
    edge = holds + at * (fails - holds)
    bracket = Bracket(holds, fails)
    for _ in range(12):
        middle = bracket.middle
        is_good = abs(middle - holds) <= abs(edge - holds)
        bracket = bracket.told(middle, holds=is_good)
        assert bracket.low - 1e-9 <= edge <= bracket.high + 1e-9
    assert bracket.width <= abs(fails - holds) / 2.0**12 + 1e-9


def test_the_tries_left_are_those_it_takes() -> None:
    bracket = Bracket(8.0, 0.0)
    left = bracket.tries_left(0.05)
    for _ in range(left):
        assert not bracket.is_narrow(0.05)
        bracket = bracket.told(bracket.middle, holds=True)
    assert bracket.is_narrow(0.05) and bracket.tries_left(0.05) == 0


def test_outwards_ends_at_the_most_and_never_passes_it() -> None:
    assert list(outwards(4.0, 5.5)) == [4.0, 5.5]
    assert list(outwards(4.0, 4.0)) == [4.0]
    assert list(outwards(1.0, 2.0)) == [1.0, 1.4, 1.4 * 1.4, 2.0]
