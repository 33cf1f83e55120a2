"""The SCPI drivers against a general SCPI server library, over a loopback socket.

Outside check: `scpipy` 1.5 (registry), through the pure-Python VISA. What it does not
have (an over-current trip) must be told, not faked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest
from scpipy.server import Router

from drivers import families
from drivers.errors import BadReply, BoxError, InstrumentError
from drivers.link import Link, open_visa
from drivers.sensors import ntc_temp_c
from tests.drivers.faulty import WallClock
from tests.drivers.scpi_server_boxes import Served, load, meter, supply

TIMEOUT_S = 0.2  # the server answers in well under a millisecond, or not at all
Connect = Callable[..., Link]


@pytest.fixture
def connect(pure_python_visa: Any) -> Iterator[Connect]:
    served: list[Served] = []
    links: list[Link] = []

    def make(router: Router, family: str, batch: Any = None) -> Link:
        served.append(Served(router, "BOATHOUSE,SERVED BOX,1,1.0"))
        resource = f"TCPIP0::127.0.0.1::{served[-1].port}::SOCKET"
        links.append(
            Link(
                lambda: open_visa(pure_python_visa, resource, timeout_s=TIMEOUT_S),
                name="served",
                resource=resource,
                timeout_s=TIMEOUT_S,
                style=families.style(family, resource, batch),
                clock=WallClock(),
            )
        )
        return links[-1]

    yield make
    for link in links:
        link.close()
    for server in served:
        server.stop()


@pytest.mark.parametrize("batch", ["one-line", "lines", "single"])
@pytest.mark.parametrize(("family", "channel"), [("scpi-supply", None), ("scpi-supply-suffix", 2)])
def test_supply(batch: str, family: str, channel: int | None, connect: Connect) -> None:
    link = connect(supply(str(channel or "")), family, batch)
    link.expect("BOATHOUSE,SERVED BOX")
    driven = families.supply(family, link, name="supply", channel=channel)
    driven.prepare(remote_sense=True)
    assert driven.set_protection(31.5, 3.0) == ("over-current trip",)
    driven.set_level(24.0, 3.0)
    driven.set_output(True)
    reading = driven.measure()
    assert (reading.v_v, reading.i_a, reading.mode) == (24.0, 2.4, "CV")
    with pytest.raises(BoxError, match=r'asked for 99 V.*-222,"Data out of range"'):
        driven.set_level(99.0, 3.0)
    assert driven.measure().v_v == 24.0
    driven.set_output(False)
    assert not driven.is_on()
    assert driven.measure().mode == "OFF"
    assert link.errors() == []


@pytest.mark.parametrize(
    ("family", "mode", "switch"),
    [("scpi-load-function", "FUNCtion", "INPut"), ("scpi-load-mode", "MODE", "OUTPut")],
)
def test_load(family: str, mode: str, switch: str, connect: Connect) -> None:
    driven = families.load(family, connect(load(mode, switch), family), name="load")
    with pytest.raises(BoxError):  # it has no SYSTem:SENSe
        driven.prepare(remote_sense=True, range_a=5.0)
    driven.prepare(remote_sense=False, range_a=5.0)
    assert driven.set_protection(5.5, 60.0) == ()
    driven.set_level(2.5)
    driven.set_input(True)
    reading = driven.measure()
    assert (reading.v_v, reading.i_a, reading.mode) == (9.0, 2.5, "CC")
    driven.set_level(4.5, "CR")
    assert driven.measure().mode == "CR"
    with pytest.raises(BoxError, match="-222"):
        driven.set_level(31.0)
    driven.set_input(False)
    assert driven.measure().mode == "OFF"


def test_meter_and_shunt(connect: Connect) -> None:
    link = connect(meter(volts=0.035, ohms=0.0), "scpi-meter")
    volts = families.meter("scpi-meter", link, name="vin", quantity="V")
    volts.prepare(range_max=1.0)
    assert volts.measure() == 0.035
    amps = families.meter("scpi-meter", link, name="iin", quantity="A", shunt_ohm=0.010)
    amps.prepare(range_max=10.0)
    assert amps.measure() == pytest.approx(3.5, rel=1e-12)
    volts.prepare(range_max=0.01)
    with pytest.raises(BadReply, match=r"overload.*9\.90000000E\+37"):
        volts.measure()


def test_pt100_and_ntc_on_a_meter(connect: Connect) -> None:
    # 110.000 ohm -> 25.684 °C, from the coefficients of IEC 60751:2008
    link = connect(meter(volts=0.0, ohms=110.0), "scpi-meter")
    pt100 = families.thermometer("scpi-meter", link, name="case", sensor="PT100")
    pt100.prepare()
    assert pt100.measure() == pytest.approx(25.684, abs=5e-4)
    ntc = families.thermometer("scpi-meter", link, name="case", sensor="NTC")
    ntc.prepare()
    assert ntc.measure() == pytest.approx(ntc_temp_c(110.0))


def test_thermocouple_on_a_meter(connect: Connect) -> None:
    # ITS-90 table, type K: 4.096 mV at 100 °C, 1.000 mV at 25 °C
    link = connect(meter(volts=0.003096, ohms=0.0), "scpi-meter")
    made = families.thermometer(
        "scpi-meter", link, name="hot_spot", sensor="K", cold_junction_c=25.0
    )
    made.prepare()
    assert made.measure() == pytest.approx(100.0, abs=0.02)
    with pytest.raises(InstrumentError, match="knows no cold junction"):
        families.thermometer("scpi-meter", link, name="hot_spot", sensor="K")


def test_open_pt100_on_a_meter_is_no_temperature(connect: Connect) -> None:
    link = connect(meter(volts=0.0, ohms=1e30), "scpi-meter")
    pt100 = families.thermometer("scpi-meter", link, name="case", sensor="PT100")
    pt100.prepare()
    with pytest.raises(BadReply, match="sensor is not open"):
        pt100.measure()


def test_a_thousand_readings_do_not_shift(connect: Connect) -> None:
    link = connect(supply(), "scpi-supply")
    driven = families.supply("scpi-supply", link, name="supply")
    driven.prepare(remote_sense=False)
    driven.set_output(True)
    for number in range(1000):
        wanted = 1.0 + number % 29
        if number % 10 == 0:
            driven.set_level(wanted, 3.0)
            now = wanted
        assert driven.measure().v_v == now
