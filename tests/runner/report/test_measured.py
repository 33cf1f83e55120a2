"""Points with their uncertainties: columns, budget, tare, leads, and what is not known."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from runner.report.budget import budgets
from runner.report.measured import measure
from runner.report.record import gather
from runner.report.summary import summarise
from runner.report.tables import tables_of
from tests.runner.report.journals import BENCH, SOURCES, point, record, records, run_values

OFF = {"vin_v": 0.0, "vout_v": 0.0, "supply_mode": "OFF", "load_mode": "OFF"}


def tare(iin_a: list[float], iout_a: list[float]) -> list[dict[str, Any]]:
    """The records of a Tare step."""
    samples = [
        record("sample", 1, index=0, iin_a=i, iout_a=j, **OFF)
        for i, j in zip(iin_a, iout_a, strict=True)
    ]
    step = record("step", 1, index=0, step="Tare", args={"samples": len(iin_a)})
    values = {"samples": len(iin_a), "iin_a": 0.0, "iout_a": 0.0, "sd": {}}
    return [step, *samples, record("outcome", 1, index=0, outcome="Tared", values=values)]


def journal(
    zeros: list[dict[str, Any]], *points: dict[str, Any], **run: Any
) -> list[dict[str, Any]]:
    first, *rest = records(list(points), run=run_values(**run))
    return [first, *zeros, *rest]


def instruments(**changes: Any) -> dict[str, Any]:
    return BENCH | {"instruments": BENCH["instruments"] | changes}  # type: ignore[operator]


ZEROS = tare([-0.0041, -0.0039, -0.0040, -0.0040], [0.0019, 0.0020, 0.0021, 0.0020])
POINT = point(24.0, 0.4)


def efficiency_csv(folder: Path, zeros: list[dict[str, Any]], **run: Any) -> pd.Series[Any]:
    tables_of(journal(zeros, POINT, **run), folder)
    return pd.read_csv(folder / "efficiency.csv").iloc[0]


def test_standard_uncertainties_stand_beside_their_values(tmp_path: Path) -> None:
    row = efficiency_csv(tmp_path, [], sources=SOURCES | {"vin_v": "measured"})
    # By hand: 0.05 % of 24 V and 10 mV, 1 mV of scatter over ten samples; rectangular.
    vin_u = math.sqrt((0.012**2 + 0.010**2) / 3.0 + 0.001**2 / 10.0)
    assert row["vin_v_u"] == pytest.approx(vin_u, rel=1e-3)
    iin_u = math.sqrt(((0.0015 * row["iin_a"]) ** 2 + 0.005**2) / 3.0 + 0.0002**2 / 10.0)
    assert row["iin_a_u"] == pytest.approx(iin_u, rel=1e-3)
    iout_u = math.sqrt(((0.0005 * 0.4) ** 2 + 0.003**2) / 3.0 + 0.0001**2 / 10.0)  # on 6 A
    assert row["iout_a_u"] == pytest.approx(iout_u, rel=1e-3)
    assert row["hot_spot_temp_c_u"] == pytest.approx(1.0 / math.sqrt(3.0), rel=1e-3)
    relative = [row[f"{name}_u"] / row[name] for name in ("vin_v", "iin_a", "vout_v", "iout_a")]
    expected = row["efficiency_pct"] * math.sqrt(sum(share**2 for share in relative))
    assert row["efficiency_pct_u"] == pytest.approx(expected, rel=1e-3)
    pin_u, pout_u = row["pin_w_u"], row["pout_w_u"]
    assert row["ploss_w_u"] == pytest.approx(math.hypot(pin_u, pout_u), rel=1e-3)
    assert 1.645 < row["efficiency_pct_k95"] < 1.961


def test_a_tare_corrects_the_currents_of_every_output(tmp_path: Path) -> None:
    plain = efficiency_csv(tmp_path, [])
    tared = efficiency_csv(tmp_path, ZEROS)
    assert tared["iin_a"] == pytest.approx(plain["iin_a"] + 0.0040, abs=1e-9)
    assert tared["iout_a"] == pytest.approx(plain["iout_a"] - 0.0020, abs=1e-9)
    assert (tared["iin_a_source"], tared["iout_a_source"]) == ("corrected", "corrected")
    assert (plain["iin_a_source"], plain["iout_a_source"]) == ("measured", "measured")
    assert tared["pout_w"] == pytest.approx(tared["vout_v"] * tared["iout_a"], rel=1e-6)
    ratio = 100.0 * tared["pout_w"] / tared["pin_w"]
    assert tared["efficiency_pct"] == pytest.approx(ratio, abs=1e-4)
    # 5 mA / sqrt(3) of offset gives way to some tens of microamperes.
    assert tared["iin_a_u"] < 0.1 * plain["iin_a_u"]
    raw = pd.read_csv(tmp_path / "readings.csv")
    assert list(raw["iin_a"][:4]) == [-0.0041, -0.0039, -0.0040, -0.0040]
    assert raw["iin_a"].iloc[-1] == pytest.approx(POINT["iin_a"], abs=1e-6)  # raw stays raw


def test_a_lead_drop_is_corrected_with_the_tared_current(tmp_path: Path) -> None:
    # The run corrected 24 V at the supply by 30 mohm and a current that was 4 mA short.
    plain, tared = efficiency_csv(tmp_path, []), efficiency_csv(tmp_path, ZEROS)
    assert tared["vin_v"] - plain["vin_v"] == pytest.approx(-0.004 * 0.030, abs=6e-6)


def test_a_lead_resistance_is_in_the_budget_of_a_corrected_voltage() -> None:
    found = measure(gather(journal(ZEROS, point(24.0, 4.0)))).points[0]
    parts = {s.name: abs(u) for s, u in found.values["vin_v"].parts.items()}
    iin_a = found.numbered.point.iin_a
    assert parts["lead resistance"] == pytest.approx(0.1 * 0.030 * iin_a)
    assert found.values["vin_v"].value == pytest.approx(found.numbered.point.vin_v)
    # The current's own error moves voltage and current together: it is one source in both.
    gain = next(s for s in found.values["iin_a"].parts if s.name.startswith("gain, iin_a"))
    assert gain in found.values["vin_v"].parts


def test_points_before_a_tare_are_left_as_they_were() -> None:
    first, *rest = records([POINT, POINT])
    end_of_first = next(k for k, r in enumerate(rest) if r["kind"] == "outcome") + 1
    found = gather([first, *rest[:end_of_first], *ZEROS, *rest[end_of_first:]])
    currents = [numbered.point.iin_a for numbered in found.points]
    assert currents == pytest.approx([POINT["iin_a"], POINT["iin_a"] + 0.004])


@pytest.mark.parametrize(
    ("iin_a", "reason"),
    [
        ([0.0, 0.0, 0.001, 0.0], "nothing below 0 A"),
        ([0.0081, 0.0079, 0.0080, 0.0080], "more than the offset its maker allows, 5 mA"),
    ],
)
def test_a_useless_tare_is_not_used_and_says_why(
    tmp_path: Path, iin_a: list[float], reason: str
) -> None:
    zeros = tare(iin_a, [0.0019, 0.0020, 0.0021, 0.0020])
    tables = tables_of(journal(zeros, POINT), tmp_path)
    row = pd.read_csv(tmp_path / "efficiency.csv").iloc[0]
    assert (row["iin_a_source"], row["iout_a_source"]) == ("measured", "corrected")
    facts = dict(summarise(tables).facts)
    assert reason in facts["no tare of iin_a"]
    # 0.15 % and 5 mA, rectangular; a box that was 8 mA off is not within 5 mA.
    stated_u = math.hypot(0.0015 * row["iin_a"], 0.005) / math.sqrt(3.0)
    off_a = max(iin_a) if "more than" in reason else 0.0
    assert row["iin_a_u"] == pytest.approx(math.hypot(stated_u, off_a), rel=0.02)
    assert facts["tare"] == "taken off: iout_a +2.00 mA"


def test_without_a_stated_accuracy_there_is_no_uncertainty_and_a_reason(tmp_path: Path) -> None:
    volts = [{"range_v": 40.0, "reading_pct": 0.05, "offset_v": 0.010}]
    bench = instruments(supply={"lead_resistance_ohm": 0.030, "voltage_accuracy": volts})
    tables = tables_of(journal(ZEROS, POINT, bench=bench), tmp_path)
    row = pd.read_csv(tmp_path / "efficiency.csv").iloc[0]
    known = {name for name in row.index if name.endswith("_u") and not pd.isna(row[name])}
    temps = {f"{spot}_temp_c_u" for spot in ("ambient", "case", "hot_spot")}
    assert known == {"vout_v_u", "iout_a_u", "pout_w_u"} | temps
    assert pd.isna(row["efficiency_pct_k95"]) and not pd.isna(row["efficiency_pct"])
    assert tables.left_out["budget.csv"] == "supply states no current_accuracy"
    assert dict(summarise(tables).facts)["no uncertainty"] == "supply states no current_accuracy"


def test_an_assumed_input_has_no_uncertainty_to_give(tmp_path: Path) -> None:
    row = efficiency_csv(tmp_path, [], sources=SOURCES | {"iin_a": "assumed"})
    assert pd.isna(row["iin_a_u"]) and pd.isna(row["efficiency_pct_u"])
    assert row["iin_a_source"] == "assumed"


def test_leads_of_unknown_resistance_are_flagged(tmp_path: Path) -> None:
    row = efficiency_csv(tmp_path, [], sources=SOURCES | {"vout_v": "uncorrected"})
    assert row["flags"] == "LEADS_IN_VOUT"


def test_budget_rows_add_up_to_the_uncertainty(tmp_path: Path) -> None:
    row = efficiency_csv(tmp_path, ZEROS)
    budget = pd.read_csv(tmp_path / "budget.csv")
    for quantity in ("efficiency_pct", "ploss_w"):
        own = budget[budget["quantity"] == quantity]
        assert math.sqrt((own["u"] ** 2).sum()) == pytest.approx(row[f"{quantity}_u"], rel=2e-3)
        assert own["share_pct"].sum() == pytest.approx(100.0, abs=0.01)
        assert own["share_pct"].is_monotonic_decreasing
    assert set(budget["type"]) == {"A", "B"}
    assert {"normal", "rectangular"} <= set(budget["distribution"])


def test_budget_names_the_instrument_to_improve() -> None:
    found = list(budgets(measure(gather(journal([], POINT))).points))
    assert [budget.quantity for budget in found] == ["efficiency_pct", "ploss_w"]
    assert found[0].instruments[0].instrument == "supply"  # 5 mA of offset in 0.17 A
    assert sum(one.share for one in found[0].instruments) == pytest.approx(1.0)
    assert found[0].expanded_u == pytest.approx(found[0].k * found[0].u)


def test_samples_that_drift_make_the_mean_less_certain() -> None:
    steady, drifting = records([POINT], samples=10), records([POINT], samples=10)
    ups = [record for record in drifting if record["kind"] == "sample"]
    noise = (1, -1, 1, 1, -1, -1, 1, -1, 1, -1)
    for k, sample in enumerate(ups):
        sample["vout_v"] += 0.001 * k
    for sign, sample in zip(noise, (r for r in steady if r["kind"] == "sample"), strict=True):
        sample["vout_v"] += 0.00303 * sign  # the same standard deviation
    means = [gather(one).points[0].means["vout_v"] for one in (steady, drifting)]
    assert means[1].sd == pytest.approx(means[0].sd, rel=0.06)
    assert (means[1].u or 0.0) > 2.0 * (means[0].u or 1.0)
    assert means[1].dof < means[0].dof == 9.0


def test_derated_loads_carry_a_standard_uncertainty(tmp_path: Path) -> None:
    tables_of(records(), tmp_path)
    frame = pd.read_csv(tmp_path / "derating.csv").query("line_v == 24")
    given = frame.dropna(subset=["iout_max_a"])
    assert (given["iout_max_a_u"] > 0.0).all()
    assert frame[frame["basis"] == "refused"]["iout_max_a_u"].isna().all()
    no_thermometer = run_values(bench=instruments(hot_spot={}))
    tables_of(records(run=no_thermometer), tmp_path)
    assert pd.read_csv(tmp_path / "derating.csv")["iout_max_a_u"].isna().all()


# --------------------------------------------------------------- the reference point


def reference(**changes: Any) -> dict[str, Any]:
    return point(24.0, 2.0, label="reference") | changes


def facts(tmp_path: Path, *points: dict[str, Any]) -> dict[str, str]:
    return dict(summarise(tables_of(journal([], *points), tmp_path)).facts)


def test_a_reference_that_stays_is_within_its_uncertainty(tmp_path: Path) -> None:
    later = reference(iin_a=reference()["iin_a"] + 2e-5)
    assert facts(tmp_path, reference(), later)["drift"].startswith("within its uncertainty")


def test_a_reference_that_moves_is_called_drift_far_below_its_own_uncertainty(
    tmp_path: Path,
) -> None:
    # 1 mA of 0.8 A: a fifth of the ammeter's offset alone, and 24 mW.
    later = reference(iin_a=reference()["iin_a"] + 1e-3)
    found = facts(tmp_path, reference(), reference(), later)["drift"]
    assert found.startswith("DRIFT: more than its uncertainty")
    assert "+24 mW" in found


def test_one_reference_alone_says_nothing(tmp_path: Path) -> None:
    assert "drift" not in facts(tmp_path, reference(), point(24.0, 2.0))


def test_the_summary_gives_efficiency_at_rated_load_with_its_interval(tmp_path: Path) -> None:
    found = facts(tmp_path, point(20.0, 4.0), point(24.0, 4.0))
    assert "points (95 %, k = " in found["efficiency at rated load"]
    assert found["efficiency at rated load"].endswith("at 24 V, 4 A")
    assert found["improve first"].startswith("supply, ")
