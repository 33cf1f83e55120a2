"""What a wiring audit makes of points: what a fault costs, and what is no fault."""

from __future__ import annotations

from dataclasses import replace

import pytest

from runner.analysis.wiring_audit import AuditPoint, Error, Facts, Finding, Zero, audit, first_power

EFFICIENCY = 0.86
FACTS = Facts(
    line_min_v=24.0,
    vout_set_v=9.0,
    vout_tolerance=0.03,
    iout_rated_a=4.0,
    iout_most_a=4.4,
    supply_limit_a=4.0,
    load_least_v=1.0,
    line_lead_ohm=0.04,
    output_lead_ohm=0.04,
    errors={
        "vin_v": Error(0.00005, 0.003),
        "iin_a": Error(0.001, 0.001),
        "vout_v": Error(0.00005, 0.0004),
        "iout_a": Error(0.001, 0.001),
    },
    drawn=Error(0.0005, 0.003),
)


def point(
    load_a: float, *, line_ohm: float = 0.0, output_ohm: float = 0.0, kelvin: float = 0.0
) -> AuditPoint:
    """A module of 86 % at 24 V and 9.0 V; what is read when leads are in the voltages."""
    iin_a = 9.0 * load_a / EFFICIENCY / 24.0 + 0.008
    return AuditPoint(
        24.0,
        load_a,
        24.0 - line_ohm * iin_a,
        iin_a,
        9.0 - output_ohm * load_a,
        load_a,
        ambient_temp_c=25.0,
        case_temp_c=25.0 + 0.2 * kelvin,
        hot_spot_temp_c=25.0 + kelvin,
    )


def points(**leads: float) -> tuple[AuditPoint, ...]:
    cold = tuple(point(load_a, **leads) for load_a in (0.0, 0.08, 0.4, 1.0))
    return (*cold, point(1.0, kelvin=5.0, **leads))


def named(found: tuple[Finding, ...]) -> dict[str, Finding]:
    return {finding.name: finding for finding in found}


def test_nothing_wrong_is_no_finding() -> None:
    assert audit(points(), Zero(0.0, 0.0), FACTS) == ()
    assert audit((), Zero(), FACTS) == ()


def test_missing_sense_of_40_mohm_a_side_costs_1_8_points_and_160_mv() -> None:
    """9 V, 4 A, 24 V, 86 %: 160 mV x 4 A at the output and 1.74 A squared x 40 mohm at the input.

    Computed by hand: 100 x 0.86 x (0.160 / 9 + 0.040 x 1.744 / 24) = 1.53 + 0.25 = 1.78 points.
    """
    found = named(audit(points(line_ohm=0.04, output_ohm=0.04), Zero(0.0, 0.0), FACTS))
    assert set(found) == {"load-sense", "line-sense"}
    output, line = found["load-sense"], found["line-sense"]
    assert output.points is not None and line.points is not None
    assert output.points + line.points == pytest.approx(-1.78, abs=0.04)
    assert "160 mV at rated load" in output.text and "40 ± " in output.text


def test_a_module_may_have_some_resistance_of_its_own() -> None:
    # 20 mohm are 0.9 % of 9 V at 4 A: usual, and well under the 40 mohm of the leads
    assert audit(points(output_ohm=0.02), Zero(0.0, 0.0), FACTS) == ()
    unknown = replace(FACTS, output_lead_ohm=None)
    assert audit(points(output_ohm=0.02), Zero(0.0, 0.0), unknown) == ()
    assert "load-sense" in named(audit(points(output_ohm=0.03), Zero(0.0, 0.0), unknown))


def test_an_offset_costs_its_share_of_the_rated_current() -> None:
    shifted = tuple(replace(p, iout_a=p.iout_a + 0.02) for p in points())
    (found,) = audit(shifted, Zero(0.0, 0.02), FACTS)
    assert found.name == "current-offset" and found.severity == "warn"
    assert found.points == pytest.approx(100 * 0.86 * 0.02 / 4.0, rel=0.03)
    assert "+20.0 mA" in found.text
    (same,) = audit(shifted, Zero(), FACTS)  # without a tare the open load is one
    assert same.name == "current-offset"


def test_within_its_accuracy_an_offset_is_no_finding() -> None:
    shifted = tuple(replace(p, iout_a=p.iout_a + 0.0009) for p in points())
    assert audit(shifted, Zero(0.0, 0.0009), FACTS) == ()


def test_swapped_ammeters_say_what_would_be_read() -> None:
    swapped = tuple(replace(p, iin_a=p.iout_a, iout_a=p.iin_a) for p in points())
    (found,) = audit(swapped, Zero(0.0, 0.0), FACTS)
    assert (found.name, found.severity) == ("ammeters-swapped", "stop")
    read = 9.0 * point(1.0).iin_a / (24.0 * 1.0)
    assert f"{100 * read:.1f} %" in found.text and "86" not in found.name


def test_more_out_than_in_stops_only_beyond_the_limits_of_error() -> None:
    def short_of(share: float) -> tuple[AuditPoint, ...]:
        return tuple(replace(p, iin_a=share * p.pout_w / p.vin_v) for p in points()[1:])

    idle = points()[:1]
    (sure,) = audit((*idle, *short_of(0.95)), Zero(0.0, 0.0), FACTS)
    assert (sure.name, sure.severity) == ("efficiency-above-one", "stop")
    (perhaps,) = audit((*idle, *short_of(0.999)), Zero(0.0, 0.0), FACTS)
    assert (perhaps.name, perhaps.severity) == ("efficiency-above-one", "warn")


def test_a_linear_regulator_is_no_fault() -> None:
    linear = tuple(replace(p, iin_a=p.iout_a + 0.005) for p in points())
    found = named(audit(linear, Zero(0.0, 0.0), FACTS))
    assert "efficiency-implausible" not in found


@pytest.mark.parametrize(("limit_a", "severity"), [(1.8, "warn"), (0.8, "stop")])
def test_a_supply_that_is_too_small_says_how_far_it_reaches(limit_a: float, severity: str) -> None:
    (found,) = audit(points(), Zero(0.0, 0.0), replace(FACTS, supply_limit_a=limit_a))
    assert (found.name, found.severity) == ("supply-limit", severity)
    reach_a = limit_a * 24.0 * (9.0 / (24.0 * point(1.0).iin_a)) / 9.0
    assert f"about {reach_a:.2f} A" in found.text


def test_a_supply_in_current_limit_stops() -> None:
    limited = (*points()[:-1], replace(points()[-1], supply_mode="CC"))
    assert "supply-limit" in named(audit(limited, Zero(0.0, 0.0), FACTS))


def test_leads_that_leave_the_load_too_little_stop() -> None:
    facts = replace(FACTS, output_lead_ohm=0.5, load_least_v=8.0)
    found = named(audit(points(), Zero(0.0, 0.0), facts))
    assert "7.00 V will be left" in found["load-cannot-sink"].text


def test_a_probe_that_does_not_warm_is_named() -> None:
    still = tuple(replace(p, hot_spot_temp_c=25.0, case_temp_c=None) for p in points())
    (found,) = audit(still, Zero(0.0, 0.0), FACTS)
    assert (found.name, found.severity) == ("hot-spot-still", "warn")


def test_without_thermometers_heat_is_not_judged() -> None:
    bare = tuple(
        replace(p, hot_spot_temp_c=None, case_temp_c=None, ambient_temp_c=None) for p in points()
    )
    assert audit(bare, Zero(0.0, 0.0), FACTS) == ()


def test_a_room_that_warms_with_the_module_is_no_exchange() -> None:
    warming = tuple(
        replace(p, ambient_temp_c=25.0 + 0.4 * k, hot_spot_temp_c=25.0 + 1.4 * k, case_temp_c=None)
        for k, p in enumerate(points())
    )
    assert audit(warming, Zero(0.0, 0.0), FACTS) == ()


def test_first_power_tells_a_reversed_line_from_one_that_is_only_slow() -> None:
    held = AuditPoint(24.0, 0.0, 1.4, 0.5, 0.0, 0.0, "CC")
    found = first_power(held, 9.0)
    assert found is not None and found.name == "polarity"
    assert first_power(replace(held, vin_v=23.0, supply_mode="CV"), 9.0) is None
