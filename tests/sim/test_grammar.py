"""Program messages against IEEE 488.2-1992 chapter 7 and SCPI-1999 volume 1 (from memory)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.instruments import grammar
from sim.instruments.status import ScpiError


@pytest.mark.parametrize(
    ("text", "value"),
    [
        # The three decimal forms of IEEE 488.2-1992, 7.7.2: NR1, NR2, NR3, all signs and gaps.
        ("12", 12.0),
        ("+12", 12.0),
        ("-.5", -0.5),
        ("5.", 5.0),
        ("1.2E1", 12.0),
        ("1.2 e +1", 12.0),
        ("120E-1", 12.0),
        # Non-decimal forms of 7.7.4.
        ("#HFF", 255.0),
        ("#q17", 15.0),
        ("#B101", 5.0),
        # Suffixes of 7.7.3 and SCPI-1999 7.2.2.
        ("12 V", 12.0),
        ("12V", 12.0),
        ("12000mV", 12.0),
        ("1.5kv", 1500.0),
        ("3 UV", 3e-6),
    ],
)
def test_a_number_is_read_in_every_form_of_the_standard(text: str, value: float) -> None:
    assert grammar.number(text, "V") == pytest.approx(value, rel=1e-12)


def test_m_is_milli_but_mohm_is_mega() -> None:
    """SCPI-1999 volume 1, 7.2.2: the one exception among the multipliers."""
    assert grammar.number("2 MA", "A") == pytest.approx(0.002)
    assert grammar.number("2 MOHM", "OHM") == pytest.approx(2e6)


@pytest.mark.parametrize(
    ("text", "unit", "code"),
    [
        ("twelve", "V", -104),
        ("1,2", "V", -104),
        ("1..2", "V", -104),
        ("0x10", "V", -104),
        ("12 A", "V", -131),
        ("12 V", "", -138),
        ("1E99999", "V", -123),
        ("", "V", -104),
        ("NaN", "V", -104),
        ("#HG", "V", -104),
    ],
)
def test_a_bad_number_has_the_code_of_the_standard(text: str, unit: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        grammar.number(text, unit)
    assert caught.value.code == code


@given(st.floats(-1e30, 1e30), st.sampled_from(["{:.17g}", "{:.17e}", "{:.17E}"]))
def test_whatever_python_writes_is_read_back_exactly(value: float, form: str) -> None:
    assert grammar.number(form.format(value), "") == value


@pytest.mark.parametrize(
    ("text", "on"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)]
)
def test_a_switch_is_a_word_or_a_number_that_rounds(text: str, on: bool) -> None:
    """SCPI-1999 volume 1, 7.3."""
    assert grammar.switch(text) is on


def test_separators_inside_quotes_and_brackets_do_not_split() -> None:
    assert grammar.split('A "x;y";B (@1,2)', ";") == ['A "x;y"', "B (@1,2)"]
    assert grammar.split('"a,b",(@1,2),3', ",") == ['"a,b"', "(@1,2)", "3"]


def test_a_doubled_quote_is_one_quote() -> None:
    """IEEE 488.2-1992, 7.7.5."""
    assert grammar.quoted('"say ""on"""') == 'say "on"'
    assert grammar.quoted("'it''s'") == "it's"


@pytest.mark.parametrize(
    ("text", "channels"), [("(@2)", (2,)), ("(@1,3)", (1, 3)), ("(@101:103)", (101, 102, 103))]
)
def test_a_channel_list_has_numbers_and_spans(text: str, channels: tuple[int, ...]) -> None:
    """SCPI-1999 volume 1, 8.3.2."""
    assert grammar.channel_list(text) == channels


@pytest.mark.parametrize(
    ("text", "code"),
    [("@2", -104), ("(2)", -104), ("(@)", -104), ("(@3:1)", -222), ("(@1:9999)", -222)],
)
def test_a_bad_channel_list_is_refused(text: str, code: int) -> None:
    with pytest.raises(ScpiError) as caught:
        grammar.channel_list(text)
    assert caught.value.code == code
