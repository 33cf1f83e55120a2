"""Derating against the reference network, against brute force, and its honesty about itself."""

import csv
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runner.analysis.derating import CannotDerateError, DeratedLoad, Limits, derate
from runner.analysis.holding import LoadPoint, OutputLimits

DATA = Path(__file__).parents[2] / "data"
OUTPUT = OutputLimits(vout_set_v=5.0, tolerance=0.03)


def rows(name: str) -> list[dict[str, str]]:
    lines = (DATA / name).read_text("utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def reference_points(ambients: Iterable[str]) -> list[LoadPoint]:
    """Soaks of the reference network at these ambients, and the circuit's own cold points."""
    soaks = [
        point(
            float(r["vin_V"]),
            float(r["iout_A"]),
            float(r["p_loss_hot_W"]),
            ambient_temp_c=float(r["ambient_C"]),
            hot_spot_temp_c=float(r["t_hot_C"]),
            kind="soaked",
        )
        for r in rows("thermal_A.csv")
        if r["ambient_C"] in ambients
    ]
    cold = [
        point(
            float(r["vin_V"]),
            float(r["iout_A"]),
            float(r["pin_W"]) - float(r["pout_W"]),
            ambient_temp_c=25.0,
            hot_spot_temp_c=25.0,  # the thermal files take these losses as those at 25 °C
        )
        for r in rows("switching_buck_A.csv")
    ]
    return soaks + cold


def point(line_v: float, iout_a: float, ploss_w: float, **values: object) -> LoadPoint:
    plain = LoadPoint(line_v, iout_a, iout_a, 5.0, ploss_w)
    return replace(plain, **values)  # type: ignore[arg-type]  # the tests name the fields


def at(loads: Iterable[DeratedLoad], line_v: float, ambient_c: float) -> DeratedLoad:
    return next(r for r in loads if (r.line.line_v, r.ambient_temp_c) == (line_v, ambient_c))


# --------------------------------------------------------------- the reference network


def test_reference_derating_is_reproduced_within_20_ma() -> None:
    # thermal_A_derating.csv: greatest load for a 125 °C hot spot, computed with scipy from circuit
    # simulation and a 35 K/W network; here from soaks at 25 and 60 °C and cold points alone.
    limits = Limits(OUTPUT, hot_spot_max_temp_c=125.0, module_iout_max_a=3.0)  # its grid ends there
    table = derate(reference_points({"25", "60"}), limits)
    expected = {
        (float(r["vin_V"]), float(r["ambient_C"])): float(r["iout_max_A"])
        for r in rows("thermal_A_derating.csv")
    }
    given_a = [row for row in table if row.greatest is not None]
    assert len(given_a) == 4 * 18  # four lines, 0 to 85 °C: all within 25 K of a soak
    for row in given_a:
        assert row.greatest is not None
        at_a = expected[row.line.line_v, row.ambient_temp_c]
        assert row.greatest.iout_max_a == pytest.approx(at_a, abs=0.02)


def test_reference_growth_and_resistance_are_found() -> None:
    # By construction: + 0.3 %/K, 35 K/W (README of the data).
    line = derate(reference_points({"25", "60"}), Limits(OUTPUT, 125.0))[0].line
    assert line.model.growth_fitted
    assert line.model.growth_per_k == pytest.approx(0.003, abs=1e-5)
    assert line.spot_heat.k_per_w == pytest.approx(35.0, abs=0.01)


def test_rows_further_than_25_k_from_a_soak_carry_no_number() -> None:
    table = derate(reference_points({"25"}), Limits(OUTPUT, 125.0))
    assert at(table, 12.0, 50.0).basis == "extrapolated"
    assert at(table, 12.0, 50.0).extrapolation_k == pytest.approx(25.0)
    refused = at(table, 12.0, 55.0)
    assert refused.basis == "refused"
    assert refused.greatest is None
    assert refused.extrapolation_k == pytest.approx(30.0)


def test_measured_is_near_a_soaked_ambient_and_between_soaked_loads() -> None:
    table = derate(
        reference_points({"25", "60"}), Limits(OUTPUT, 125.0), [22.0, 25.0, 27.5, 60.0, 85.0]
    )
    basis = [at(table, 12.0, ambient_c).basis for ambient_c in (22.0, 25.0, 27.5, 60.0, 85.0)]
    assert basis == ["extrapolated", "measured", "measured", "measured", "extrapolated"]


def test_a_load_outside_the_soaked_ones_is_never_called_measured() -> None:
    # At 25 °C and 12 V the reference allows 2.04 A; here soaks reach 1 A only.
    points = [p for p in reference_points({"25"}) if p.kind == "fast" or p.iout_a == 1.0]
    row = at(derate(points, Limits(OUTPUT, 125.0)), 12.0, 25.0)
    assert row.greatest is not None
    assert row.greatest.iout_max_a == pytest.approx(2.0375, abs=0.25)  # growth is less well known
    assert row.basis == "extrapolated"
    assert "ABOVE_SOAKED_LOADS" in row.flags
    # ... and at 2 A and above only, with 85 °C asked: below the soaked loads.
    points = [p for p in reference_points({"85"}) if p.kind == "fast" or p.iout_a >= 2.0]
    row = at(derate(points, Limits(OUTPUT, 125.0)), 12.0, 85.0)
    assert row.basis == "extrapolated"
    assert "BELOW_SOAKED_LOADS" in row.flags


def test_a_line_that_was_never_soaked_borrows_and_says_so() -> None:
    points = [p for p in reference_points({"25"}) if p.kind == "fast" or p.line_v == 12.0]
    row = at(derate(points, Limits(OUTPUT, 125.0)), 24.0, 25.0)
    assert row.basis == "extrapolated"
    assert "NOT_SOAKED_AT_LINE" in row.flags
    assert row.line.spot_heat.k_per_w == pytest.approx(35.0, abs=0.01)


def test_a_soak_that_did_not_settle_gives_no_thermal_resistance() -> None:
    points = [
        replace(p, settled=False, hot_spot_temp_c=26.0) if p.kind == "soaked" else p
        for p in reference_points({"25"})
        if p.iout_a != 2.0
    ]
    with pytest.raises(CannotDerateError, match="until settled"):
        derate(points, Limits(OUTPUT, 125.0))


def test_two_loads_are_too_few_for_a_number() -> None:
    points = [p for p in reference_points({"25"}) if p.kind == "soaked" and p.iout_a < 3.0]
    row = at(derate(points, Limits(OUTPUT, 125.0)), 12.0, 25.0)
    assert (row.basis, row.greatest) == ("refused", None)
    assert "TOO_FEW_LOADS" in row.flags


def test_points_in_collapse_or_from_a_limited_supply_do_not_bend_the_losses() -> None:
    limits = Limits(OUTPUT, 125.0)
    clean = at(derate(reference_points({"25"}), limits), 12.0, 25.0)
    spoilt = [
        point(12.0, 2.6, 40.0, vout_v=1.0, hot_spot_temp_c=30.0, holds=False),
        point(12.0, 2.7, 40.0, hot_spot_temp_c=30.0, fed=False),
        point(12.0, 2.8, 40.0, hot_spot_temp_c=30.0, settled=False),
        point(12.0, 2.9, 40.0, vout_v=4.4, hot_spot_temp_c=30.0),
    ]
    assert at(derate([*reference_points({"25"}), *spoilt], limits), 12.0, 25.0).line.losses == (
        clean.line.losses
    )


# ------------------------------------------------------------------------- the limits


def module_points(
    growth: float = 0.004, hot_k_per_w: float = 12.0, case_k_per_w: float = 7.0
) -> list[LoadPoint]:
    """A made-up module, soaked at 25 °C: loss (0.3 + 0.4 I + 0.15 I^2)(1 + growth dT)."""
    points = []
    for iout_a in (0.5, 1.0, 2.0, 3.0, 4.0):
        base_w = 0.3 + 0.4 * iout_a + 0.15 * iout_a**2
        rise_k = hot_k_per_w * base_w / (1.0 - growth * hot_k_per_w * base_w)
        ploss_w = rise_k / hot_k_per_w
        points.append(point(24.0, iout_a, base_w, hot_spot_temp_c=25.0))
        points.append(
            point(
                24.0,
                iout_a,
                ploss_w,
                kind="soaked",
                ambient_temp_c=25.0,
                hot_spot_temp_c=25.0 + rise_k,
                case_temp_c=25.0 + case_k_per_w * ploss_w,
            )
        )
    return points


def limited(limits: Limits, points: list[LoadPoint] | None = None) -> tuple[str, float]:
    row = at(derate(points or module_points(), limits, [25.0]), 24.0, 25.0)
    assert row.greatest is not None
    return row.greatest.limited_by, row.greatest.iout_max_a


def test_each_limit_is_named_when_it_is_the_one() -> None:
    hot = Limits(OUTPUT, 110.0, 100.0, 50.0, 60.0)
    assert limited(hot)[0] == "hot-spot"
    assert limited(replace(hot, case_max_temp_c=50.0))[0] == "case"
    assert limited(replace(hot, module_iout_max_a=2.5)) == ("module-limit", 2.5)
    assert limited(replace(hot, bench_iout_max_a=2.0)) == ("bench", 2.0)
    assert limited(replace(hot, module_iout_max_a=2.0, bench_iout_max_a=2.0))[0] == "module-limit"


def test_case_at_its_limit_is_at_its_limit() -> None:
    row = derate(module_points(), Limits(OUTPUT, 500.0, 50.0), [25.0])[0]
    assert row.greatest is not None
    assert row.greatest.limited_by == "case"
    assert row.greatest.case_temp_c == pytest.approx(50.0, abs=1e-3)
    assert row.greatest.hot_spot_temp_c == pytest.approx(25.0 + 25.0 / 7.0 * 12.0, abs=1e-2)


def test_current_limit_is_the_last_load_that_held() -> None:
    points = [
        *module_points(),
        point(24.0, 1.2, 3.0, iout_set_a=4.4, vout_v=0.8, holds=False),
        point(24.0, 0.3, 3.0, iout_set_a=4.8, vout_v=0.2, holds=False),
    ]
    assert limited(Limits(OUTPUT, 500.0), points) == ("current-limit", 4.0)


def test_a_load_asked_for_nothing_is_no_current_limit() -> None:
    points = [*module_points(), point(24.0, 0.0, 0.3, holds=False, hot_spot_temp_c=25.0)]
    assert limited(Limits(OUTPUT, 110.0), points)[0] == "hot-spot"


def test_output_tolerance_is_interpolated_between_measured_outputs() -> None:
    # 5 V set, 3 %: 4.85 V is half way between 4.90 V at 3 A and 4.80 V at 4 A.
    sagging = {3.0: 4.90, 4.0: 4.80}
    points = [replace(p, vout_v=sagging.get(p.iout_a, 5.0)) for p in module_points()]
    word, iout_a = limited(Limits(OUTPUT, 500.0), points)
    assert word == "output-tolerance"
    assert iout_a == pytest.approx(3.5)


def test_an_output_never_within_tolerance_carries_nothing() -> None:
    points = [replace(p, vout_v=5.4) for p in module_points()]
    assert limited(Limits(OUTPUT, 110.0), points) == ("output-tolerance", 0.0)


def test_an_output_high_at_light_load_alone_does_not_limit_the_greatest_load() -> None:
    points = [replace(p, vout_v=5.3) if p.iout_a < 1.0 else p for p in module_points()]
    assert limited(Limits(OUTPUT, 110.0), points)[0] == "hot-spot"


def test_an_ambient_at_the_limit_carries_nothing() -> None:
    row = derate(module_points(), Limits(OUTPUT, 40.0), [45.0])[0]
    assert row.greatest is not None
    assert (row.greatest.iout_max_a, row.greatest.limited_by) == (0.0, "hot-spot")


def test_a_line_whose_idling_alone_runs_away_carries_nothing() -> None:
    # 100 K/W and 1 %/K run away at 1 W: the quiet 20 V line settles, at 30 V 1.2 W of idling does
    # not, although at 25 °C it would be counted with its loss at 25 °C.
    points = [
        point(line_v, iout_a, (idle_w + 0.1 * iout_a) * warm, hot_spot_temp_c=temp_c)
        for line_v, idle_w in ((20.0, 0.2), (30.0, 1.2))
        for iout_a in (0.0, 0.5, 1.0)
        for temp_c, warm in ((25.0, 1.0), (75.0, 1.5))
    ]
    rise_k = 100.0 * 0.25 / (1.0 - 0.01 * 100.0 * 0.25)
    soak = point(20.0, 0.5, rise_k / 100.0, kind="soaked", hot_spot_temp_c=25.0 + rise_k)
    points.append(replace(soak, ambient_temp_c=25.0))
    quiet, loud = derate(points, Limits(OUTPUT, 90.0), [25.0])
    assert quiet.greatest is not None
    assert quiet.greatest.hot_spot_temp_c == pytest.approx(90.0, abs=1e-6)
    assert loud.greatest is not None
    assert loud.greatest.iout_max_a == 0.0
    assert loud.greatest.hot_spot_temp_c is None
    assert loud.greatest.ploss_w is None


def test_without_a_hot_spot_the_case_is_used_and_it_is_said() -> None:
    points = [replace(p, case_temp_c=p.case_temp_c or 25.0) for p in module_points()]
    blind = [replace(p, hot_spot_temp_c=None) for p in points]
    row = derate(blind, Limits(OUTPUT, 110.0, 70.0), [25.0])[0]
    assert row.greatest is not None
    assert row.greatest.limited_by == "case"
    assert row.greatest.case_temp_c == pytest.approx(70.0, abs=0.01)
    assert row.greatest.hot_spot_temp_c is None
    assert "HOT_SPOT_NOT_MEASURED" in row.flags


def test_no_table_without_a_temperature_limit_that_was_measured() -> None:
    with pytest.raises(CannotDerateError, match="no temperature was both limited"):
        derate(module_points(), Limits(OUTPUT, None, None))


def test_no_table_without_an_ambient() -> None:
    with pytest.raises(CannotDerateError, match="ambient"):
        derate([replace(p, ambient_temp_c=None) for p in module_points()], Limits(OUTPUT, 110.0))


def test_efficiency_is_blank_beyond_the_loads_measured() -> None:
    inside = derate(module_points(), Limits(OUTPUT, 110.0, module_iout_max_a=2.0), [25.0])[0]
    beyond = derate(module_points(), Limits(OUTPUT, 500.0, module_iout_max_a=4.5), [25.0])[0]
    assert inside.greatest is not None
    assert beyond.greatest is not None
    assert inside.greatest.ploss_w is not None
    assert inside.greatest.efficiency == pytest.approx(10.0 / (10.0 + inside.greatest.ploss_w))
    assert beyond.greatest.efficiency is None


# ------------------------------------------------------------------------ brute force


def settles_at_c(iout_a: float, ambient_c: float, growth: float, k_per_w: float) -> float:
    """Where heat comes to rest when simply iterated; 1e9 when it does not."""
    base_w = 0.3 + 0.4 * iout_a + 0.15 * iout_a**2
    temp_c = ambient_c
    for _ in range(4000):
        temp_c = ambient_c + k_per_w * base_w * (1.0 + growth * (temp_c - 25.0))
        if temp_c > 1e4:
            return 1e9
    return temp_c


@settings(max_examples=25, deadline=None)
@given(
    growth=st.floats(0.0005, 0.008), k_per_w=st.floats(4.0, 15.0), ambient_c=st.floats(0.0, 50.0)
)
def test_the_greatest_load_keeps_the_limit_and_a_little_more_does_not(
    growth: float, k_per_w: float, ambient_c: float
) -> None:
    points = module_points(growth, k_per_w)
    row = derate(points, Limits(OUTPUT, hot_spot_max_temp_c=110.0), [ambient_c])[0]
    assert row.greatest is not None
    iout_a = row.greatest.iout_max_a
    assert settles_at_c(iout_a - 0.005, ambient_c, growth, k_per_w) <= 110.0
    assert settles_at_c(iout_a + 0.005, ambient_c, growth, k_per_w) > 110.0
    assert row.greatest.hot_spot_temp_c == pytest.approx(110.0, abs=1e-6)
