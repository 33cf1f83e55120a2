"""Reading numbers, switches, strings and joined replies.

Forms: IEEE 488.2-1992 8.7.2 to 8.7.4 (NR1, NR2, NR3) and 8.7.8 (string response data);
9.9E37 and 9.91E37 for infinity and not-a-number: SCPI-1999 volume 1, 7.2.1 (both from
memory of the cited documents). The independent reader is Python's `decimal`.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.numbers import (
    error_entry,
    fields,
    labelled,
    last_digit,
    measured,
    number,
    register,
    switch,
    unquoted,
)

SIGN = st.sampled_from(["", "+", "-"])
DIGITS = st.text("0123456789", min_size=1, max_size=9)
NR1 = st.builds(str.__add__, SIGN, DIGITS)
NR2 = st.builds("{}{}.{}".format, SIGN, DIGITS, DIGITS)
NR3 = st.builds("{}{}{:+d}".format, NR2, st.sampled_from("eE"), st.integers(-30, 25))


@given(st.one_of(NR1, NR2, NR3))
def test_every_form_of_the_standard_is_read(text: str) -> None:
    assert number(text) == float(Decimal(text))
    assert number(f" {text} ") == number(text)


@pytest.mark.parametrize(
    "text",
    ["9.9E37", "9.90E+37", "+9.90000000E+37", "-9.9E37", "9.91E37", "9.91000E+37", "9.92E37"],
)
def test_overload_and_not_a_number_are_no_data(text: str) -> None:
    with pytest.raises(ValueError, match="overload"):
        number(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "NAN",
        "nan",
        "INF",
        "-inf",
        "+",
        ".",
        "1e",
        "E5",
        "1,5",
        "1_000",
        "1 2",
        "0x10",
        "12.0V",
        "١٢",
        "1.2.3",
        "--1",
        "OVLD",
        "12.0;1.0",
        "1e999999",
        "\n",
        "1e400",
        '"1"',
    ],
)
def test_what_is_no_number_is_an_error_that_quotes_it(text: str) -> None:
    with pytest.raises(ValueError) as caught:
        number(text)
    assert repr(text.strip(" \t")) in str(caught.value)


@given(st.text(max_size=12))
def test_any_text_is_a_finite_number_or_an_error(text: str) -> None:
    try:
        value = number(text)
    except ValueError:
        return
    assert abs(value) < 9.9e37
    assert value == float(Decimal(text.strip(" \t")))


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("12.003V", "V", 12.003),
        ("12.003 v", "V", 12.003),
        ("500mV", "V", 0.5),
        ("-1.5E3mA", "A", -1.5),
        ("0.1234A", "A", 0.1234),
        ("2kV", "V", 2000.0),
    ],
)
def test_number_with_its_unit(text: str, unit: str, value: float) -> None:
    assert measured(text, unit) == pytest.approx(value, rel=1e-12)


@pytest.mark.parametrize("text", ["12.003", "12.003A", "12.003W", "V", "1.2xV", "9.9E37V", ""])
def test_number_without_its_unit_is_an_error(text: str) -> None:
    with pytest.raises(ValueError):
        measured(text, "V")


def test_labelled_number() -> None:
    assert labelled("V1 12.000", "V1") == 12.0
    for text in ("V2 12.000", "12.000", "V1", "V1  x", ""):
        with pytest.raises(ValueError):
            labelled(text, "V1")


def test_switches_and_registers() -> None:
    assert [switch(text) for text in ("1", "0", "ON", "off", " 1")] == [
        True,
        False,
        True,
        False,
        True,
    ]
    assert [register(text) for text in ("0", "+512", "65535")] == [0, 512, 65535]
    for text in ("2", "", "ONN", "1.0"):
        with pytest.raises(ValueError):
            switch(text)
    for text in ("-1", "65536", "0.5", "", "on"):
        with pytest.raises(ValueError):
            register(text)


INSIDE = st.text(st.characters(codec="ascii", exclude_characters="\n\r"), max_size=12)
FIELD = st.one_of(
    st.text("0123456789.+-E", max_size=8),
    INSIDE.map(lambda text: '"' + text.replace('"', '""') + '"'),
)


@given(st.lists(FIELD, min_size=1, max_size=6))
def test_joined_reply_splits_outside_quotes_only(parts: list[str]) -> None:
    assert fields(";".join(parts)) == parts


@given(INSIDE)
def test_quoted_string_comes_back(text: str) -> None:
    assert unquoted('"' + text.replace('"', '""') + '"') == text


def test_quotes_that_do_not_close_are_an_error() -> None:
    for text in ('-222,"Data out', '"', 'a"b'):
        with pytest.raises(ValueError):
            fields(f"1;{text}")
    for text in ('"a"b"', "a", '"a', ""):
        with pytest.raises(ValueError):
            unquoted(text)


def test_error_queue_entries() -> None:
    # SCPI-1999 volume 2, 21.8: number and text; device-dependent text after a semicolon
    assert error_entry('0,"No error"') == (0, "No error")
    assert error_entry('+0,"No error"') == (0, "No error")
    assert error_entry('-222,"Data out of range;VOLT 99"') == (-222, "Data out of range;VOLT 99")
    assert error_entry("-222") == (-222, "")
    for text in ("", "No error", '-222,"Data', '1.5,"x"', '99999,"x"'):
        with pytest.raises(ValueError):
            error_entry(text)


@pytest.mark.parametrize(
    ("text", "worth"), [("12.000", 1e-3), ("12", 1.0), ("+1.2340E+01", 1e-3), ("5E-3", 1e-3)]
)
def test_worth_of_the_last_digit(text: str, worth: float) -> None:
    assert last_digit(text) == pytest.approx(worth, rel=1e-12)
