"""Modules with parameters drawn from a seed, runs of them, and the truth about them.

What a fitted twin foretells is compared with the simulator's own physics at loads and lines
that the run never visited; the fit sees only the journal. All modules are invented.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any

import tomlkit
from pydantic import TypeAdapter

from runner.attention import Attention
from runner.files.toml_file import resolve
from runner.run import execute, prepare
from runner.sequence import load
from sim.circuit import Circuit, SupplySetting, Wiring
from sim.load_line import LoadSetting
from sim.module import Twin
from sim.operating import demand
from sim.protection import Protection
from sim.thermal import growth, steady
from tests.runner.live import Heard


@dataclass(frozen=True)
class Made:
    """A module: its files, and what is inside."""

    bench: str
    module: str
    twin: Twin
    lines_v: tuple[float, float, float]
    rated_a: float

    def truth_w(self, vin_v: float, iout_a: float, hot_spot_temp_c: float) -> float:
        """The loss at that line, load and hot spot [W]."""
        found = demand(
            self._circuit(iout_a),
            "on",
            vin_v,
            growth(self.twin.heat, hot_spot_temp_c),
            self.twin.vout_true_v,
        )
        return vin_v * found.iin_a - found.vout_v * found.iout_a

    def truth_v(self, vin_v: float, iout_a: float) -> float:
        """The output there [V]."""
        circuit = self._circuit(iout_a)
        return demand(circuit, "on", vin_v, 1.0, self.twin.vout_true_v).vout_v

    def soaked_c(self, vin_v: float, iout_a: float, ambient_c: float) -> tuple[float, float]:
        """Hot spot and case once soaked [°C]."""
        reference_w = self.truth_w(vin_v, iout_a, self.twin.heat.reference_temp_c)
        rise = steady(self.twin.heat, reference_w, ambient_c)
        return ambient_c + rise.both_k, ambient_c + rise.case_k

    def _circuit(self, iout_a: float) -> Circuit:
        supply = SupplySetting(v_set_v=100.0, i_limit_a=100.0, on=True)
        draw = LoadSetting(mode="CC", level=iout_a, on=True)
        leads = Wiring(supply_lead_ohm=0.030, load_lead_ohm=0.040)  # those of the demo bench
        return Circuit(self.twin, Protection(), leads, supply, draw)


def made(folder: Path, topology: str, seed: int) -> Made:
    """A module of its own seed and a bench whose boxes have errors of the same seed."""
    draw = Random(f"{topology}/{seed}")
    boosts = topology == "boost"
    vout_v = draw.choice([12.0, 15.0, 24.0] if boosts else [3.3, 5.0, 9.0, 12.0])
    middle_v = (
        vout_v * draw.uniform(0.5, 0.65) if boosts else min(vout_v * draw.uniform(2.0, 3.0), 26.0)
    )
    if topology == "linear":
        middle_v = vout_v * draw.uniform(1.5, 1.9)
    lines_v = (round(0.8 * middle_v, 1), round(middle_v, 1), round(1.25 * middle_v, 1))
    rated_a = draw.uniform(0.4, 1.2) if boosts else draw.uniform(1.0, 4.0)
    rated_a = round(draw.uniform(0.3, 1.0) if topology == "linear" else rated_a, 1)
    table = drawn_twin(draw, topology, vout_v, lines_v, rated_a)
    return module_of(folder, table, lines_v, rated_a, seed)


def module_of(
    folder: Path,
    table: dict[str, Any],
    lines_v: tuple[float, float, float],
    rated_a: float,
    seed: int,
) -> Made:
    """A module with this [twin] table, and a bench with the errors of a seed."""
    folder.mkdir(exist_ok=True)
    twin = TypeAdapter(Twin).validate_python(table)
    vout_v = round(twin.vout_v, 1)
    module = {
        "name": f"{twin.topology} of the mast",
        "unit": f"unit {seed}",
        "line_min_v": lines_v[0],
        "line_nominal_v": lines_v[1],
        "line_max_v": lines_v[2],
        "vout_set_v": vout_v,
        "vout_tolerance_pct": 4.0,
        "iout_rated_a": rated_a,
        "limits": {
            "line_abs_max_v": 1.2 * lines_v[2],
            "iout_max_a": min(2.0 * rated_a, 6.0),
            "hot_spot_max_temp_c": 140.0,
        },
        "twin": table,
    }
    module_path, bench_path = folder / "module.toml", folder / "bench.toml"
    module_path.write_text(tomlkit.dumps(module), "utf-8")
    bench_path.write_text(bench_text(seed, lines_v[2], vout_v, rated_a), "utf-8")
    return Made(str(bench_path), str(module_path), twin, lines_v, rated_a)


def drawn_twin(
    draw: Random,
    topology: str,
    vout_v: float,
    lines_v: tuple[float, float, float],
    rated_a: float,
) -> dict[str, Any]:
    """The [twin] table of a module with parts that suit its ratings."""
    twin: dict[str, Any] = {
        "topology": topology,
        "vout_v": vout_v * draw.uniform(0.985, 1.015),
        "output_resistance_ohm": draw.uniform(0.0, 0.01) * vout_v / rated_a,
        "line_regulation_v_per_v": draw.uniform(-1e-3, 1e-3),
        "regulated_at_v": lines_v[1],
        "quiescent_a": draw.uniform(0.001, 0.010),
        "limit": {"current_a": rated_a * draw.uniform(1.4, 1.8)},
        "lockout": {"start_v": 0.7 * lines_v[0], "stop_v": 0.65 * lines_v[0]},
        "line_destroys_v": 2.0 * lines_v[2],
    }
    watts = vout_v * rated_a * (0.9 if topology == "linear" else 0.15)
    both = draw.uniform(30.0, 60.0) / watts  # kelvins at the rated load
    share = draw.uniform(0.2, 0.5)
    twin["heat"] = {
        "hot_spot_k_per_w": share * both,
        "hot_spot_time_constant_s": draw.uniform(8.0, 40.0),
        "case_k_per_w": (1.0 - share) * both,
        "case_time_constant_s": draw.uniform(200.0, 700.0),
    }
    twin["shutdown"] = {"stop_temp_c": 300.0, "start_temp_c": 290.0}
    if topology == "linear":
        ohm = draw.uniform(0.01, 0.05) * vout_v / rated_a
        return twin | {"dropout_v": draw.uniform(0.02, 0.08) * vout_v, "dropout_ohm": ohm}
    twin["heat"]["loss_growth_per_k"] = draw.uniform(0.0015, 0.0045)
    if topology == "boost":
        twin["limit"] = {"current_a": 2.5 * rated_a * vout_v / lines_v[0]}
    return twin | drawn_parts(draw, topology, vout_v, lines_v, rated_a)


def drawn_parts(
    draw: Random, topology: str, vout_v: float, lines_v: tuple[float, ...], rated_a: float
) -> dict[str, Any]:
    """Switch, rectifier, inductor and capacitors of a switching module."""
    frequency_hz = draw.uniform(100e3, 500e3)
    at_line_v = lines_v[1]
    through_a = rated_a * vout_v / at_line_v if topology == "boost" else rated_a
    duty = 1.0 - at_line_v / vout_v if topology == "boost" else vout_v / at_line_v
    rise_v = at_line_v if topology == "boost" else at_line_v - vout_v
    ripple_a = draw.uniform(0.3, 0.7) * through_a
    parts: dict[str, Any] = {
        "switching_frequency_hz": frequency_hz,
        "inductance_h": rise_v * duty / frequency_hz / ripple_a,
        "inductor_dcr_ohm": draw.uniform(0.005, 0.015) * at_line_v / through_a,
        "inductor_core_ohm": draw.uniform(5e3, 20e3),
        "switch_resistance_ohm": draw.uniform(0.005, 0.02) * at_line_v / through_a,
        "switch_rise_s": draw.uniform(10e-9, 60e-9) * 2e5 / frequency_hz,
        "switch_fall_s": draw.uniform(10e-9, 80e-9) * 2e5 / frequency_hz,
        "output_esr_ohm": draw.uniform(0.01, 0.05),
        "input_capacitance_f": 100e-6,
        "input_esr_ohm": draw.uniform(0.01, 0.05),
    }
    junction = {
        "saturation_a": draw.uniform(1e-6, 2e-5),
        "series_ohm": 0.05 / through_a,
        "junction_f": draw.uniform(100e-12, 500e-12),
    }
    if topology == "synchronous-buck":
        low_ohm = draw.uniform(0.004, 0.01) * at_line_v / through_a
        return parts | {
            "low_side_resistance_ohm": low_ohm,
            "dead_time_s": 30e-9,
            "light_load": draw.choice(["diode-emulation", "forced-ccm"]),
        }
    return parts | {"diode": junction}


def bench_text(seed: int, line_v: float, vout_v: float, rated_a: float) -> str:
    """The demo bench with interlocks and errors of its own."""
    text = resolve("demo", "bench").read_text("utf-8")
    document = tomlkit.parse(text)
    limits: Any = document["limits"]
    limits["vin_max_v"], limits["vout_max_v"] = 1.1 * line_v, 1.3 * vout_v
    limits["ploss_max_w"], limits["iin_max_a"], limits["iout_max_a"] = 60.0, 4.4, 6.5
    limits["hot_spot_max_temp_c"], limits["case_max_temp_c"] = 180.0, 180.0
    simulation: Any = document["simulation"]
    simulation["seed"] = seed
    return tomlkit.dumps(document)


def run_of(module: Made, sequence: str, folder: Path, **texts: str) -> Path:
    """Run a sequence on the module's bench; the run folder."""
    found = load(sequence)
    attention = Attention()
    job = prepare(found, found.values(texts), module.bench, module.module, attention)
    done = execute(job, folder, attention, Heard())
    assert done.ending.exit_code == 0, done.ending
    return done.folder


def circuit_twin(name: str) -> Mapping[str, Any]:
    """One of the published circuits as a [twin] table."""
    path = Path(__file__).parent.parent / "data" / "twins.toml"
    table: Mapping[str, Any] = tomllib.loads(path.read_text("utf-8"))[name]
    return table
