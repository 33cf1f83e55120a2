"""A thermometer on the capacitor's can, end to end on the live bench: limit, derating, tables."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any, Literal

import pytest

from runner.files.toml_file import resolve
from runner.report.columns import READINGS, there
from runner.report.tables import tables_of, write_tables
from runner.report.verdicts import LIMITED_BY
from runner.steps import PowerDown, Read, Step
from sim.build import NamedFault
from tests.runner.live import Heard, Live

SECTION = """
[instruments.capacitor]
resource = "GPIB0::9::INSTR"
family = "scpi-thermometer"
channel = 104
sensor = "K"
temp_accuracy = { offset_k = 0.5 }

[instruments.ambient]
"""
SOAKED = """
    yield PowerUp(24.0)
    yield Draw(3.0)
    yield Soak(within_k=0.5, at_most_s=4000.0, predict_k={k})
    yield Read("soaked")
    yield Wait(60.0)
    yield PowerDown()
"""
LIMIT_C = 50.0
Lost = Literal["thermometer-open", "thermometer-off"]


def bench(live: Live, limit: str = "") -> str:
    """The demo bench with a thermometer on the capacitor."""
    text = resolve("demo", "bench").read_text("utf-8")
    text = text.replace("\n[instruments.ambient]\n", SECTION)
    text = text.replace('\ncase = "case"\n', '\ncase = "case"\ncapacitor = "capacitor"\n')
    text = text.replace("\nfuse_a =", f"\n{limit}\nfuse_a =")
    path = live.folder / "bench.toml"
    path.write_text(text, "utf-8")
    return str(path)


def module(live: Live) -> str:
    limit = "case_max_temp_c = 100.0"
    return live.demo("module", limit, f"{limit}\ncapacitor_max_temp_c = {LIMIT_C}")


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def trip(live: Live, heard: Heard | None = None, limit: str = "") -> dict[str, Any]:
    body = live.sequence(SOAKED.format(k=0.0))
    done = live.run(body, bench=bench(live, limit), heard=heard)
    assert (done.ending.name, live.outputs_on()) == ("tripped", (False, False)), done.ending.message
    (found,) = [record for record in live.records() if record["kind"] == "trip"]
    return found


def test_its_limit_trips(live: Live) -> None:
    found = trip(live, limit="capacitor_max_temp_c = 40.0")
    assert (found["quantity"], found["limit"]) == ("capacitor_temp_c", 40.0)


@pytest.mark.parametrize("fault", ["thermometer-open", "thermometer-off"])
def test_a_lost_thermometer_trips(live: Live, fault: Lost) -> None:
    def strike(index: int, step: Step) -> None:
        if isinstance(step, Read):
            assert live.bench is not None
            live.bench.faults.switch_on(NamedFault(name=fault, instrument="capacitor"))

    assert trip(live, Heard(at_step=strike))["quantity"] == "capacitor_temp_c"


def settles_at(live: Live, load_a: float, name: str) -> float:
    """The true temperature of the can [°C] after ten time constants at this load."""
    seen: list[float] = []

    def at_step(index: int, step: Step) -> None:
        if isinstance(step, PowerDown):
            assert live.bench is not None
            seen.append(live.bench.world.now().capacitor_temp_c)

    body = f"yield PowerUp(24.0)\nyield Draw({load_a!r})\nyield Wait(4000.0)\nyield PowerDown()\n"
    live.run(live.sequence(body), heard=Heard(at_step=at_step))
    (live.folder / "run").rename(live.folder / name)
    return seen[0]


@pytest.mark.parametrize("predict_k", ["0", "1"])
def test_the_derated_load_is_the_one_that_settles_the_can_at_its_limit(
    live: Live, predict_k: str
) -> None:
    texts: dict[str, Any] = {"lines_v": "24", "loads_a": "1.5,2.5,3.2", "predict_k": predict_k}
    live.run("derating", bench=bench(live), module=module(live), audit="no", **texts)
    tables = write_tables(live.folder / "run")
    (row,) = [r for r in rows(tables.written["derating.csv"]) if r["ambient_temp_c"] == "25.000"]
    assert row["limited_by"] == "capacitor"
    assert float(row["capacitor_temp_c"]) == pytest.approx(LIMIT_C, abs=1e-3)
    assert float(row["hot_spot_temp_c"]) < 110.0
    assert "CAPACITOR_NOT_MEASURED" not in row["flags"]
    load_a, u_a = float(row["iout_max_a"]), 2.0 * float(row["iout_max_a_u"])
    assert 0.0 < u_a < 0.25
    (live.folder / "run").rename(live.folder / "derating")
    # The twin settles on both sides of the limit at the ends of the interval.
    least_c = settles_at(live, load_a - u_a, "below")
    most_c = settles_at(live, load_a + u_a, "above")
    assert least_c < LIMIT_C < most_c


def test_points_and_readings_have_it_with_its_uncertainty(live: Live) -> None:
    live.run(live.sequence(SOAKED.format(k=1.0)), bench=bench(live), module=module(live))
    tables = write_tables(live.folder / "run")
    (point,) = rows(tables.written["efficiency.csv"])
    assert float(point["capacitor_temp_c_u"]) == pytest.approx(0.5 / 3**0.5, rel=0.5)
    reading = rows(tables.written["readings.csv"])[-1]
    assert float(reading["capacitor_temp_c"]) > float(reading["ambient_temp_c"]) + 10.0
    (soaked,) = [r["values"] for r in live.records() if r.get("outcome") == "Soaked"]
    # 0.85 of the case by the twin's default; the two thermometers' own errors come on top.
    share = soaked["end_capacitor_rise_k"] / soaked["end_case_rise_k"]
    assert share == pytest.approx(0.85, abs=0.1)


def test_a_journal_from_before_gives_the_same_bytes(live: Live) -> None:
    live.run(live.sequence(SOAKED.format(k=1.0)))
    now, then = live.folder / "now", live.folder / "then"
    now.mkdir()
    then.mkdir()
    tables_of(live.records(), now)
    tables_of((without(record) for record in live.records()), then)
    names = sorted(path.name for path in now.iterdir())
    assert names == sorted(path.name for path in then.iterdir())
    for name in names:
        assert (now / name).read_bytes() == (then / name).read_bytes()
        assert "capacitor" not in (now / name).read_text("utf-8").splitlines()[0]


def without(value: Any) -> Any:
    """The same record without any word of a capacitor."""
    if isinstance(value, dict):
        return {key: without(one) for key, one in value.items() if "capacitor" not in key}
    return [without(one) for one in value] if isinstance(value, list) else value


def test_a_column_of_a_role_is_there_with_the_role_alone() -> None:
    names = [column.name for column in READINGS]
    kept = dict(zip(names, there(READINGS, {"capacitor": "can"}), strict=True))
    left = dict(zip(names, there(READINGS, {"capacitor": None}), strict=True))
    assert all(kept.values())
    assert [name for name, is_there in left.items() if not is_there] == ["capacitor_temp_c"]


def test_every_limit_of_a_load_has_words() -> None:
    from typing import get_args

    from runner.analysis.derating import LimitedBy

    assert set(LIMITED_BY) == set(get_args(LimitedBy))
