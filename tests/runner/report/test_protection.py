"""A part predicted from the bare module's run, against the truth of the twin that has it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from runner import fronts
from runner.analysis.protection_cost import CannotCarryError, Place
from runner.errors import BadInput
from runner.report.bare_run import OwnRun, own_run
from runner.report.comparison import compare
from runner.report.comparison_files import comparison_rows, short_tables, write_comparison
from runner.report.protection import (
    Asked,
    Front,
    beside,
    fitted_protection,
    prices,
)
from runner.report.protection_files import measured_table, words_of
from tests.runner.live import Live
from tests.runner.report.price import run_live

LINES_V, LOADS_A = (24.0, 30.0), (0.4, 2.0, 4.0)
AT_27 = Asked(LINES_V, LOADS_A, Place(27.0), 0.0, 20.0, 125.0)
"""The twin's parts are at 27 °C, whatever flows in them."""


def part(kind: str, module: OwnRun, tolerance: float = 0.0) -> Front:
    section = fronts.section(kind, {}, "test")
    return fronts.front(section, Path("test"), module.module, Place(27.0), tolerance)


@pytest.mark.parametrize(
    ("kind", "within"),
    [
        ("schottky", 0.005),
        ("p-channel", 0.02),  # 0.5 % more a kelvin: 1 % at 27 °C
        ("fuse-and-clamp", 0.10),  # a real fuse warms by its current, the twin's does not
    ],
)
def test_a_prediction_is_what_the_twin_does(
    kind: str, within: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Drop and watts against the true terminals of the simulated circuit, to `within` of them."""
    bare = run_live(tmp_path / "bare", 11, monkeypatch, protection='kind = "none"')
    behind = run_live(tmp_path / "with", 11, monkeypatch, protection=f'kind = "{kind}"')
    module = own_run(tmp_path / "bare" / "run")
    found = prices(module, [part(kind, module)], AT_27)
    for one, before, after in zip(found, bare, behind, strict=True):
        assert one.cost is not None
        drop_v = after.vin_v - after.v_module_v
        assert one.cost.drop_v.value == pytest.approx(drop_v, rel=within)
        assert one.cost.part_w.value == pytest.approx(drop_v * after.iin_a, rel=2.0 * within)
        extra_w = (after.vin_v * after.iin_a - after.vout_v * after.iout_a) - (
            before.vin_v * before.iin_a - before.vout_v * before.iout_a
        )
        warmer_w = 0.003 * 3.0 * 5.0  # the runs differ by some kelvin: 0.3 %/K of at most 5 W
        assert (
            abs(one.cost.extra_w.value - extra_w) < 2.0 * within * drop_v * after.iin_a + warmer_w
        )


def test_prediction_and_paired_measurement_agree_within_their_uncertainty(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_live(tmp_path / "bare", 12, monkeypatch, protection='kind = "none"')
    run_live(tmp_path / "with", 12, monkeypatch, protection='kind = "schottky"')
    runs = tmp_path / "bare" / "run", tmp_path / "with" / "run"
    module = own_run(runs[0])
    assert fitted_protection(runs[1])["kind"] == "schottky"
    front = part("schottky", module, tolerance=0.1)
    found = beside(*runs, module, front, AT_27)
    assert len(found) == 6
    for one in found:
        assert one.cost is not None and one.measured is not None
        apart = one.measured.difference - one.cost.extra_w
        assert abs(apart.value) < apart.expanded(shapes=True).expanded_u
    table = measured_table(front, found)
    assert len(table.rows) == 6 and table.header[-1] == "drop V by it"
    drops_v = [float(row[-1].split(" ± ")[0]) for row in table.rows]
    assert drops_v[2] == pytest.approx(found[2].cost.drop_v.value, abs=0.01)  # type: ignore[union-attr]


def test_a_part_predicted_wrongly_contradicts_the_measurement(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A transistor is foretold, a diode is fitted: at full load far beyond both uncertainties."""
    run_live(tmp_path / "bare", 13, monkeypatch, protection='kind = "none"')
    run_live(tmp_path / "with", 13, monkeypatch, protection='kind = "schottky"')
    runs = tmp_path / "bare" / "run", tmp_path / "with" / "run"
    module = own_run(runs[0])
    found = beside(*runs, module, part("p-channel", module, tolerance=0.3), AT_27)
    assert found[2].cost is not None and found[2].measured is not None
    apart = found[2].measured.difference - found[2].cost.extra_w
    assert apart.value > 5.0 * apart.expanded(shapes=True).expanded_u


def test_a_line_a_little_below_those_measured_is_extrapolated_and_no_more(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_live(tmp_path / "bare", 14, monkeypatch, protection='kind = "none"')
    module = own_run(tmp_path / "bare" / "run")
    demand = module.demand(24.0, 4.0)
    at_24, below = demand.loss_w(24.0), demand.loss_w(23.0)
    assert below.value == pytest.approx(at_24.value, rel=0.05)
    with pytest.raises(CannotCarryError, match=r"far beyond the lines .* from 21\.6 to 33 V"):
        demand.loss_w(21.5)
    with pytest.raises(CannotCarryError, match=r"5 A was not measured, 0\.4\d* to 4\S* A were"):
        module.demand(24.0, 5.0)


def test_a_fuse_and_a_part_that_are_too_small_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_live(tmp_path / "bare", 15, monkeypatch, protection='kind = "none"')
    module = own_run(tmp_path / "bare" / "run")
    place = Place(60.0, 500.0)
    asked = Asked(LINES_V, (4.0,), place, 0.2, 20.0, 80.0)
    keys = {"fuse_a": 2.0, "clamp_v": 30.0}
    section = fronts.section("fuse-and-clamp", keys, "test")
    front = fronts.front(section, Path("test"), module.module, place)
    said = "\n".join(words_of(prices(module, [front], asked), front, asked))
    assert "TOO HOT at 24 V and 4 A" in said and "allowed are 80 °C" in said
    assert "FUSE OPENS at 24 V and 4 A" in said
    assert "the clamp may conduct from 28.5 V on" in said


def test_runs_in_the_wrong_place_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_live(tmp_path / "bare", 16, monkeypatch, protection='kind = "none"')
    run_live(tmp_path / "with", 16, monkeypatch, protection='kind = "schottky"')
    with pytest.raises(BadInput, match="was measured with protection 'schottky' in front"):
        own_run(tmp_path / "with" / "run")
    with pytest.raises(BadInput, match=r"--measured .* was measured with nothing in front"):
        fitted_protection(tmp_path / "bare" / "run")


def test_a_run_without_a_load_tells_no_price(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    live = Live(tmp_path, monkeypatch)
    live.run("no_load", lines_v="24", rest_s="1", samples="2")
    with pytest.raises(BadInput, match="no sound fast point at a load"):
        own_run(live.folder / "run")


def test_two_searches_for_dropout_tell_the_headroom_a_diode_costs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The dropout line rises by the diode's drop at that current: the truth of the circuit."""
    runs = []
    for kind in ("none", "schottky"):
        folder = tmp_path / kind
        folder.mkdir()
        live = Live(folder, monkeypatch)
        module = live.demo("module", 'kind = "none" #', f'kind = "{kind}" #')
        (folder / "demo_curve.csv").write_text("iout_a,efficiency_pct\n1,90\n2,90\n", "utf-8")
        done = live.run("dropout", module=module, loads_a="4", audit="no")
        assert done.ending.exit_code == 0, done.ending.message
        runs.append(folder / "run")
    (compared,) = compare(runs)
    assert not compared.matched
    down = next(one for one in compared.found if one.a.quantity == "dropout_line_v")
    assert live.bench is not None
    true_v = 0.492  # 1.05 x 25.86 mV x ln(1 + 4.06 A / 5 µA) + 30 mohm x 4.06 A, at 27 °C
    assert abs(down.difference.difference.value - true_v) < down.difference.expanded_u
    assert down.difference.is_significant
    assert [row[2] for row in comparison_rows([compared])] == ["found"] * len(compared.found)
    assert short_tables(compared)[0].title.endswith("what was found")
    written = write_comparison([compared], tmp_path / "out")
    assert list(written) == ["comparison.csv"]
    table = pd.read_csv(written["comparison.csv"])
    assert set(table.quantity) == {"dropout_line_v", "dropout_recovery_line_v"}
