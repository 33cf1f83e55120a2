"""Runs beside one another: what is refused, what is listed, and whether the truth is found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from scipy.stats import binom

from runner.errors import BadInput
from runner.files.toml_file import resolve
from runner.report.columns import COMPARISON
from runner.report.comparison import Compared, compare
from runner.report.comparison_files import write_comparison
from runner.report.conditions import differing, shared_errors
from sim.circuit import OperatingPoint
from sim.diode import Diode, drop_v
from tests.runner.report.journals import (
    BENCH,
    LOADS_A,
    MODULE,
    point,
    run_values,
    sweep_points,
    write_journal,
)
from tests.runner.report.price import run_live

SERIALS = {"supply": "S1", "load": "L1", "hot_spot": "T1", "case": "T1", "ambient": "T1"}


FINE = [*sweep_points((20.003, 24.0, 30.0)), point(20.003, 0.4003)]
"""Points whose samples show that the boxes resolve a millivolt and a tenth of a milliampere."""


def bench(**serials: str) -> dict[str, Any]:
    """The bench of the made-up journals with serial numbers."""
    known = SERIALS | serials
    instruments: dict[str, dict[str, Any]] = BENCH["instruments"]  # type: ignore[assignment]
    boxes = {name: box | {"serial": known[name]} for name, box in instruments.items()}
    return BENCH | {"instruments": boxes}


def run_in(folder: Path, points: list[dict[str, Any]] | None = None, **run: Any) -> Path:
    folder.mkdir()
    write_journal(folder, points or FINE, run=run_values(**({"bench": bench()} | run)))
    return folder


def pair(tmp_path: Path, points: list[dict[str, Any]] | None = None, **run: Any) -> Compared:
    (found,) = compare([run_in(tmp_path / "a"), run_in(tmp_path / "b", points, **run)])
    return found


# ------------------------------------------------------------------------- what is refused


def test_runs_that_are_not_comparable_are_refused_with_every_reason(tmp_path: Path) -> None:
    a = run_in(tmp_path / "a", [point(24.0, 1.0), point(24.0, 2.0)])
    other = run_in(
        tmp_path / "b", [point(20.0, x) for x in (1.0, 2.0)], module=MODULE | {"vout_set_v": 5.0}
    )
    with pytest.raises(BadInput) as refused:
        compare([a, other])
    said = str(refused.value)
    assert "different set voltages, 9 V and 5 V" in said
    assert "no line in common, 24 V fast and 20 V fast" in said


def test_loads_that_do_not_overlap_are_refused(tmp_path: Path) -> None:
    a = run_in(tmp_path / "a", [point(24.0, x) for x in (0.4, 1.0)])
    b = run_in(tmp_path / "b", [point(24.0, x) for x in (2.0, 3.0, 4.0)])
    with pytest.raises(BadInput, match="no load of one lies within the loads of the other"):
        compare([a, b])


def test_a_run_named_twice_or_alone_is_refused(tmp_path: Path) -> None:
    a = run_in(tmp_path / "a")
    with pytest.raises(BadInput, match="two or more"):
        compare([a])
    with pytest.raises(BadInput, match="named twice"):
        compare([a, tmp_path / "b" / ".." / "a"])


def test_no_difference_is_told_without_an_uncertainty(tmp_path: Path) -> None:
    boxes = {name: dict(box) for name, box in bench()["instruments"].items()}
    del boxes["supply"]["current_accuracy"]
    with pytest.raises(BadInput, match="supply states no current_accuracy"):
        pair(tmp_path, bench=bench() | {"instruments": boxes})


def test_points_that_did_not_settle_or_were_not_fed_are_left_out_and_counted(
    tmp_path: Path,
) -> None:
    points = [point(24.0, x) for x in LOADS_A[:4]]
    points += [point(24.0, 4.0, flags=["SUPPLY_CC"])]
    found = pair(tmp_path, points)
    assert max(one.iout_a for one in found.matched) == 3.0
    assert ("points left out, spoilt", "0", "1") in [(c.name, c.a, c.b) for c in differing(found)]


# -------------------------------------------------------------------------- what is shared


@pytest.mark.parametrize(
    ("serial", "says"),
    [
        ("S1", "one box, its errors cancel"),
        ("S2", "two boxes, serial numbers S1 and S2"),
        ("", "no serial number is known"),
        ("0", "no serial number is known"),
    ],
)
def test_errors_cancel_only_where_one_box_is_proven_by_its_serial_number(
    serial: str, says: str, tmp_path: Path
) -> None:
    found = pair(tmp_path, bench=bench(supply=serial))
    assert says in dict(shared_errors(found))["iin_a"]
    full = next(one for one in found.matched if one.line_set_v == 24.0 and one.iout_a == 4.0)
    (loss,) = [one for one in full.differences if one.quantity == "ploss_w"]
    if serial == "S1":
        assert loss.difference.u < 0.2 * loss.a.u and loss.correlation > 0.98
    else:
        assert loss.difference.u > 1.2 * loss.a.u and loss.correlation < 0.3


@pytest.mark.parametrize(
    "changed",
    [
        {"calibration_due": "2028-01-01"},
        {"current_accuracy": [{"range_a": 5.0, "reading_pct": 0.2, "offset_a": 0.005}]},
    ],
)
def test_a_calibration_or_another_statement_in_between_makes_it_another_box(
    changed: dict[str, Any], tmp_path: Path
) -> None:
    boxes = bench()["instruments"]
    found = pair(
        tmp_path, bench=bench() | {"instruments": boxes | {"supply": boxes["supply"] | changed}}
    )
    assert "calibration or accuracy differ" in dict(shared_errors(found))["iin_a"]


def test_another_range_of_the_same_box_shares_nothing(tmp_path: Path) -> None:
    found = pair(tmp_path, greatest={"iout_a": 12.0})  # the load's 30 A range
    assert dict(shared_errors(found))["iout_a"] == "errors do not cancel: another range"


def test_the_last_digit_of_a_display_does_not_cancel(tmp_path: Path) -> None:
    """Noise-free readings of one box: half a digit either way stays, JCGM 100:2008, F.2.2.1."""
    points = [point(24.0, x, sd={}) for x in (1.0, 2.0)]
    for one in points:
        one["vout_v"] = 9.0
    found = pair(tmp_path, points)
    outputs = [d for m in found.matched for d in m.differences if d.quantity == "vout_v"]
    assert outputs and all(d.difference.u > 0.0 for d in outputs)


# -------------------------------------------------------------------------- what differs


def test_conditions_that_differ_are_listed_and_equal_ones_are_not(tmp_path: Path) -> None:
    hot = [p | {"ambient_temp_c": 60.0} for p in sweep_points()]
    module = MODULE | {"protection": {"kind": "schottky"}}
    found = pair(tmp_path, hot, module=module, parameters={"samples": 20}, sequence="derating")
    told = {c.name: (c.a, c.b) for c in differing(found)}
    assert told["protection"] == ("-", "kind schottky")
    assert told["ambient, fast"] == ("25.0 °C", "60.0 °C")
    assert told["sequence"] == ("load_sweep", "derating")
    assert told["setting samples"] == ("-", "20")
    assert "module name" not in told and "supply box" not in told


def test_a_cut_off_run_is_compared_as_far_as_it_went_and_said_to_be_cut(tmp_path: Path) -> None:
    a, b = run_in(tmp_path / "a"), tmp_path / "b"
    b.mkdir()
    write_journal(b, sweep_points((24.0,)), run=run_values(bench=bench()), end=False)
    (found,) = compare([a, b])
    assert {one.line_set_v for one in found.matched} == {24.0}
    endings = [c.b for c in differing(found) if c.name == "ending"]
    assert endings == ["cut off"]


# ----------------------------------------------------------------------------- the files


def test_files_have_the_columns_of_the_table_and_the_same_bytes_again(tmp_path: Path) -> None:
    runs = [run_in(tmp_path / "a"), run_in(tmp_path / "b", module=MODULE | {"unit": "unit 2"})]
    before = {path: path.read_bytes() for path in sorted(tmp_path.rglob("*")) if path.is_file()}
    first = write_comparison(compare(runs), tmp_path / "out")
    second = write_comparison(compare(runs), tmp_path / "again")
    for name, path in first.items():
        assert path.read_bytes() == second[name].read_bytes()
    assert before == {path: path.read_bytes() for path in before}  # runs are read only
    frame = pd.read_csv(first["comparison.csv"])
    assert list(frame.columns) == [column.name for column in COMPARISON]
    assert set(frame["kind"]) == {"fast", "soaked", "derated"}
    loss = frame[frame["quantity"] == "ploss_w"]
    assert (loss["difference"] - (loss["b"] - loss["a"])).abs().max() < 1e-6
    assert first["comparison.svg"].read_text("utf-8").count("<polygon") > 3  # bands


def test_three_runs_are_each_compared_with_the_first(tmp_path: Path) -> None:
    runs = [run_in(tmp_path / name) for name in ("a", "b", "c")]
    found = compare(runs)
    assert [(one.a.label, one.b.label) for one in found] == [("a", "b"), ("a", "c")]
    assert write_comparison(found, tmp_path / "out")["comparison.svg"].stat().st_size > 1000


# ----------------------------------------------------------------------- against the truth

BENCHES = 40
FEWEST = 34
"""Of 40 independent benches with a true coverage of 95 % the interval holds the truth in 34 or
more with a probability of 99.7 % (binomial, computed below)."""

OF_STATE = {
    "ploss_w": lambda s: s.vin_v * s.iin_a - s.vout_v * s.iout_a,
    "efficiency": lambda s: s.vout_v * s.iout_a / (s.vin_v * s.iin_a),
    "vout_v": lambda s: s.vout_v,
}
Found = dict[tuple[str, float, float], list[tuple[float, float, float, float]]]
"""By quantity, line [V], load [A]: difference found and true, its U, and U of the value of a."""


def priced(
    folder: Path, seeds: range, monkeypatch: pytest.MonkeyPatch, other_box: int = 0
) -> Found:
    """The demo module with a diode in front against none, on benches with the errors of `seeds`.

    `other_box` is added to the seed of the second run: other errors under the same serial numbers.
    """
    found: Found = {}
    for seed in seeds:
        bare, guarded = folder / f"bare{seed}", folder / f"guarded{seed}"
        a = run_live(bare, seed, monkeypatch, protection='kind = "none"')
        b = run_live(
            guarded, seed + other_box, monkeypatch, protection='kind = "schottky"', idle_s=7.3
        )
        (compared,) = compare([bare / "run", guarded / "run"])
        _gather(compared, a, b, found)
    return found


def _gather(
    compared: Compared, a: list[OperatingPoint], b: list[OperatingPoint], found: Found
) -> None:
    for matched, state_a, state_b in zip(compared.matched, a, b, strict=True):
        place = (matched.line_set_v, round(matched.iout_a, 1))
        for one in matched.differences:
            true = OF_STATE[one.quantity](state_b) - OF_STATE[one.quantity](state_a)
            own = one.a.expanded(shapes=True).expanded_u
            row = (one.difference.value, true, one.expanded_u, own)
            found.setdefault((one.quantity, *place), []).append(row)


def covered(rows: list[tuple[float, float, float, float]]) -> int:
    return sum(abs(found - true) <= u for found, true, u, _ in rows)


def test_price_of_a_diode_is_found_within_a_fraction_of_the_doubt_of_either_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert binom.sf(FEWEST - 1, BENCHES, 0.95) == pytest.approx(0.997, abs=0.002)
    found = priced(tmp_path, range(1, BENCHES + 1), monkeypatch)
    for (quantity, line_v, load_a), rows in found.items():
        assert covered(rows) >= FEWEST, (quantity, line_v, load_a)
        if quantity == "vout_v":
            continue
        shrunk = sorted(own / u for _, _, u, own in rows)[BENCHES // 2]
        # Offsets and gains are gone; tare, scatter and digits are left, which weigh at light load.
        assert shrunk > (2.0 if load_a < 1.0 else 4.0), (quantity, line_v, load_a)
        assert all(abs(difference) > u for difference, _, u, _ in rows)


def test_errors_that_are_not_the_same_are_not_covered_when_called_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The guard on the test above: two boxes under one serial number must spoil the coverage."""
    found = priced(tmp_path, range(1, 13), monkeypatch, other_box=1000)
    assert covered(found["ploss_w", 24.0, 4.0]) < 6  # 12 of 12 if nothing depended on the sharing


def test_price_of_a_diode_is_that_of_the_handbook_sum(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A diode of V_F in front costs V_F P_out / (eta (V_in - V_F)): all input current through it.

    By that sum 0.5 V at 36 W and 0.86 cost 0.89 W at 24 V and 0.71 W at 30 V (common practice).
    Scaled to this module's own efficiency and the diode's own drop; that the module itself loses
    some mW less on a lower line is in the 3 %.
    """
    drop_at_full_v = 0.5
    series_ohm = 0.03 + (drop_at_full_v - drop_v(Diode(leakage_a=1e-4), 1.75)) / 1.75
    guard = f'kind = "schottky"\ndiode = {{ series_ohm = {series_ohm:.5f} }}'
    a = run_live(tmp_path / "a", 5, monkeypatch, protection='kind = "none"')
    b = run_live(tmp_path / "b", 5, monkeypatch, protection=guard)
    (compared,) = compare([tmp_path / "a" / "run", tmp_path / "b" / "run"])
    assert len(a) == len(b) == 6
    for line_v, handbook_w in ((24.0, 0.89), (30.0, 0.71)):
        assert 0.5 * 36.0 / (0.86 * (line_v - 0.5)) == pytest.approx(handbook_w, abs=0.005)
        full = next(m for m in compared.matched if (m.line_set_v, round(m.iout_a)) == (line_v, 4))
        by_name = {one.quantity: one for one in full.differences}
        loss, efficiency = by_name["ploss_w"], by_name["efficiency"]
        iin_a = b[2 if line_v == 24.0 else 5].iin_a
        diode_v = drop_v(Diode(leakage_a=1e-4, series_ohm=series_ohm), iin_a)
        scale = (diode_v / 0.5) * (0.86 / efficiency.a.value) * (line_v - 0.5) / (line_v - diode_v)
        assert loss.difference.value == pytest.approx(handbook_w * scale, rel=0.03)
        # The share lost is about V_F / V_in of the input: 2.1 % at 24 V, 1.7 % at 30 V.
        lost = -efficiency.difference.value / efficiency.a.value
        assert lost == pytest.approx(diode_v / line_v, rel=0.05)


def test_demo_bench_proves_its_boxes(tmp_path: Path) -> None:
    assert resolve("demo", "bench").read_text("utf-8").count("\nserial = ") == 5


def test_a_module_that_was_warmer_at_its_fast_points_is_said_to_have_been(tmp_path: Path) -> None:
    warm = [p | {"hot_spot_temp_c": p["hot_spot_temp_c"] + 12.0} for p in FINE]
    told = {c.name: (c.a, c.b) for c in differing(pair(tmp_path, warm))}
    assert told["hot spot, fast (warmer loses more)"] == ("25.0 °C", "37.0 °C")
