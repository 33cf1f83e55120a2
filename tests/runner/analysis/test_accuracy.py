"""From a maker's statement to sources: limits, ranges, sharing, shunts, tares.

Sources: specification limits worked out in a multimeter's calibration manual of 2018 (read);
the error budget at the end was computed apart from this project and serves as a cross-check.
"""

from __future__ import annotations

import math
from typing import Any

import pytest

from runner.analysis.accuracy import Range, Stated, fixed_range, lead, ranges, stated
from runner.analysis.sampling import Mean
from runner.analysis.uncertainty import Source, Uncertain, correlation, uncertain

CALM = Mean(0.0, 0.0, 0.0, 9.0, 10, 10.0)
"""Samples that did not scatter."""

SUPPLY = {
    "voltage_accuracy": [{"range_v": 40.0, "reading_pct": 0.05, "offset_v": 0.010}],
    "current_accuracy": [{"range_a": 5.0, "reading_pct": 0.15, "offset_a": 0.005}],
}
LOAD = {
    "voltage_accuracy": [{"range_v": 80.0, "reading_pct": 0.025, "offset_v": 0.0045}],
    "current_accuracy": [
        {"range_a": 30.0, "reading_pct": 0.05, "range_pct": 0.05},
        {"range_a": 6.0, "reading_pct": 0.05, "range_pct": 0.05},
    ],
}


def bench(**instruments: Any) -> dict[str, Any]:
    roles = {"supply": "supply", "load": "load"}
    roles |= {name: name for name in instruments if name not in roles}
    return {"roles": roles, "instruments": {"supply": SUPPLY, "load": LOAD} | instruments}


def range_for(quantity: str, greatest: float = math.inf, **instruments: Any) -> Range:
    found = ranges(bench(**instruments), {quantity: greatest})[quantity]
    assert isinstance(found, Range), found
    return found


def test_ten_volt_range_specification_limits() -> None:
    # 25 ppm of reading + 5 ppm of range at 10 V on the 10 V range: 0.30 mV, 9.99970 to 10.00030 V.
    found = stated({"range_v": 10.0, "reading_pct": 0.0025, "range_pct": 0.0005}, "v")
    assert found.limit(10.0) == pytest.approx(0.30e-3)


def test_percent_of_range_is_not_percent_of_reading() -> None:
    # 75 ppm of reading + 6 ppm of range at 10.03 kohm on the 10 kohm range: 0.75225 + 0.06 ohm.
    found = stated({"range_v": 10.0, "reading_pct": 0.0075, "range_pct": 0.0006}, "v")
    assert found.limit(10.03) == pytest.approx(0.81225e-3, rel=1e-9)  # in kohm


def test_limits_are_rectangular_and_a_normal_k2_is_halved() -> None:
    # JCGM 100:2008, 4.3.7: a / sqrt(3); 4.3.3: U / 2.
    plain = range_for("vin_v").reading(0.0, CALM, 1)
    assert plain.u == pytest.approx(0.010 / math.sqrt(3.0))
    row = SUPPLY["voltage_accuracy"][0] | {"distribution": "normal-k2"}
    calibrated = range_for("vin_v", supply=SUPPLY | {"voltage_accuracy": [row]})
    assert calibrated.reading(0.0, CALM, 1).u == pytest.approx(0.005)


def test_smallest_range_that_holds_the_greatest_value() -> None:
    assert range_for("iout_a", 5.5).offset_limit == pytest.approx(0.003)
    assert range_for("iout_a", 6.0).offset_limit == pytest.approx(0.003)
    assert range_for("iout_a", 6.1).offset_limit == pytest.approx(0.015)
    assert range_for("iout_a", 99.0).offset_limit == pytest.approx(0.015)
    assert fixed_range([], 1.0) is None


def test_readbacks_that_nobody_ranges_are_on_their_greatest_range() -> None:
    rows = [{"range_v": r, "reading_pct": 0.05, "range_pct": 0.1} for r in (10.0, 40.0)]
    found = range_for("vin_v", 8.0, supply=SUPPLY | {"voltage_accuracy": rows})
    assert found.offset_limit == pytest.approx(0.04)


def test_readings_of_one_range_share_gain_and_offset_and_no_scatter() -> None:
    own = range_for("iin_a")
    calm = [own.reading(amps, CALM, k) for k, amps in enumerate((2.0, 2.1))]
    assert correlation(*calm) == pytest.approx(1.0, abs=1e-3)
    # What is left of the difference is the gain of 0.1 A: 0.15 % / sqrt(3) of it.
    assert (calm[1] - calm[0]).u == pytest.approx(0.0015 * 0.1 / math.sqrt(3.0), rel=1e-9)
    noisy = Mean(0.0, 0.001, 0.0003, 9.0, 10, 10.0)
    first, second = (own.reading(2.0, noisy, k) for k in (1, 2))
    assert (second - first).u == pytest.approx(math.sqrt(2.0) * 0.0003)
    assert (second - first).dof == pytest.approx(18.0)


def test_instruments_of_one_type_do_not_cancel() -> None:
    volts = [range_for(name).reading(9.0, CALM, 1) for name in ("vin_v", "vout_v")]
    assert correlation(*volts) == 0.0


def test_a_shunt_brings_its_tolerance_and_scales_the_meter() -> None:
    meter = {
        "shunt_ohm": 0.01,
        "shunt_tolerance_pct": 0.1,
        "voltage_accuracy": [{"range_v": 0.1, "reading_pct": 0.005, "offset_v": 3e-6}],
    }
    found = range_for("iin_a", 4.0, iin=meter).reading(2.0, CALM, 1)
    # By hand: 3 uV over 10 mohm is 0.3 mA; 0.1 % and 0.005 % of 2 A are 2 mA and 0.1 mA.
    expected = math.sqrt(0.3e-3**2 + 2e-3**2 + 0.1e-3**2) / math.sqrt(3.0)
    assert found.u == pytest.approx(expected, rel=1e-9)
    assert found.by_instrument()[0].instrument == "iin shunt"


def test_what_is_not_stated_is_a_reason_and_not_a_number() -> None:
    found = ranges(bench(supply={}, hot_spot={}, iout={"shunt_ohm": 0.1} | SUPPLY), {})
    assert found["vin_v"] == "supply states no voltage_accuracy"
    assert found["hot_spot_temp_c"] == "hot_spot states no temp_accuracy"
    assert found["iout_a"] == "iout states no shunt_tolerance_pct"
    assert "ambient_temp_c" not in found
    perfect = ranges(bench(ambient={"temp_accuracy": {"offset_k": 0.0}}), {})
    assert "of zero, which no instrument has" in str(perfect["ambient_temp_c"])


def test_a_tare_replaces_the_offset_and_keeps_the_gain() -> None:
    own = range_for("iin_a")
    zero = Mean(-0.0033, 1.2e-4, 2.5e-5, 19.0, 20, 20.0)
    tared = own.tared(zero, 1e-4)
    at_nought, at_two = tared.reading(0.0, CALM, 1), tared.reading(2.0, CALM, 1)
    digit_a = 0.5e-4 / math.sqrt(3.0)  # a display that stands still adds its own half step
    assert at_nought.u == pytest.approx(math.hypot(2.5e-5, digit_a))
    gain_a = 0.0015 * 2.0 / math.sqrt(3.0)
    assert at_two.u == pytest.approx(math.sqrt(2.5e-5**2 + digit_a**2 + gain_a**2))
    assert own.reading(0.0, CALM, 1).u == pytest.approx(0.005 / math.sqrt(3.0))


def test_rounding_that_the_noise_averages_out_is_not_counted_twice() -> None:
    noisy = Mean(0.0, 1e-4, 3e-5, 9.0, 10, 10.0)
    tared = range_for("iin_a").tared(Mean(0.0, 1e-4, 2e-5, 19.0, 20, 20.0), 1e-4)
    assert tared.reading(0.0, noisy, 1).u == pytest.approx(math.hypot(2e-5, 3e-5))


def test_lead_resistance_has_a_tenth_of_itself_unless_stated() -> None:
    default = lead({"lead_resistance_ohm": 0.030}, "supply")
    given = lead({"lead_resistance_ohm": 0.030, "lead_resistance_u_ohm": 0.001}, "supply")
    assert default is not None and default.u == pytest.approx(0.003)
    assert given is not None and given.u == pytest.approx(0.001)
    assert lead({}, "supply") is None


def one_limit(value: float, accuracy: Stated, name: str) -> Uncertain:
    """The whole limit as one rectangular source, as the cross-check budget was computed."""
    u = accuracy.limit(value) / math.sqrt(3.0)
    return uncertain(value, u, Source(name, shape="rectangular"))


@pytest.mark.parametrize(
    ("iout_a", "efficiency", "points", "loss_share"),
    [(0.4, 0.85, 6.8, 0.52), (4.0, 0.86, 1.6, 0.12)],
)
def test_budget_of_low_cost_readbacks(
    iout_a: float, efficiency: float, points: float, loss_share: float
) -> None:
    # 24 V in, 9.0 V out; 0.5 % + 20 mV, 0.5 % + 10 mA; k = 2: U of efficiency and of the loss.
    volts, amps = Stated(0.0, 0.005, 0.020, "rectangular"), Stated(0.0, 0.005, 0.010, "rectangular")
    iin_a = 9.0 * iout_a / efficiency / 24.0
    pin_w = one_limit(24.0, volts, "vin") * one_limit(iin_a, amps, "iin")
    pout_w = one_limit(9.0, volts, "vout") * one_limit(iout_a, amps, "iout")
    assert 200.0 * (pout_w / pin_w).u == pytest.approx(points, abs=0.051)
    loss_w = pin_w - pout_w
    assert 2.0 * loss_w.u / loss_w.value == pytest.approx(loss_share, abs=0.0051)
