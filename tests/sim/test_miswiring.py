"""A bench wired otherwise than its file says: the boxes show what boxes so wired would."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from sim.instruments.spec import BoxSpec
from sim.miswiring import miswired

BOXES = (
    BoxSpec("supply", "A", "scpi-supply", wired="supply", remote_sense=True),
    BoxSpec("load", "B", "scpi-load-function", wired="load", remote_sense=True),
    BoxSpec("vin", "C", "scpi-meter", wired="vin"),
    BoxSpec("vout", "D", "scpi-meter", wired="vout"),
    BoxSpec("iin", "E", "scpi-meter", wired="iin"),
    BoxSpec("hot", "F", "scpi-thermometer", channel=101, wired="hot_spot"),
    BoxSpec("air", "F", "scpi-thermometer", channel=102, wired="ambient"),
)
NONE = {"iin": 0.0, "iout": 0.0}
RIGHT = {"iin": 1.0, "iout": 1.0}


def wired(
    boxes: Sequence[BoxSpec] = BOXES, faults: Sequence[str] = (), **changes: object
) -> dict[str, BoxSpec]:
    keys: dict[str, object] = {"offsets_a": NONE, "scales": RIGHT, "load_least_v": None}
    return {box.name: box for box in miswired(boxes, faults, **keys | changes)}  # type: ignore[arg-type]


def test_without_faults_nothing_changes() -> None:
    assert tuple(wired().values()) == BOXES


def test_swapped_meters_change_places_and_keep_their_errors() -> None:
    found = wired(faults=["volts-swapped", "hot-spot-ambient-swapped"])
    assert (found["vin"].wired, found["vout"].wired) == ("vout", "vin")
    assert (found["hot"].wired, found["air"].wired) == ("ambient", "hot_spot")
    assert found["hot"].channel == 101


def test_sense_wires_leads_and_least_voltage_belong_to_their_box() -> None:
    found = wired(faults=["load-sense-missing", "vin-reversed"], load_least_v=9.5)
    assert found["load"].sense_missing and not found["supply"].sense_missing
    assert found["vin"].reversed_leads and not found["vout"].reversed_leads
    assert found["load"].least_v == 9.5


def test_an_offset_is_on_the_ammeter_or_else_on_the_readback() -> None:
    found = wired(offsets_a={"iin": 0.02, "iout": 0.03}, scales={"iin": 1.0, "iout": 10.0})
    assert (found["iin"].offset_a, found["supply"].offset_a) == (0.02, 0.0)
    assert (found["load"].offset_a, found["load"].scale_a) == (0.03, 10.0)


@pytest.mark.parametrize("fault", ["amps-swapped", "case-ambient-swapped", "hot-spot-case-swapped"])
def test_a_fault_without_its_boxes_is_an_error_that_names_both(fault: str) -> None:
    with pytest.raises(
        ValueError, match=f"'{fault}' needs an instrument in the role '(iout|case)'"
    ):
        wired(faults=[fault])
