"""What every SCPI box does: headers, paths, status registers, the error queue.

Codes, texts and bits: SCPI-1999 volume 2 chapter 21 and IEEE 488.2-1992 chapters 10 and 11,
from memory.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sim.build import SimBench

Ask = Callable[[str, str], str | None]
BOXES = ("supply", "load", "hot_spot", "chamber", "vin")


def errors(ask: Ask, name: str = "supply") -> list[int]:
    """Drain the queue and return the codes."""
    codes = []
    while (reply := ask(name, "SYST:ERR?")) != '0,"No error"':
        assert reply is not None
        codes.append(int(reply.partition(",")[0]))
    return codes


@pytest.mark.parametrize(
    "header",
    [
        "VOLT",
        "volt",
        "VOLTAGE",
        "SOUR:VOLT",
        ":SOURce:VOLTage:LEVel:IMMediate:AMPLitude",
        "VOLT:AMPL",
        "SOURCE:VOLTAGE:LEV",
    ],
)
def test_short_long_and_optional_mnemonics_mean_the_same(ask: Ask, header: str) -> None:
    ask("supply", f"{header} 12.5")
    assert ask("supply", f"{header}?") == "12.500"
    assert errors(ask) == []


@pytest.mark.parametrize("header", ["VOLTA", "VOL", "OUTP:STATUS", "SOUR:OUTP", "STATE", "VOLT2"])
def test_only_the_two_forms_are_accepted(ask: Ask, header: str) -> None:
    """SCPI-1999 volume 1, 6.2.1: nothing between the short and the long form."""
    ask("supply", f"{header} 1")
    assert errors(ask) == [-113]


def test_a_unit_continues_where_the_last_header_stood(ask: Ask) -> None:
    """SCPI-1999 volume 1, 6.2.4, the header path."""
    reply = ask("supply", "MEAS:VOLT?;CURR?")
    assert reply is not None and reply.count(";") == 1
    ask("supply", "VOLT:PROT 33;PROT:TRIP?")
    assert errors(ask) == []
    assert ask("supply", "VOLT 5;CURR 2;:VOLT?;*OPC?;CURR?") == "5.000;1;2.0000"
    ask("supply", "MEAS:VOLT?;OUTP?")
    assert errors(ask) == [-113]


def test_a_refused_value_leaves_the_setting_and_the_rest_goes_on(ask: Ask) -> None:
    ask("supply", "VOLT 12")
    assert ask("supply", "VOLT 99;VOLT?;:SYST:ERR?") == '12.000;-222,"Data out of range;VOLT 99"'


def test_a_command_error_discards_the_rest_of_the_message(ask: Ask) -> None:
    assert ask("supply", "VOLT 12;:FOO 1;:VOLT 20") is None
    assert ask("supply", "VOLT?") == "12.000"
    assert errors(ask) == [-113]


@pytest.mark.parametrize(
    ("message", "code"),
    [
        ("VOLT", -109),
        ("VOLT 1,2", -108),
        ("VOLT? 1", -108),
        ("OUTP? MAX", -108),
        ("*RST 1", -108),
        ("VOLT twelve", -104),
        ('VOLT "12"', -104),
        ("OUTP MAYBE", -104),
        ("VOLT 12 A", -131),
        ("*ESE 1V", -138),
        ("VOLT 1E99999", -123),
        ("VOLT 1E99", -222),
        ("VOLT -1", -222),
        ("*ESE 256", -222),
        ("VOLT,12", -103),
        ("VOLT=12", -103),
        ("VOLT::LEV 12", -102),
        ("VOLT 1,", -102),
        ("CURR 1;;VOLT 1", -102),
        ("?", -102),
        ("VOLT\x00 12", -101),
        ("VÖLT 12", -101),
        ('DISP:TEXT "half', -151),
        ("*FOO", -113),
        ("*IDN", -113),
        ("MEAS:VOLT 3", -113),
        ("OUTP:PROT:CLE?", -113),
        ("STAT:QUES:ENAB 99999", -222),
    ],
)
def test_each_mistake_has_its_code_and_class_bit(ask: Ask, message: str, code: int) -> None:
    ask("supply", "*CLS;VOLT 7")
    ask("supply", message)
    bit = {-1: 32, -2: 16}[-(-code // 100)]  # CME and EXE, IEEE 488.2-1992 11.5.1
    assert ask("supply", "*ESR?") == str(bit)
    assert errors(ask) == [code]
    assert ask("supply", "VOLT?") == "7.000"


def test_limits_have_names_and_can_be_asked(ask: Ask) -> None:
    assert ask("supply", "VOLT? MAX;:VOLT? MIN;:VOLT? DEF;:CURR? DEFault") == (
        "40.000;0.000;0.000;5.0000"
    )
    assert ask("supply", "VOLT MAX;VOLT?;:VOLT MINimum;VOLT?") == "40.000;0.000"


def test_the_queue_is_first_in_first_out_and_says_when_it_overflowed(ask: Ask) -> None:
    ask("supply", "VOLT 99")
    for _ in range(30):
        ask("supply", "FOO")
    assert ask("supply", "SYST:ERR:COUN?") == "20"
    codes = errors(ask)
    assert codes[0] == -222 and codes[-1] == -350 and len(codes) == 20


def test_event_registers_report_and_clear_on_reading(ask: Ask) -> None:
    assert ask("supply", "*ESR?") == "128"  # power on
    ask("supply", "*OPC")
    assert ask("supply", "*ESR?;*ESR?") == "1;0"
    ask("supply", "*ESE 32;*SRE 32;:FOO")
    assert ask("supply", "*STB?") == str(4 | 32 | 64)  # error queue, event summary, master
    ask("supply", "*CLS")
    assert ask("supply", "*STB?;*ESE?;*SRE?") == "0;32;32"


def test_the_identity_has_four_fields_and_a_token_can_be_wrapped_round_it(ask: Ask) -> None:
    """IEEE 488.2-1992, 10.14.3."""
    assert ask("supply", "*ESE 77;*IDN?;*ESE?") == "BOATHOUSE,SUPPLY 40-5,0,1.0;77"


def test_a_quoted_string_keeps_its_separators(ask: Ask) -> None:
    assert ask("load", 'DISP:TEXT "dry; run";TEXT?') == '"dry; run"'
    assert errors(ask, "load") == []


def test_an_empty_message_is_no_mistake(ask: Ask) -> None:
    assert ask("supply", "") is None and ask("supply", "  ") is None
    assert errors(ask) == []


@pytest.mark.parametrize("name", BOXES)
def test_every_box_understands_the_common_commands(ask: Ask, name: str) -> None:
    for message in ("*CLS", "*RST", "*WAI", "*OPC", "SYST:REM", "SYST:LOC", "STAT:PRES"):
        assert ask(name, message) is None
    for message in (
        *("*IDN?", "*ESR?", "*STB?", "*OPC?", "*TST?", "*ESE?", "*SRE?", "SYST:VERS?"),
        *("STAT:QUES:COND?", "STAT:QUES?", "STAT:QUES:EVEN?", "STAT:QUES:ENAB?"),
        *("STAT:OPER:COND?", "STAT:OPER?", "STAT:OPER:ENAB?", "SYST:ERR:NEXT?"),
    ):
        assert ask(name, message)
    assert errors(ask, name) == []


_PIECES = st.sampled_from(
    [
        *("VOLT", "CURR", "MEAS:VOLT?", "OUTP ON", "SOUR", "TEMP?", "CONF", "CONF:TEMP", "READ?"),
        *("(@101)", "(@", ")", '"', "'", ";", ":", ",", " ", "?", "*", "#H", "#", "1e9", "9" * 400),
        *("MAX", "MIN", "-1", "1E99999", "NAN", "INF", "\x00", "é", "\t", "*IDN?", "RANG", "FUNC"),
        *("SYST:SENS", "K", "TC,", "UNIT:TEMP", "NPLC", "INST", "NSEL", "2", "STAT:QUES", ".", "_"),
    ]
)
_MESSAGES = st.one_of(
    st.lists(_PIECES, max_size=12).map("".join),
    st.lists(_PIECES, max_size=8).map(" ".join),
    st.text(max_size=40),
)
_QUICK = settings(
    max_examples=300,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@_QUICK
@given(st.sampled_from(BOXES), _MESSAGES)
def test_no_message_makes_a_box_raise(bench: SimBench, name: str, message: str) -> None:
    box = bench.devices[bench.resources[name]].box
    reply = box.handle(message)
    assert reply is None or isinstance(reply, str)
    assert box.handle("*OPC?") == "1"


@_QUICK
@given(st.sampled_from(BOXES), st.text(min_size=1, max_size=30).filter(lambda t: t.strip()))
def test_text_that_is_no_command_queues_an_error(bench: SimBench, name: str, text: str) -> None:
    """Random text: the chance that it is a command by accident is nil but for `READ?` and such."""
    box = bench.devices[bench.resources[name]].box
    box.handle("*CLS")
    assert box.handle("ZZ" + text) is None
    assert box.handle("SYST:ERR:COUN?") != "0"
