"""A twin learned from a run foretells what the run did not measure, within its uncertainty.

Modules of four topologies with parts, heat and instrument errors drawn from seeds; the
truth is the simulator's own physics of the drawn module, which the fit never sees.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import tomlkit

from runner.errors import BadInput
from runner.files.module_file import load_module_file
from runner.report.learned_twin import LearnedTwin, learn
from runner.report.twin_file import write_twin
from runner.report.twin_keys import twin_keys
from tests.runner.learned_modules import Made, circuit_twin, made, module_of, run_of

QUICK = {"points": "11", "samples": "5"}
"""A load sweep with half the usual points: 11 loads at each of three lines, and one soak."""


def ratios(module: Made, learned: LearnedTwin) -> dict[str, list[float]]:
    """Error over U (95 %) at loads and lines between those of the run, by quantity."""
    low_v, middle_v, high_v = module.lines_v
    found: dict[str, list[float]] = {"loss": [], "vout": [], "hot": [], "case": []}
    for vin_v in (low_v, 0.5 * (low_v + middle_v), middle_v, 0.6 * middle_v + 0.4 * high_v, high_v):
        for share in (0.08, 0.22, 0.37, 0.53, 0.71, 0.86, 1.03):
            iout_a = share * module.rated_a
            for temp_c in (30.0, 65.0):
                foretold = learned.loss.at(vin_v, iout_a, temp_c)
                error_w = foretold.value - module.truth_w(vin_v, iout_a, temp_c)
                found["loss"].append(error_w / foretold.expanded(0.95, shapes=True).expanded_u)
            output = learned.output.at(vin_v, iout_a)
            error_v = output.value - module.truth_v(vin_v, iout_a)
            found["vout"].append(error_v / output.expanded(0.95, shapes=True).expanded_u)
            assert learned.heat is not None
            soaked = learned.heat.soaked(learned.loss, vin_v, iout_a, 40.0)
            assert soaked is not None
            truth = module.soaked_c(vin_v, iout_a, 40.0)
            for name, spot, true_c in zip(("hot", "case"), soaked, truth, strict=True):
                expanded = spot.expanded(0.95, shapes=True).expanded_u
                found[name].append((spot.value - true_c) / expanded)
    return found


def within(found: list[float]) -> float:
    return sum(abs(ratio) <= 1.0 for ratio in found) / len(found)


def test_points_that_were_not_measured_are_foretold_within_u(tmp_path: Path) -> None:
    # Eight modules; a module's points share its instruments' errors, so the share within U
    # scatters about 95 % by several percent: at least 90 % of all, and none beyond 2 U.
    every: dict[str, list[float]] = {}
    for topology in ("buck", "synchronous-buck", "boost", "linear"):
        for seed in (101, 102):
            folder = tmp_path / f"{topology}-{seed}"
            folder.mkdir()
            module = made(folder, topology, seed)
            learned = learn([run_of(module, "load_sweep", folder / "run", **QUICK)])
            for name, some in ratios(module, learned).items():
                every.setdefault(name, []).extend(some)
    for name, found in every.items():
        assert within(found) >= 0.90, name
        assert max(map(abs, found)) < 2.0, name


@pytest.mark.parametrize(("name", "rated_a"), [("A", 2.0), ("S", 4.0), ("B", 0.8)])
def test_published_circuits_are_foretold_from_soaks(
    tmp_path: Path, name: str, rated_a: float
) -> None:
    # The circuits of tests/data/twins.toml, learned from soaks at four loads and two lines.
    table = dict(circuit_twin(name))
    vout_v = table["vout_v"]
    lines_v = (6.0, 7.0, 8.0) if name == "B" else (2.0 * vout_v, 3.0 * vout_v, 4.0 * vout_v)
    table |= {"limit": {"current_a": 4.0 * rated_a}, "shutdown": {"stop_temp_c": 500.0}}
    table["heat"] = {"hot_spot_k_per_w": 8.0, "case_k_per_w": 12.0, "case_time_constant_s": 300.0}
    table["lockout"] = {"start_v": 0.7 * lines_v[0], "stop_v": 0.6 * lines_v[0]}
    module = module_of(tmp_path, table, lines_v, rated_a, seed=7)
    lines = f"{lines_v[0]:g},{lines_v[2]:g}"
    learned = learn([run_of(module, "derating", tmp_path / "run", lines_v=lines)])
    for found in (one for key, one in ratios(module, learned).items() if key != "vout"):
        assert within(found) >= 0.85
        assert max(map(abs, found)) < 2.0


def test_written_twin_loses_what_was_learned(tmp_path: Path) -> None:
    module = made(tmp_path, "buck", 103)
    learned = learn([run_of(module, "load_sweep", tmp_path / "run", **QUICK)])
    path = write_twin(learned, twin_keys(learned), tmp_path / "twin.toml")
    written = load_module_file(path)
    assert written.twin["topology"] == "measured"
    as_written = module_of(
        tmp_path / "again", written.twin, module.lines_v, module.rated_a, seed=103
    )
    for vin_v in module.lines_v:
        for share in (0.0, 0.3, 1.0):
            iout_a = share * module.rated_a
            foretold = learned.loss.at(vin_v, iout_a, 50.0)
            assert as_written.truth_w(vin_v, iout_a, 50.0) == pytest.approx(
                max(foretold.value, 0.0), rel=1e-6, abs=1e-9
            )
            output_v = learned.output.at(vin_v, iout_a).value
            assert as_written.truth_v(vin_v, iout_a) == pytest.approx(output_v, abs=1e-6)


def test_two_runs_know_more_than_one(tmp_path: Path) -> None:
    module = made(tmp_path, "buck", 104)
    low, high = f"{module.lines_v[0]:g}", f"{module.lines_v[2]:g}"
    first = run_of(module, "load_sweep", tmp_path / "a", lines_v=low, soak="no", **QUICK)
    second = run_of(module, "load_sweep", tmp_path / "b", lines_v=high, soak="no", **QUICK)
    one, both = learn([first]), learn([first, second])
    elsewhere_v, load_a = module.lines_v[1], 0.8 * module.rated_a
    assert both.loss.at(elsewhere_v, load_a, 40.0).u < 0.3 * one.loss.at(elsewhere_v, load_a, 40).u
    assert both.loss.points > one.loss.points


def test_limit_and_lockout_come_from_the_sequences_that_find_them(tmp_path: Path) -> None:
    module = made(tmp_path, "buck", 105)
    sweep = run_of(module, "load_sweep", tmp_path / "sweep", **QUICK)
    limit = run_of(module, "current_limit", tmp_path / "limit")
    lockout = run_of(module, "lockout", tmp_path / "lockout")
    keys = {one.key: one for one in twin_keys(learn([sweep, limit, lockout]))}
    assert keys["limit.current_a"].basis == "learned"
    true_a, found_a = module.twin.limit.current_a, keys["limit.current_a"]
    assert found_a.u is not None
    assert abs(float(found_a.value) - true_a) < 2.5 * found_a.u
    for key, true_v in (
        ("lockout.start_v", module.twin.lockout.start_v),
        ("lockout.stop_v", module.twin.lockout.stop_v),
    ):
        u_v = keys[key].u
        assert u_v is not None
        assert abs(float(keys[key].value) - true_v) < 2.5 * u_v
    without = {one.key: one for one in twin_keys(learn([sweep]))}
    assert without["limit.current_a"].basis == "assumed"
    assert "held" in without["limit.current_a"].note


def test_what_a_protection_costs_is_in_the_twin_once(tmp_path: Path) -> None:
    module = made(tmp_path, "buck", 106)
    document: Any = tomlkit.parse(Path(module.module).read_text("utf-8"))
    document["protection"] = {"kind": "schottky"}
    Path(module.module).write_text(tomlkit.dumps(document), "utf-8")
    learned = learn([run_of(module, "load_sweep", tmp_path / "run", **QUICK)])
    path = write_twin(learned, twin_keys(learned), tmp_path / "twin.toml")
    assert load_module_file(path).protection.kind == "none"
    assert "protection (schottky)" in path.read_text("utf-8")
    at = (module.lines_v[1], 0.5 * module.rated_a, 30.0)
    assert learned.loss.at(*at).value > 1.02 * module.truth_w(*at)


def test_runs_of_two_modules_are_refused(tmp_path: Path) -> None:
    found = []
    for seed in (107, 108):
        folder = tmp_path / str(seed)
        folder.mkdir()
        module = made(folder, "linear", seed)
        found.append(run_of(module, "load_sweep", folder / "run", points="3", soak="no"))
    with pytest.raises(BadInput, match="is of another module: unit is 'unit 108'"):
        learn(found)


def test_a_run_with_too_few_points_is_refused(tmp_path: Path) -> None:
    module = made(tmp_path, "linear", 109)
    line = f"{module.lines_v[1]:g}"
    run = run_of(module, "load_sweep", tmp_path / "run", lines_v=line, points="2", soak="no")
    with pytest.raises(BadInput, match="6 are needed"):
        learn([run])


def test_a_bench_that_states_no_accuracy_is_refused_with_the_reason(tmp_path: Path) -> None:
    module = made(tmp_path, "linear", 110)
    document: Any = tomlkit.parse(Path(module.bench).read_text("utf-8"))
    del document["instruments"]["load"]["current_accuracy"]
    Path(module.bench).write_text(tomlkit.dumps(document), "utf-8")
    run = run_of(module, "load_sweep", tmp_path / "run", points="3", soak="no")
    with pytest.raises(BadInput, match=r"found 0 points .* current_accuracy"):
        learn([run])


def test_keys_that_no_run_told_are_said_to_be_assumed(tmp_path: Path) -> None:
    module = made(tmp_path, "synchronous-buck", 111)
    run = run_of(module, "load_sweep", tmp_path / "run", points="6", soak="no")
    keys = {one.key: one for one in twin_keys(learn([run]))}
    assert {keys[key].basis for key in ("dropout_v", "lockout.stop_v", "shutdown.stop_temp_c")} == {
        "assumed"
    }
    assert keys["vout_v"].basis == "learned"
    assert all(one.note for one in keys.values() if one.basis == "assumed" and one.u is None)
