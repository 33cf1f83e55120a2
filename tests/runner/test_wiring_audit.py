"""The wiring audit on the live bench: each fault is found by its name, a sound bench passes."""

from __future__ import annotations

import shutil
from pathlib import Path

import pandas as pd
import pytest

from runner.files.toml_file import resolve
from runner.report.summary import summarise
from runner.report.tables import write_tables
from runner.run import Run
from tests.runner.live import Live

METERS = """
[instruments.vin_meter]
resource = "USB0::0x1A01::0x0201::MAST0011::INSTR"
family = "scpi-meter"
range_v = 100.0
voltage_accuracy = [{ range_v = 100.0, reading_pct = 0.005, range_pct = 0.003 }]

[instruments.iin_meter]
resource = "USB0::0x1A01::0x0201::MAST0012::INSTR"
family = "scpi-meter"
range_a = 10.0
current_accuracy = [{ range_a = 10.0, reading_pct = 0.1, range_pct = 0.01 }]

[instruments.vout_meter]
resource = "USB0::0x1A01::0x0201::MAST0013::INSTR"
family = "scpi-meter"
range_v = 100.0
voltage_accuracy = [{ range_v = 100.0, reading_pct = 0.005, range_pct = 0.003 }]

[instruments.iout_meter]
resource = "USB0::0x1A01::0x0201::MAST0014::INSTR"
family = "scpi-meter"
range_v = 0.1
shunt_ohm = 0.010
shunt_tolerance_pct = 0.1
voltage_accuracy = [{ range_v = 0.1, reading_pct = 0.005, range_pct = 0.004 }]

[simulation]"""
ROLES = 'vin = "vin_meter"\niin = "iin_meter"\nvout = "vout_meter"\niout = "iout_meter"\n\n[limits]'
LOW_COST = (
    ("reading_pct = 0.05, offset_v = 0.010", "reading_pct = 0.5, offset_v = 0.020"),
    ("reading_pct = 0.15, offset_a = 0.005", "reading_pct = 0.5, offset_a = 0.010"),
    ("reading_pct = 0.025, offset_v = 0.0045", "reading_pct = 0.5, offset_v = 0.020"),
    ("range_a = 6.0, reading_pct = 0.05, range_pct = 0.05",
     "range_a = 6.0, reading_pct = 0.5, offset_a = 0.010"),
)  # fmt: skip


def bench(
    live: Live, simulation: str = "", *, metered: bool = False, low_cost: bool = False
) -> str:
    """A demo bench with more keys in its `[simulation]`; with four meters, or a cheap one."""
    text = resolve("demo", "bench").read_text("utf-8")
    if metered:
        text = text.replace("\n[limits]", ROLES, 1).replace("\n[simulation]", METERS, 1)
    for found, instead in LOW_COST if low_cost else ():
        assert found in text
        text = text.replace(found, instead)
    path = live.folder / "bench.toml"
    path.write_text(text + simulation + "\n", "utf-8")
    return str(path)


def module(live: Live, *changes: tuple[str, str]) -> str:
    """A demo module in which some texts stand instead of others."""
    text = resolve("demo", "module").read_text("utf-8")
    for found, instead in changes:
        assert found in text
        text = text.replace(found, instead)
    path = live.folder / "module.toml"
    path.write_text(text, "utf-8")
    return str(path)


def findings(live: Live) -> dict[str, str]:
    """What the audit noted in the last run: severity by name."""
    notes = [r["text"] for r in live.records() if r["kind"] == "note"]
    found = [n.removeprefix("wiring audit, ") for n in notes if n.startswith("wiring audit, ")]
    return {words[1].strip(): words[0] for words in (note.split(":") for note in found)}


def audited(live: Live, file: str, of: str = "demo") -> tuple[Run, dict[str, str]]:
    done = live.run("wiring_audit", bench=file, module=of)
    assert live.outputs_on() == (False, False)
    return done, findings(live)


# -------------------------------------------------------------------- faults by their name


@pytest.mark.parametrize(
    ("simulation", "metered", "name", "severity"),
    [
        ('wiring_faults = ["vout-reversed"]', True, "polarity", "stop"),
        ('wiring_faults = ["amps-swapped"]', True, "ammeters-swapped", "stop"),
        ('wiring_faults = ["hot-spot-case-swapped"]', False, "thermometers-swapped", "stop"),
        ('wiring_faults = ["hot-spot-ambient-swapped"]', False, "thermometers-swapped", "stop"),
        ('wiring_faults = ["case-ambient-swapped"]', False, "thermometers-swapped", "warn"),
        ('wiring_faults = ["load-sense-missing"]', False, "load-sense", "warn"),
        ('wiring_faults = ["supply-sense-missing"]', True, "line-sense", "warn"),
        ("iin_offset_a = 0.020", False, "current-offset", "warn"),
        ("iout_offset_a = -0.015", False, "current-offset", "warn"),
        ("iout_offset_a = 0.3", False, "current-offset", "stop"),
        ("iin_offset_a = 0.015", True, "current-offset", "warn"),
        ("iout_scale = 10.0", True, "wrong-range", "stop"),
        ("iin_scale = 0.1", False, "wrong-range", "stop"),
        ("iin_scale = 10.0", False, "wrong-range", "stop"),
        ("iout_scale = 1.1", False, "load-off-set", "warn"),
        ("iin_scale = 0.8", False, "efficiency-above-one", "stop"),
        ("iin_scale = 4.0", False, "efficiency-implausible", "stop"),
        ("load_least_v = 9.5", False, "load-cannot-sink", "stop"),
    ],
)  # fmt: skip
def test_a_fault_of_the_wiring_is_found_by_its_name(
    live: Live, simulation: str, metered: bool, name: str, severity: str
) -> None:
    done, found = audited(live, bench(live, simulation, metered=metered))
    if "scale" in simulation:
        found.pop("current-offset", None)  # the meter's own zero is scaled with all else
    assert found == {name: severity}
    if severity == "stop":
        # 6: an ammeter that shows 0.3 A with all off leaves nothing that proves it off
        assert done.ending.name == "failed"
        assert done.ending.exit_code == (6 if "0.3" in simulation else 4)
        assert name in done.ending.message
    else:
        assert done.ending.name == "done"


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("supply-reversed", "polarity: the line stays at"),
        ("vin-reversed", "polarity: the line reads -20.00 V"),
        ("volts-swapped", "voltmeters-swapped: the line reads 9.0"),
    ],
)
def test_what_shows_at_first_power_is_named_in_how_the_run_ended(
    live: Live, fault: str, says: str
) -> None:
    done, _ = audited(live, bench(live, f'wiring_faults = ["{fault}"]', metered=True))
    assert done.ending.exit_code in (3, 4)
    assert says in done.ending.message


def test_a_line_reversed_behind_its_protection_is_no_output(live: Live) -> None:
    file = bench(live, 'wiring_faults = ["supply-reversed"]')
    done, found = audited(live, file, module(live, ('kind = "none"', 'kind = "schottky"')))
    assert found == {"no-output": "stop"}
    assert "polarity" in done.ending.message


@pytest.mark.parametrize(("set_v", "severity"), [("8.5", "warn"), ("7.9", "stop")])
def test_an_output_off_its_set_voltage_is_found(live: Live, set_v: str, severity: str) -> None:
    of = module(live, ("vout_v = 9.04 ", f"vout_v = {set_v} "))
    _, found = audited(live, bench(live), of)
    assert found == {"output-off-set": severity}


def test_a_supply_too_small_for_the_sweep_is_found_before_the_sweep(live: Live) -> None:
    file = Path(bench(live))
    file.write_text(file.read_text("utf-8").replace("iin_max_a = 4.0", "iin_max_a = 1.85"), "utf-8")
    _, found = audited(live, str(file))
    assert found == {"supply-limit": "warn"}


def test_a_load_lead_of_high_resistance_shows_as_such(live: Live) -> None:
    file = Path(bench(live))
    text = file.read_text("utf-8").replace("load_lead_ohm = 0.040", "load_lead_ohm = 0.200")
    text = text.replace("remote_sense = true\nlead_resistance_ohm = 0.040",
                        "remote_sense = false\nlead_resistance_ohm = 0.040")  # fmt: skip
    file.write_text(text, "utf-8")
    _, found = audited(live, str(file))
    assert found == {"load-sense": "warn"}


def test_a_fault_that_finds_no_box_is_refused(live: Live) -> None:
    with pytest.raises(Exception, match="'volts-swapped' needs an instrument in the role 'vin'"):
        audited(live, bench(live, 'wiring_faults = ["volts-swapped"]'))


# ------------------------------------------------------------------------ what a run makes of it


def test_a_sweep_stops_before_its_first_point_and_says_what_to_do(live: Live) -> None:
    file = bench(live, 'wiring_faults = ["amps-swapped"]', metered=True)
    done = live.run("load_sweep", bench=file)
    assert done.ending.name == "failed" and "Exchange the meters" in done.ending.message
    drawn = [r["args"]["iout_a"] for r in live.records() if r.get("step") == "Draw"]
    assert max(drawn) <= 1.0  # A: a quarter of rated
    shutil.rmtree(live.folder / "run")
    live.run("load_sweep", bench=file, audit="no", points="2", soak="no", lines_v="24")
    assert not findings(live)


@pytest.mark.parametrize("name", ["load_sweep", "derating"])
def test_the_audit_comes_right_after_the_first_power_up(live: Live, name: str) -> None:
    if name == "load_sweep":
        live.run(name, lines_v="24", points="2", soak="no")
    else:
        live.run(name, lines_v="24", loads_a="1")
    records = live.records()
    steps = [r["step"] for r in records if r["kind"] == "step"]
    assert steps[steps.index("PowerUp") + 1] == "Release"
    assert any(r.get("text") == "wiring audit: nothing found up to 1 A" for r in records)


# --------------------------------------------------------------------------- sound benches


def test_a_bench_that_states_no_accuracy_is_taken_for_a_low_cost_one(live: Live) -> None:
    file = Path(bench(live))
    lines = file.read_text("utf-8").splitlines()
    bare = [
        line for line in lines if "pct =" not in line and line.strip() != "current_accuracy = ["
    ]
    kept = "\n".join(bare).replace("least_v = 1.0", "least_v = 1.0  #")
    file.write_text(kept.replace("\n]\n", "\n"), "utf-8")
    done, found = audited(live, str(file))
    assert done.ending.name == "done" and found == {}


@pytest.mark.parametrize("low_cost", [False, True], ids=["demo accuracy", "low-cost readback"])
def test_sound_benches_are_left_alone(live: Live, low_cost: bool) -> None:
    """20 seeds: other true errors within the stated limits, other noise."""
    noted = 0
    for seed in range(20):
        file = Path(bench(live, low_cost=low_cost))
        text = file.read_text("utf-8").replace("seed = 20261125", f"seed = {seed}")
        file.write_text(text, "utf-8")
        done, found = audited(live, str(file))
        assert done.ending.name == "done", done.ending.message
        noted += bool(found)
        shutil.rmtree(live.folder / "run")
    assert noted <= 1


def test_findings_are_facts_of_the_summary_and_audit_points_no_rows(live: Live) -> None:
    file = bench(live, 'wiring_faults = ["load-sense-missing"]')
    done = live.run("load_sweep", bench=file, points="3", soak="no", lines_v="24")
    tables = write_tables(done.folder)
    facts = [text for name, text in summarise(tables).facts if name == "wiring audit"]
    assert len(facts) == 1 and facts[0].startswith("warn: load-sense: the output falls by ")
    rows = pd.read_csv(tables.written["efficiency.csv"])
    assert set(rows["label"]) == {"reference", "no load", "up"}


@pytest.mark.parametrize(
    "changes",
    [
        (('kind = "none"', 'kind = "schottky"'),),
        (('kind = "none"', 'kind = "p-channel"'),),
        (('kind = "none"', 'kind = "fuse-and-clamp"'),),
        (('topology = "buck" ', 'topology = "synchronous-buck" '),),
        (('topology = "buck" ', 'topology = "synchronous-buck" '),
         ('light_load = "diode-emulation"', 'light_load = "forced-ccm"')),
        (("output_resistance_ohm = 0.012", "output_resistance_ohm = 0.025"),),
        (("quiescent_a = 0.008", "quiescent_a = 0.050"),),
    ],
    ids=["schottky", "p-channel", "clamp", "synchronous", "forced", "soft", "hungry"],
)  # fmt: skip
@pytest.mark.parametrize("metered", [False, True], ids=["readback", "meters"])
def test_a_sound_bench_with_another_module_is_left_alone(
    live: Live, changes: tuple[tuple[str, str], ...], metered: bool
) -> None:
    done, found = audited(live, bench(live, metered=metered), module(live, *changes))
    assert done.ending.name == "done" and found == {}
