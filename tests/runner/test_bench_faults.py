"""Faults in a bench file: one clear error for what cannot be, and a run that meets the others."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from runner.cli.main import main
from runner.errors import BadInput
from runner.files.toml_file import resolve
from tests.runner.live import Live

AMPWORTH = [sys.executable, "-c", "from runner.cli.main import entry; entry()"]
WAITING = "yield PowerUp(24.0)\nyield Draw(1.0)\nyield Wait(60.0)\nyield PowerDown()"


def bench_with(live: Live, *faults: str) -> str:
    entries = "".join(f"    {{ {fault} }},\n" for fault in faults)
    return live.demo("bench", "[simulation]", f"[simulation]\nfaults = [\n{entries}]\n#")


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ('name = "thermometer-of"', 'did you mean "thermometer-off"?'),
        ('instrument = "load"', "simulation.faults[0].name: found no such key"),
        ('name = "mute", instrument = "lod"', "simulation.faults[0].instrument: found 'lod'"),
        ('name = "mute", instrument = "load", at_s = -1', "at_s: found -1"),
        ('name = "mute", instrument = "load", at = 3.0', "the unknown key at = 3.0"),
        ('name = "mute", instrument = "load", for_s = 0.0', "for_s: found 0.0"),
        ('name = "fuse-opens", level = 2.0', "level: found 2.0; allowed: 'fuse-opens' has none"),
        ('name = "clips", instrument = "load"', "the greatest setting it takes"),
    ],
)
def test_a_fault_that_cannot_be_is_one_clear_error(live: Live, fault: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        live.run(live.sequence(WAITING), bench=bench_with(live, fault))
    text = str(caught.value)
    assert says in text and "bench.toml: simulation.faults" in text


def test_a_list_of_faults_that_is_a_table_is_told_so(live: Live) -> None:
    bench = live.demo("bench", "[simulation]", '[simulation]\nfaults = { name = "mute" }')
    with pytest.raises(BadInput, match=r"put it in a list: faults = \[\{ ... \}\]"):
        live.run(live.sequence(WAITING), bench=bench)


def test_a_run_meets_the_fault_at_its_time(live: Live) -> None:
    bench = bench_with(live, 'name = "module-dies-short", at_s = 20.0')
    done = live.run(live.sequence(WAITING), bench=bench)
    assert done.ending.exit_code == 3 and "vout_v" in done.ending.message
    assert live.outputs_on() == (False, False)
    trip = next(record for record in live.records() if record["kind"] == "trip")
    assert 20.0 < trip["t_s"] < 22.0


def test_a_run_outlives_a_fault_that_passes(live: Live) -> None:
    fault = 'name = "reply-late", instrument = "load", at_s = 20.0, for_s = 5.0, level = 0.3'
    done = live.run(live.sequence(WAITING), bench=bench_with(live, fault))
    assert done.ending.exit_code == 0


def test_several_faults_come_one_after_the_other(live: Live) -> None:
    faults = (
        'name = "readback-stuck", instrument = "hot_spot", at_s = 5.0',
        'name = "mute", instrument = "load", after_messages = 40, messages = 1',
        'name = "supply-trips", at_s = 30.0',
    )
    done = live.run(live.sequence(WAITING), bench=bench_with(live, *faults))
    assert done.ending.exit_code == 3 and "supply protection" in done.ending.message


def test_a_rehearsal_meets_them_too(live: Live, capsys: pytest.CaptureFixture[str]) -> None:
    bench = bench_with(live, 'name = "module-dies-short", at_s = 20.0')
    path = live.sequence(WAITING)
    assert main(["rehearse", path, "--bench", bench, "--json"]) == 3
    assert json.loads(capsys.readouterr().out)["trip"]["quantity"] == "vout_v"


def test_a_limit_on_the_least_output_makes_a_dead_module_a_trip(live: Live) -> None:
    bench = Path(bench_with(live, 'name = "module-dies-open", at_s = 20.0'))
    text = bench.read_text("utf-8").replace("[limits]", "[limits]\nvout_min_v = 8.0 #", 1)
    bench.write_text(text, "utf-8")
    sequence = live.sequence("yield PowerUp(24.0)\nyield Draw(1.0)\nyield Wait(60.0)")
    done = live.run(sequence, bench=str(bench))
    assert done.ending.exit_code == 3 and "vout_v" in done.ending.message
    ended_s = live.records()[-1]["t_s"]
    assert 20.0 < ended_s < 23.0  # the way out sees volts and amperes go


def test_a_served_bench_has_them_too(tmp_path: Path) -> None:
    text = resolve("demo", "bench").read_text("utf-8")
    text = text.replace("timeout_s = 2.0", "timeout_s = 0.6")
    fault = '{ name = "hangs", instrument = "load", after_messages = 30 }'
    own, served = tmp_path / "own.toml", tmp_path / "served.toml"
    own.write_text(text.replace("[simulation]", f"[simulation]\nfaults = [{fault}] #"), "utf-8")
    serve = [*AMPWORTH, "sim", "serve", str(own), "--write-bench", str(served)]
    with subprocess.Popen(serve, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdout is not None and "written" in server.stdout.readline()
        assert "faults" not in served.read_text("utf-8")
        run = [*AMPWORTH, "run", "load_sweep", "--bench", str(served), "--out"]
        quick = ["--audit", "no", "--tare", "no", "--soak", "no", "--lines-v", "24"]
        quick += ["--points", "4", "--warm-up-s", "0.2", "--settle-s", "0.05"]
        done = subprocess.run(
            [*run, str(tmp_path / "run"), *quick], capture_output=True, text=True, check=False
        )
        server.terminate()
    assert done.returncode == 6, done.stderr
    assert "COULD NOT CONFIRM OFF: load input (load)" in done.stderr
    assert seconds_to_supply_off(tmp_path / "run") < 2.0


def seconds_to_supply_off(run: Path) -> float:
    """From the load's last answer to the command that switches the supply off [s of real time]."""
    rows = [line.split("\t") for line in (run / "wire.log").read_text("utf-8").splitlines()]
    heard_s = [float(row[0]) for row in rows if row[1] == "load" and row[2] == "<"]
    off_s = [float(r[0]) for r in rows if r[1] == "supply" and "OUTP OFF" in r[3] and r[2] == ">"]
    return next(s for s in off_s if s > heard_s[-1]) - heard_s[-1]
