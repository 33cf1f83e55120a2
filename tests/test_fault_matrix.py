"""Every fault at every kind of step: safe, recorded, right exit code, right message, in time.

What is expected is common practice, no source: a fault that blinds the runner or changes the
bench ends the run; one that is over after one message does not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pytest

from sim.fault_names import KINDS
from tests.fault_matrix import ROWS, STEPS, Cell, Row, cell
from tests.fault_table import DEVELOPERS, expected

WITHIN_S = 2.0
"""From when a fault could be seen to the output off [s of the simulated clock]."""
ALL = frozenset(STEPS)
LATE = frozenset({"PowerDown", "leaving"})
COLD = frozenset({"Tare", "PowerUp"})
UNPOWERED = COLD | {"Start"}
CONCERNED = {
    "supply": "supply",
    "load": "load",
    "hot_spot": r"GPIB0::9::INSTR|_temp_c",
    "case": "case(_temp_c)?[ :]",
    "ambient": "ambient(_temp_c)?[ :]",
}


@dataclass(frozen=True, slots=True)
class Fate:
    """What may become of a row: in the columns `goes_on` it comes to its end, else `codes` end it.

    `says` is what the message names. `flags` are on the point that is taken after the fault.
    """

    codes: frozenset[int] = frozenset()
    goes_on: frozenset[str] = frozenset({"leaving"})
    says: str = ""
    within_s: float = WITHIN_S
    flags: frozenset[str] = frozenset()


def _fate(*codes: int, goes_on: frozenset[str] = frozenset({"leaving"}), **more: Any) -> Fate:
    return Fate(frozenset(codes), goes_on, **more)


SURVIVED = _fate(goes_on=ALL)
NO_OUTPUT = _fate(goes_on=ALL, flags=frozenset({"VOUT_LOW", "LOAD_UNREGULATED"}))
FOR_GOOD = {
    "supply": _fate(6, goes_on=frozenset()),
    "load": _fate(6, goes_on=frozenset()),
    "hot_spot": _fate(3, 4),  # 4 while it is first read
}
LOST = {"supply": _fate(4), "load": _fate(4), "hot_spot": _fate(3, 4)}
OVER_BY_THE_NEXT_LOOK = frozenset({"Tare", "Soak", "SetAmbient", "Wait", "leaving"})
HUNG = {  # a second before a box is energised, or between two looks at it, is no matter
    "supply": _fate(4, goes_on=OVER_BY_THE_NEXT_LOOK | {"Start"}),
    "load": _fate(4, goes_on=OVER_BY_THE_NEXT_LOOK | {"PowerUp", "Start"}),
    "hot_spot": _fate(3, 4, goes_on=OVER_BY_THE_NEXT_LOOK | {"PowerUp", "PowerDown"}),
}
FATES: Mapping[str, Fate] = {
    "reply-late by 2.5 s, supply": _fate(4, goes_on=UNPOWERED | {"leaving"}),
    **{
        f"{name} for good, {box}": fate
        for name in ("garbage", "mute", "hangs", "disconnects")
        for box, fate in FOR_GOOD.items()
    },
    **{f"hangs for 1 s, {box}": fate for box, fate in HUNG.items()},
    **{f"disconnects for 1 s, {box}": fate for box, fate in LOST.items()},
    "errors-flood, supply": _fate(4, goes_on=LATE),
    "errors-flood, load": _fate(4),
    "errors-flood, hot_spot": SURVIVED,
    **{f"restarts, {box}": fate for box, fate in LOST.items()},
    # Nothing is set above 20 V after those steps.
    "clips at 20 V, supply": _fate(4, goes_on=ALL - UNPOWERED - {"SetLine"}),
    "clips at 1 A, load": _fate(4, goes_on=LATE),
    # At the end it still reads volts, or amperes: not confirmed off. A line that does not come
    # is given 5 s.
    "readback-stuck, supply": _fate(
        3, 6, goes_on=frozenset(), within_s=5.1, says="supply|vin_v|iin_a"
    ),
    "readback-stuck, load": _fate(3, 6, goes_on=frozenset(), within_s=2.1, says="load|iout|ploss"),
    "readback-stuck, hot_spot": _fate(3, goes_on=LATE, within_s=62.0, says="hot_spot_temp_c"),
    # Where the module is cold, or its loss ends, a thermometer near the air is no wonder.
    **{
        f"thermometer-off, {spot}": _fate(3, goes_on=COLD | LATE | {"Release"})
        for spot in ("hot_spot", "case")
    },
    **{f"thermometer-open, {spot}": _fate(3, 4) for spot in ("hot_spot", "case", "ambient")},
    "supply-trips": _fate(3, 4, says="supply"),
    # An input that is off anyway cannot drop out.
    "load-drops-out": _fate(3, goes_on=UNPOWERED | LATE | {"Release"}, says="load input"),
    "module-dies-open": NO_OUTPUT,
    "module-dies-short": _fate(3, says="vout_v"),
    "fuse-opens": NO_OUTPUT,
    "mains-dip": _fate(4, says="supply|load|chamber"),
    "heat-sink-off": _fate(3, goes_on=LATE | {"Release"}, says="_temp_c|rise|ploss"),
    "thermal-runaway": _fate(3, goes_on=LATE, says="ploss|_temp_c|rise"),
}
UNREACHABLE = ("hangs for good, supply", "disconnects for good, supply")


PLAIN = ROWS[0]


def usual(row: Row, step: str) -> Cell:
    """The same without the fault."""
    plain = (PLAIN.warm_s, PLAIN.wait_s, PLAIN.tail_s)
    if row is not PLAIN and (row.warm_s, row.wait_s, row.tail_s) == plain:
        return usual(PLAIN, step)
    return cell(row, step, is_whole=True)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.title)
def test_every_fault_ends_safely_in_time_and_says_so(row: Row) -> None:
    fate = FATES.get(row.title, SURVIVED)
    wrong = [
        f"{step}: {what} [{found.exit_code}, off {found.to_off_s}, {found.message}]"
        for step in STEPS
        for found in (cell(row, step),)
        for what in mistakes(row, fate, step, found)
    ]
    assert not wrong, "\n".join(wrong)


def mistakes(row: Row, fate: Fate, step: str, found: Cell) -> list[str]:
    """What is not as it ought to be in one cell, in words."""
    wrong = recorded(found)
    if found.supply_on:
        if row.title not in UNREACHABLE:
            wrong.append("the supply is on")
        elif "COULD NOT CONFIRM OFF: supply output (supply)" not in found.message:
            wrong.append("a supply that may be on is not named")
    if found.exit_code == 0:
        return wrong + ([] if step in fate.goes_on else ["goes on"]) + right(row, fate, step, found)
    if step in fate.goes_on or found.exit_code not in fate.codes:
        wrong.append("another exit code")
    says = fate.says or CONCERNED[row.fault.instrument]
    if not re.search(says, found.message):
        wrong.append(f"the message does not name {says}")
    return wrong + in_time(row, fate, found)


def recorded(found: Cell) -> list[str]:
    """What the journal lacks: the way out, the ending as it was told, the trip."""
    safe, end = found.records[-2:]
    wrong = []
    if (safe["kind"], end["kind"]) != ("safe", "end"):
        wrong.append("the journal does not end with the way out")
    elif (end["exit_code"], end["message"]) != (found.exit_code, found.message):
        wrong.append("the journal says another ending")
    elif safe["confirmed"] is not (found.exit_code != 6):
        wrong.append("the journal says otherwise whether it was confirmed off")
    if (found.ending == "tripped") != any(r["kind"] == "trip" for r in found.records):
        wrong.append("the trip is not in the journal")
    return wrong


def in_time(row: Row, fate: Fate, found: Cell) -> list[str]:
    """Whether the output went off soon enough, or with a slow fault cool enough."""
    if row.is_slow:
        # The thermometer's stated limit of error is 1 K; in two looks it warms by less than 1 K.
        return [] if found.hottest_k < 2.0 else [f"{found.hottest_k:.1f} K above the limit"]
    if found.to_off_s is not None and found.to_off_s > fate.within_s:
        return [f"{found.to_off_s:.2f} s to the output off"]
    return []


def right(row: Row, fate: Fate, step: str, found: Cell) -> list[str]:
    """Whether a run that went on took the point that it takes without a fault."""
    after, whole = found.after, usual(row, step).after
    if after is None or whole is None:
        return [] if after is whole else ["the point is missing"]
    if set(after["flags"]) != fate.flags:
        return [f"the flags {after['flags']}"]
    if fate.flags or row.is_slow:  # another module than before
        return []
    # Stated limits of error of the demo bench: noise is a fiftieth of them.
    allowed = {"vin_v": 0.01, "iin_a": 0.005, "vout_v": 0.005, "iout_a": 0.003}
    return [
        f"{name} is {after[name]} and not {whole[name]}"
        for name, least in allowed.items()
        if not math.isclose(after[name], whole[name], rel_tol=2e-3, abs_tol=least)
    ]


def test_without_a_fault_every_column_comes_to_its_end() -> None:
    for step in STEPS:
        found = usual(PLAIN, step)
        assert (found.exit_code, found.supply_on, found.load_on) == (0, False, False), step


def test_every_fault_by_name_has_its_row() -> None:
    assert {row.fault.name for row in ROWS} == set(KINDS)


def test_the_published_table_is_what_the_matrix_gives() -> None:
    text = DEVELOPERS.read_text("utf-8")
    assert expected(text) == text, "python -m tests.fault_table --write writes it anew"
