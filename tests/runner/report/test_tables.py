"""The CSV files: what is in them, that pandas reads them, that nothing half-written is left."""

import json
import tracemalloc
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from runner.errors import BadInput, StorageError
from runner.report.columns import BUDGET, DERATING, EFFICIENCY, READINGS
from runner.report.tables import tables_of, write_tables
from tests.runner.report.journals import (
    LOADS_A,
    MODULE,
    SOURCES,
    point,
    record,
    records,
    run_values,
    sample,
    sweep_points,
    write_journal,
)

NAMES = ["readings.csv", "efficiency.csv", "derating.csv", "budget.csv"]


def read(path: Path) -> pd.DataFrame:
    return pd.read_csv(path)


def only(frame: pd.DataFrame, column: str) -> Any:
    (value,) = frame[column].unique()
    return value


# ----------------------------------------------------------------------- the contents


def test_a_run_gives_four_files_with_the_columns_of_the_table(tmp_path: Path) -> None:
    found = tables_of(records(), tmp_path)
    assert found.written == {name: tmp_path / name for name in NAMES}
    assert found.left_out == {}
    for name, columns in zip(NAMES, (READINGS, EFFICIENCY, DERATING, BUDGET), strict=True):
        kept = [column.name for column in columns if not column.role]  # this bench has none of them
        assert list(read(tmp_path / name).columns) == kept


def test_readings_carry_every_sample_and_the_set_points_then_in_force(tmp_path: Path) -> None:
    tables_of(records([point(24.0, 1.0), point(20.0, 2.0)], samples=4), tmp_path)
    frame = read(tmp_path / "readings.csv")
    assert len(frame) == 8
    assert list(frame["line_set_v"]) == [24.0] * 4 + [20.0] * 4
    assert list(frame["iout_set_a"]) == [1.0] * 4 + [2.0] * 4
    assert only(frame, "step_name") == "Read"
    assert list(frame["step"].unique()) == [3, 6]
    assert pd.to_datetime(frame["utc"]).is_monotonic_increasing
    assert frame["t_s"].dtype == frame["vin_v"].dtype == "float64"


def test_set_points_fall_when_load_and_supply_are_switched_off(tmp_path: Path) -> None:
    steps = [
        ("PowerUp", {"line_v": 24.0}),
        ("Draw", {"iout_a": 1.5}),
        ("Release", {}),
        ("Draw", {"iout_a": 1.0}),
        ("PowerUp", {"line_v": 20.0}),
        ("PowerDown", {}),
    ]
    journal = [record("run", 0, **run_values())]
    for index, (step, args) in enumerate(steps):
        journal.append(record("step", 0, index=index, step=step, args=args))
        journal.append(record("sample", 0, index=index, **sample(24.0, 1.0, warm=False)))
    tables_of(journal, tmp_path)
    frame = read(tmp_path / "readings.csv")
    assert list(frame["line_set_v"]) == [24.0, 24.0, 24.0, 24.0, 20.0, 0.0]
    assert list(frame["iout_set_a"]) == [0.0, 1.5, 0.0, 1.0, 0.0, 0.0]


def test_efficiency_can_be_recomputed_from_its_own_columns(tmp_path: Path) -> None:
    # The columns must suffice to check every figure without this program.
    tables_of(records(), tmp_path)
    frame = read(tmp_path / "efficiency.csv")
    pin_w, pout_w = frame["vin_v"] * frame["iin_a"], frame["vout_v"] * frame["iout_a"]
    assert list(frame["pin_w"]) == pytest.approx(list(pin_w), rel=1e-6)
    assert list(frame["efficiency_pct"]) == pytest.approx(list(100 * pout_w / pin_w), abs=1e-3)
    assert list(frame["ploss_w"]) == pytest.approx(list(pin_w - pout_w), abs=3e-5)
    deviation_pct = 100.0 * (frame["vout_v"] / 9.0 - 1.0)
    assert list(frame["vout_deviation_pct"]) == pytest.approx(list(deviation_pct), abs=1e-4)
    assert list(frame["point"]) == list(range(1, len(frame) + 1))
    assert only(frame, "unit") == "unit 1"
    assert only(frame, "vin_v_source") == "corrected"
    assert only(frame, "iin_a_source") == "measured"


def test_efficiency_types_are_right_with_no_options(tmp_path: Path) -> None:
    spoilt = point(24.0, 4.0, settled=False, flags=["UNSETTLED", "VOUT_LOW"], case_temp_c=None)
    tables_of(records([*sweep_points(), spoilt]), tmp_path)
    frame = read(tmp_path / "efficiency.csv")
    assert frame["settled"].dtype == "bool"
    assert frame["samples"].dtype == frame["point"].dtype == "int64"
    numbers = [c.name for c in EFFICIENCY if c.unit and not c.role]
    assert {str(frame[name].dtype) for name in numbers} == {"float64"}
    assert frame["flags"].iloc[-1] == "UNSETTLED;VOUT_LOW"
    assert frame["flags"].iloc[:-1].isna().all()
    assert pd.isna(frame["case_temp_c"].iloc[-1])
    assert frame["hot_spot_temp_c_sd"].isna().all()  # these points were given none


def test_efficiency_that_rests_on_an_assumed_value_is_blank(tmp_path: Path) -> None:
    assumed = run_values(sources=SOURCES | {"iin_a": "assumed"})
    tables_of(records(run=assumed), tmp_path)
    frame = read(tmp_path / "efficiency.csv")
    assert frame["efficiency_pct"].isna().all()
    assert only(frame, "iin_a_source") == "assumed"


def test_a_point_without_input_power_has_no_efficiency(tmp_path: Path) -> None:
    tables_of(records([point(24.0, 0.0, iin_a=0.0)]), tmp_path)
    frame = read(tmp_path / "efficiency.csv")
    assert frame["efficiency_pct"].isna().all()
    assert only(frame, "pin_w") == 0.0


def test_derating_of_a_module_with_known_physics(tmp_path: Path) -> None:
    # By hand: at 45 °C of air a 110 °C hot spot leaves 65 K / 12 K/W = 5.4167 W; a module at 25 °C
    # loses 1 + 0.004 x 85 = 1.34 times less, 4.0423 W = 0.3 + 0.4 I + 0.15 I^2, so that
    # I = (-0.4 + sqrt(0.16 + 0.6 x 3.7423)) / 0.3 = 3.8364 A. 60 °C is 35 K from the soaks.
    tables_of(records(), tmp_path)
    frame = read(tmp_path / "derating.csv").query("line_v == 24").set_index("ambient_temp_c")
    refused = frame.loc[60.0]
    assert refused["basis"] == "refused"
    assert refused[["iout_max_a", "limited_by", "hot_spot_temp_c"]].isna().all()
    row = frame.loc[45.0]
    assert row["iout_max_a"] == pytest.approx(3.8364, abs=5e-4)
    assert (row["limited_by"], row["basis"]) == ("hot-spot", "extrapolated")
    assert row["extrapolation_k"] == 20.0
    assert row["hot_spot_temp_c"] == pytest.approx(110.0, abs=0.01)
    assert row["ploss_w"] == pytest.approx(65.0 / 12.0, abs=1e-3)
    assert row["case_temp_c"] == pytest.approx(45.0 + 7.0 * 65.0 / 12.0, abs=0.01)
    assert row["thermal_resistance_k_per_w"] == pytest.approx(12.0, abs=1e-3)
    assert row["loss_growth_pct_per_k"] == pytest.approx(0.4, abs=1e-3)
    assert row["soaks"] == len(LOADS_A) - 1
    assert frame["iout_max_a"].dropna().is_monotonic_decreasing


def test_derating_table_goes_by_5_k_and_has_the_ambients_that_were_asked_for(
    tmp_path: Path,
) -> None:
    tables_of(records(run=run_values(parameters={"ambients_c": [23.0, 47.5]})), tmp_path)
    ambients_c = read(tmp_path / "derating.csv")["ambient_temp_c"].unique()
    assert list(ambients_c) == sorted([23.0, 47.5, *range(0, 90, 5)])


# ------------------------------------------------------------ what does not apply, damage


def test_without_a_soak_there_is_no_derating_and_a_reason(tmp_path: Path) -> None:
    (tmp_path / "derating.csv").write_text("left from before\n")
    found = tables_of(records([point(24.0, i) for i in LOADS_A]), tmp_path)
    assert list(found.written) == [*NAMES[:2], "budget.csv"]
    assert "soaked until settled" in found.left_out["derating.csv"]
    assert not (tmp_path / "derating.csv").exists()


def test_a_journal_cut_anywhere_gives_the_tables_of_what_is_there(tmp_path: Path) -> None:
    whole = records(samples=2)
    for cut in range(1, len(whole), 7):
        folder = tmp_path / str(cut)
        folder.mkdir()
        found = tables_of(whole[:cut], folder)
        kinds = [r["kind"] for r in whole[:cut]]
        assert ("readings.csv" in found.written) == ("sample" in kinds)
        assert ("efficiency.csv" in found.written) == ("outcome" in kinds)
        if "sample" in kinds:
            assert len(read(folder / "readings.csv")) == kinds.count("sample")
        if "outcome" in kinds:
            assert len(read(folder / "efficiency.csv")) == kinds.count("outcome")
        assert sorted(p.name for p in folder.iterdir()) == sorted(found.written)


def test_a_torn_last_line_costs_that_record_alone(tmp_path: Path) -> None:
    path = write_journal(tmp_path, [point(24.0, 1.0)], samples=3, end=False)
    whole = path.read_bytes()
    outcome = whole.splitlines(keepends=True)[-1]
    path.write_bytes(whole[: -len(outcome) // 2])
    found = write_tables(tmp_path)
    assert list(found.written) == ["readings.csv"]
    assert len(read(tmp_path / "readings.csv")) == 3


def test_a_damaged_journal_changes_no_file(tmp_path: Path) -> None:
    path = write_journal(tmp_path)
    write_tables(tmp_path)
    before = {name: (tmp_path / name).read_bytes() for name in NAMES}
    lines = path.read_bytes().splitlines(keepends=True)
    lines[-5] = lines[-5].replace(b"24.0", b"25.0", 1)
    path.write_bytes(b"".join(lines))
    with pytest.raises(BadInput, match="damaged"):
        write_tables(tmp_path)
    assert {name: (tmp_path / name).read_bytes() for name in NAMES} == before
    assert len(list(tmp_path.iterdir())) == 5  # no draft is left behind


def test_a_journal_without_a_run_is_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="no run record"):
        tables_of([], tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_point_of_another_format_is_named(tmp_path: Path) -> None:
    journal = records([point(24.0, 1.0)])
    outcome = next(r for r in journal if r["kind"] == "outcome")
    del outcome["values"]["vin_v"]
    with pytest.raises(BadInput, match=rf"record {outcome['n']} .*vin_v"):
        tables_of(journal, tmp_path)


def test_a_full_disk_is_one_clear_error_and_the_old_file_stays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables_of(records(), tmp_path)
    before = (tmp_path / "readings.csv").read_bytes()

    def full(descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.fsync", full)
    with pytest.raises(StorageError, match=r"readings\.csv: cannot be written: No space left"):
        tables_of(records([point(24.0, 1.0)]), tmp_path)
    assert (tmp_path / "readings.csv").read_bytes() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(NAMES)


def test_a_folder_that_is_not_there_is_one_clear_error(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match="cannot be written"):
        tables_of(records(), tmp_path / "gone")


# ----------------------------------------------------------------- same bytes, flat memory


def test_the_same_journal_gives_the_same_bytes(tmp_path: Path) -> None:
    write_journal(tmp_path)
    write_tables(tmp_path)
    first = {name: (tmp_path / name).read_bytes() for name in NAMES}
    write_tables(tmp_path)
    assert {name: (tmp_path / name).read_bytes() for name in NAMES} == first
    assert b"\r" not in b"".join(first.values())


def test_words_with_commas_quotes_and_lines_survive(tmp_path: Path) -> None:
    unit = 'unit 7, the "wet" one\nfrom the box'
    run = run_values(module=MODULE | {"unit": unit})
    tables_of(records([point(24.0, 1.0, label="a,b")], run=run), tmp_path)
    frame = read(tmp_path / "efficiency.csv")
    assert only(frame, "unit") == unit
    assert only(frame, "label") == "a,b"


def many_samples(count: int) -> Iterator[dict[str, Any]]:
    yield record("run", 0, **run_values())
    yield record("step", 1, index=0, step="PowerUp", args={"line_v": 24.0})
    line = json.dumps(record("sample", 2, index=0, **sample(24.0, 1.0, warm=False)))
    for _ in range(count):
        yield json.loads(line)


def test_memory_does_not_grow_with_the_number_of_samples(tmp_path: Path) -> None:
    tables_of(many_samples(10), tmp_path)  # what is loaded once
    peaks = []
    for count in (200, 1500):
        tracemalloc.start()
        tables_of(many_samples(count), tmp_path)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < peaks[0] + 20_000  # 1,300 kept samples would be a megabyte
