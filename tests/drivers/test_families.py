"""Families by name, framing, and the rule by which a setting read back is accepted."""

from __future__ import annotations

import pytest

from drivers import families
from drivers.errors import SettingRefused, UnknownFamily
from drivers.readback import Tolerance
from tests.drivers.conftest import LinkMaker
from tests.drivers.faulty import FaultyBox

SOCKET = "TCPIP0::supply.boathouse.example::5025::SOCKET"


def test_misspelt_family_gets_the_nearest_right_one(link_in_process: LinkMaker) -> None:
    link = link_in_process(FaultyBox())
    with pytest.raises(UnknownFamily, match=r"'scpi-suply'.*Did you mean 'scpi-supply'\?"):
        families.supply("scpi-suply", link, name="supply")


def test_family_of_another_kind_is_refused(link_in_process: LinkMaker) -> None:
    link = link_in_process(FaultyBox())
    with pytest.raises(UnknownFamily, match=r"'scpi-supply' is no load.*scpi-load-mode"):
        families.load("scpi-supply", link, name="load")
    with pytest.raises(UnknownFamily, match="no channel 3"):
        families.load("scpi-load-mode", link, name="load", channel=3)
    with pytest.raises(UnknownFamily, match=r"sensor 'J'.*K, T, PT100, NTC"):
        families.thermometer("scpi-thermometer", link, name="case", sensor="J")


def test_shunt_needs_a_meter_of_current(link_in_process: LinkMaker) -> None:
    link = link_in_process(FaultyBox())
    for quantity, shunt_ohm in (("V", 0.01), ("A", 0.0), ("A", float("nan"))):
        with pytest.raises(SettingRefused, match="shunt"):
            families.meter(
                "scpi-meter",
                link,
                name="iin",
                quantity=quantity,  # type: ignore[arg-type]
                shunt_ohm=shunt_ohm,
            )


def test_style_follows_family_resource_and_wish() -> None:
    assert families.style("scpi-supply", SOCKET).framing == "one-line"
    assert families.style("scpi-supply", SOCKET, "lines", 0.1).gap_s == 0.1
    assert families.style("line-supply", "ASRL3::INSTR").gap_s == 0.05
    with pytest.raises(SettingRefused, match="only a socket or a serial line"):
        families.style("scpi-supply", "GPIB0::5::INSTR", "lines")
    with pytest.raises(SettingRefused, match="one command at a time"):
        families.style("line-supply", "ASRL3::INSTR", "one-line")
    with pytest.raises(UnknownFamily, match="nonsense"):
        families.style("nonsense", SOCKET)


@pytest.mark.parametrize(
    ("asked", "text", "accepted"),
    [
        (12.0, "12.000", True),
        (12.0004, "12.000", True),  # rounded to the box's millivolt
        (12.0, "+1.20000000E+01", True),
        (12.0004, "+1.20000000E+01", True),  # a millivolt step, however many digits are written
        (24.3, "2.42999992E+01", True),  # single precision
        (12.004, "12.00", True),
        (12.004, "12.000", False),
        (12.02, "12.00", False),
        (12.4, "12", False),  # a box that writes no decimals is not taken at its word
        (99.0, "60.0000", False),
        (0.0, "0.0005", True),
        (1.0, "-1.000", False),
    ],
)
def test_rule_for_a_level_read_back(asked: float, text: str, accepted: bool) -> None:
    assert Tolerance(0.001, 0.01, "V").allows(asked, float(text), text) is accepted
