"""What people type at a bench is read the way they mean it, or refused with the reason."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.hand.answers import Unclear, Unit, done, number


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("9.02", "V", 9.02),
        ("9,02", "V", 9.02),
        ("1,5", "A", 1.5),
        ("9.02 V", "V", 9.02),
        ("9.02V", "V", 9.02),
        (" 9.02 volts ", "V", 9.02),
        ("9020 mV", "V", 9.02),
        ("9020mV", "V", 9.02),
        ("1250 mA", "A", 1.25),
        (".5", "A", 0.5),
        ("0,5A", "A", 0.5),
        ("9.", "V", 9.0),
        ("-3", "A", -3.0),
        ("45,12 mV", "V", 0.04512),
        ("9,020 V", "V", 9.02),
        ("−3", "A", -3.0),
        ("+61.5 °C", "°C", 61.5),
        ("61.5 C", "°C", 61.5),
    ],
)
def test_a_reading_is_taken_as_people_write_it(text: str, unit: Unit, value: float) -> None:
    assert number(text, unit) == pytest.approx(value, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("", "V", "'' is no number: write it in volts"),
        ("nine", "V", "is no number"),
        ("9.02 A", "V", "the unit 'A' is not taken here: write it in volts, as in 9.02 or 9020 mV"),
        ("9.02 MV", "V", "the unit 'MV' is not taken"),  # mega, or a shouted milli
        ("1,000.5", "V", "is no number"),
        ("1.000,5", "V", "is no number"),
        ("9,020 mV", "V", "can be read in two ways: write it in volts, as in 9.02"),
        ("1,250mA", "A", "can be read in two ways: write it in amperes"),
        ("9 0 2", "V", "is no number"),
        ("9.0.2", "V", "is no number"),
        ("nan", "V", "is no number"),
        ("inf", "V", "is no number"),
        ("1e400", "V", "is no number"),
        ("61 °F", "°C", "the unit '°F' is not taken here: write it in degrees Celsius"),
        ("334 K", "°C", "the unit 'K' is not taken"),
        ("٩", "V", "is no number"),  # digits of another script
        ("9" * 400, "V", "is no number"),
    ],
)
def test_what_cannot_be_read_in_one_way_is_refused_in_one_line(
    text: str, unit: Unit, says: str
) -> None:
    with pytest.raises(Unclear) as caught:
        number(text, unit)
    assert says in str(caught.value) and "\n" not in str(caught.value)


@given(st.text(max_size=60))
def test_any_text_is_a_finite_number_or_unclear(text: str) -> None:
    try:
        value = number(text, "V")
    except Unclear as reason:
        assert str(reason)
    else:
        assert math.isfinite(value)


@given(st.floats(0.0, 999.0), st.integers(0, 6))
def test_comma_and_point_mean_the_same(value: float, decimals: int) -> None:
    text = f"{value:.{decimals}f}"
    assert number(text.replace(".", ","), "V") == number(text, "V") == float(text)


def test_done_is_enter_or_a_word_for_it() -> None:
    for text in ("", "  ", "ok", "Y", "done"):
        done(text)
    for text in ("no", "9.02", "?"):
        with pytest.raises(Unclear, match="press Enter alone"):
            done(text)
