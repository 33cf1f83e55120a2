"""Vehicle conditions: the slopes and classes against the published figures."""

from __future__ import annotations

import pytest

from runner.analysis.vehicle import (
    RANGES_V,
    SLOW_V_PER_S,
    cranking,
    function_class,
    steepest_v_per_s,
)


@pytest.mark.parametrize(("code", "minutes"), [("A", 12.0), ("D", 21.0)])
def test_a_slow_fall_takes_as_long_as_published(code: str, minutes: float) -> None:
    # Stored parameter files after ISO 16750-2: code A 6 V in 12 min, code D 10.5 V in 21 min.
    assert RANGES_V[code][0] / SLOW_V_PER_S == pytest.approx(60.0 * minutes)


def test_level_i_falls_as_steeply_as_its_edge() -> None:
    # Starting profile level I: 12 V to 8 V in 5 ms (ISO 16750-2:2003, stored parameter file).
    fall, rise = steepest_v_per_s(cranking("I", 12.0), 12.0)
    assert fall == pytest.approx(4.0 / 0.005)
    assert rise == pytest.approx(max(1.5 / 0.050, 2.5 / 0.040))


@pytest.mark.parametrize(
    ("vout_v", "status"),
    [((9.0, 9.0), "A"), ((9.0, 3.0, 9.0), "C"), ((9.0, 0.0), "D"), ((9.0, 11.0, 9.0), "C")],
)
def test_the_functional_status_follows_from_the_output(
    vout_v: tuple[float, ...], status: str
) -> None:
    assert function_class(vout_v, 8.7, 9.3) == status
