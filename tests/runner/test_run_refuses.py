"""`run` does the rating part of a rehearsal by itself: what cannot be safe is refused, unopened.

The benches of the table fall short in one rating each; the least that a load takes from the
line follows from the power balance, Pin >= Pout (first law), with the leads' loss by Ohm's law.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from runner.errors import BadInput
from runner.files.toml_file import resolve
from tests.runner.live import Live

AT = """
    yield PowerUp({line_v})
    yield Draw({iout_a})
    yield Read()
    yield PowerDown()
"""
METER = """
[instruments.meter]
resource = "GPIB0::4::INSTR"
family = "scpi-meter"
"""
LIMIT = "iin_max_a = 4.0\n"


def bench(live: Live, *changes: tuple[str, str], meter: tuple[str, str] | None = None) -> str:
    """The demo bench with changes, and with a meter in one role."""
    text = resolve("demo", "bench").read_text("utf-8")
    for found, instead in changes:
        assert text.count(found) >= 1, found
        text = text.replace(found, instead, 1)
    if meter is not None:
        role, keys = meter
        text = text.replace("[limits]", f'{role} = "meter"\n\n[limits]', 1)
        text = text.replace("[simulation]", f"{METER}{keys}\n\n[simulation]", 1)
    path = live.folder / "bench.toml"
    path.write_text(text, "utf-8")
    return str(path)


THIN = ("lead_resistance_ohm = 0.030", "lead_resistance_ohm = 0.8")
# 9 V x 5.4 A = 48.6 W out; from 20 V that is 2.43 A and more
HEAVY = (20.0, 5.4)


@pytest.mark.parametrize(
    ("changes", "meter", "at", "says"),
    [
        # leads, fuse and limit of the line: enough for 4 A, not for 5.4 A
        ([("lead_max_a = 10.0", "lead_max_a = 2.3"), (LIMIT, "")], None, HEAVY, "lead_max_a of"),
        ([("fuse_a = 5.0", "fuse_a = 2.3"), (LIMIT, "")], None, HEAVY, "limits.fuse_a"),
        ([(LIMIT, "iin_max_a = 2.3\n")], None, HEAVY, "input current: 5.4 A at a line of 20 V"),
        ([("rated_a = 5.0", "rated_a = 2.3"), (LIMIT, "")], None, HEAVY, "rated_a of supply"),
        # an ammeter's shunt and range in the line
        (
            [(LIMIT, "")],
            ("iin", "range_v = 0.1\nshunt_ohm = 0.01\nshunt_max_a = 2.3"),
            HEAVY,
            "shunt_max_a of meter",
        ),
        ([], ("iin", "range_v = 0.023\nshunt_ohm = 0.01"), HEAVY, "range of meter"),
        ([], ("iin", "range_a = 2.3"), HEAVY, "range of meter"),
        # the same in the output
        (
            [("iout_max_a = 6.0\n", "")],
            ("iout", "range_v = 0.1\nshunt_ohm = 0.01\nshunt_max_a = 5.0"),
            HEAVY,
            "shunt_max_a of meter",
        ),
        ([], ("iout", "range_a = 5.0"), HEAVY, "load current: found 5.4 A"),
        # the supply's power, and its volts with the drop in the leads: 1.62 A x 0.8 ohm = 1.3 V
        ([("rated_w = 160.0", "rated_w = 45.0")], None, HEAVY, "supply power: 5.4 A at a line"),
        (
            [("rated_v = 40.0", "rated_v = 31.1"), THIN, ("vin_max_v = 33.0\n", "")],
            None,
            (30.0, 5.4),
            "supply voltage: 5.4 A at a line of 30 V",
        ),
        # the load's power and leads
        ([("rated_w = 200.0", "rated_w = 45.0")], None, HEAVY, "rated_w of load"),
        # a voltmeter's range
        ([], ("vin", "range_v = 30.5"), (31.0, 1.0), "range_v of meter"),
        ([], ("vout", "range_v = 9.1"), (24.0, 1.0), "instruments.meter.range_v: found 9.1"),
        # set points
        ([], None, (36.0, 1.0), "line voltage: found 36.0 V"),
        ([], None, (24.0, 5.6), "load current: found 5.6 A"),
        # interlocks that come too late for what they guard
        (
            [(LIMIT, "iin_max_a = 4.0\n")],
            ("iin", "range_v = 0.1\nshunt_ohm = 0.01\nshunt_max_a = 3.0"),
            (24.0, 1.0),
            "limits.iin_max_a: found 4.0; allowed: at most 3, shunt_max_a",
        ),
        ([("fuse_a = 5.0", "fuse_a = 5.0\npin_max_w = 170.0")], None, (24.0, 1.0), "pin_max_w"),
        ([("fuse_a = 5.0", "fuse_a = 5.0\nvin_min_v = 21.0")], None, (24.0, 1.0), "vin_min_v"),
        ([("fuse_a = 5.0", "fuse_a = 5.0\nvout_min_v = 8.9")], None, (24.0, 1.0), "vout_min_v"),
    ],
)
def test_what_cannot_be_safe_is_refused_before_anything_is_opened(
    live: Live,
    changes: list[tuple[str, str]],
    meter: tuple[str, str] | None,
    at: tuple[float, float],
    says: str,
) -> None:
    line_v, iout_a = at
    body = AT.format(line_v=line_v, iout_a=iout_a)
    with pytest.raises(BadInput) as caught:
        live.run(live.sequence(body), bench=bench(live, *changes, meter=meter))
    assert says in str(caught.value)
    assert live.bench is None and not (live.folder / "run").exists()


def test_the_same_load_at_a_higher_line_is_taken(live: Live) -> None:
    low = bench(live, (LIMIT, "iin_max_a = 2.3\n"))
    done = live.run(live.sequence(AT.format(line_v=30.0, iout_a=4.0)), bench=low)
    assert done.ending.exit_code == 0, done.ending.message


def test_the_command_says_so_and_gives_two(tmp_path: Path) -> None:
    text = resolve("demo", "bench").read_text("utf-8").replace(LIMIT, "iin_max_a = 2.0\n")
    (tmp_path / "bench.toml").write_text(text, "utf-8")
    asked = ["run", "load_sweep", "--bench", "bench.toml", "--lines-v", "20", "--loads-a", "4.5"]
    done = subprocess.run(
        [sys.executable, "-c", "from runner.cli.main import entry; entry()", *asked],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2 and not (tmp_path / "runs").exists()
