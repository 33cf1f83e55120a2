"""Journals made up for the tests of the reports: a module whose physics is one line.

Loss (0.3 + 0.4 I + 0.15 I^2)(1 + 0.004 (T - 25 °C)) at 24 V, 12 K/W to the hot spot and
7 K/W to the case, 9 V out through 12 mohm. Nothing here is checked against itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from runner import journal
from runner.clock import WallClock

MODULE = {
    "name": "9 V mast regulator",
    "unit": "unit 1",
    "line_min_v": 20.0,
    "line_nominal_v": 24.0,
    "line_max_v": 30.0,
    "vout_set_v": 9.0,
    "vout_tolerance_pct": 3.0,
    "iout_rated_a": 4.0,
    "limits": {"iout_max_a": 5.5, "hot_spot_max_temp_c": 110.0, "case_max_temp_c": 100.0},
}
BENCH = {
    "name": "boathouse bench",
    "roles": {
        "supply": "supply",
        "load": "load",
        "hot_spot": "hot_spot",
        "case": "case",
        "ambient": "ambient",
    },
    "limits": {"iout_max_a": 6.0},
    "instruments": {
        "supply": {
            "lead_resistance_ohm": 0.030,
            "voltage_accuracy": [{"range_v": 40.0, "reading_pct": 0.05, "offset_v": 0.010}],
            "current_accuracy": [{"range_a": 5.0, "reading_pct": 0.15, "offset_a": 0.005}],
        },
        "load": {
            "rated_a": 30.0,
            "lead_max_a": 10.0,
            "voltage_accuracy": [{"range_v": 80.0, "reading_pct": 0.025, "offset_v": 0.0045}],
            "current_accuracy": [
                {"range_a": 6.0, "reading_pct": 0.05, "range_pct": 0.05},
                {"range_a": 30.0, "reading_pct": 0.05, "range_pct": 0.05},
            ],
        },
        "hot_spot": {"temp_accuracy": {"offset_k": 1.0}},
        "case": {"temp_accuracy": {"offset_k": 1.0}},
        "ambient": {"temp_accuracy": {"offset_k": 0.3}},
    },
}
SOURCES = {"vin_v": "corrected", "iin_a": "measured", "vout_v": "measured", "iout_a": "measured"}

GROWTH, HOT_K_PER_W, CASE_K_PER_W = 0.004, 12.0, 7.0


def record(kind: str, n: int, **values: Any) -> dict[str, Any]:
    """One record as the journal yields it; a second passes between two."""
    stamp = f"2026-06-21T{4 + n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}.000Z"
    return {"n": n, "kind": kind, "t_s": float(n), "utc": stamp} | values


def run_values(**changes: Any) -> dict[str, Any]:
    """What the run record holds."""
    return {
        "format": 1,
        "run_id": "2026-06-21_040000_load_sweep",
        "sequence": "load_sweep",
        "parameters": {},
        "module": MODULE,
        "bench": BENCH,
        "sources": SOURCES,
    } | changes


def sample(line_v: float, iout_a: float, *, warm: bool) -> dict[str, Any]:
    """One reading of the made-up module at 25 °C of air."""
    base_w = (0.3 + 0.4 * iout_a + 0.15 * iout_a**2) * line_v / 24.0
    hot_c = 25.0
    if warm:
        hot_c += HOT_K_PER_W * base_w / (1.0 - GROWTH * HOT_K_PER_W * base_w)
    ploss_w = base_w * (1.0 + GROWTH * (hot_c - 25.0))
    vout_v = 9.0 - 0.012 * iout_a
    return {
        "vin_v": line_v,
        "iin_a": (vout_v * iout_a + ploss_w) / line_v,
        "vout_v": vout_v,
        "iout_a": iout_a,
        "ambient_temp_c": 25.0,
        "case_temp_c": 25.0 + (CASE_K_PER_W * ploss_w if warm else 0.0),
        "hot_spot_temp_c": hot_c,
        "supply_mode": "CV",
        "load_mode": "CC",
    }


def point(line_v: float, iout_a: float, *, kind: str = "fast", **changes: Any) -> dict[str, Any]:
    """The values of a Point outcome."""
    return (
        sample(line_v, iout_a, warm=kind == "soaked")
        | {
            "kind": kind,
            "label": "up" if kind == "fast" else "soak",
            "line_set_v": line_v,
            "iout_set_a": iout_a,
            "t_s": 12.5,
            "samples": 10,
            "settled": True,
            "dwell_s": 1.25,
            "sd": {"vin_v": 0.001, "iin_a": 0.0002, "vout_v": 0.0003, "iout_a": 0.0001},
            "flags": [],
        }
        | changes
    )


LOADS_A = (0.4, 1.0, 2.0, 3.0, 4.0)


def kinds_and_values(
    points: list[dict[str, Any]], samples: int, end: bool
) -> Iterator[tuple[str, dict[str, Any]]]:
    """The records of a run that takes these points, without their numbers."""
    index = 0
    yield "step", {"index": 0, "step": "PowerUp", "args": {"line_v": points[0]["line_set_v"]}}
    for values in points:
        line_v, iout_a = values["line_set_v"], values["iout_set_a"]
        for step, args in (
            ("SetLine", {"line_v": line_v}),
            ("Draw", {"iout_a": iout_a}),
            ("Read", {"kind": values["kind"]}),
        ):
            index += 1
            yield "step", {"index": index, "step": step, "args": args}
        reading = sample(line_v, iout_a, warm=values["kind"] == "soaked")
        for _ in range(samples):
            yield "sample", {"index": index} | reading
        yield "outcome", {"index": index, "outcome": "Point", "values": values}
    if end:
        yield "step", {"index": index + 1, "step": "PowerDown", "args": {}}
        yield "safe", {"emergency": False, "attempts": [], "confirmed": True, "unconfirmed": []}
        yield "end", {"ending": "done", "message": "the sequence came to its end", "exit_code": 0}


def sweep_points(lines_v: tuple[float, ...] = (20.0, 24.0, 30.0)) -> list[dict[str, Any]]:
    """Fast points at every line and soaks at 24 V."""
    fast = [point(line_v, iout_a) for line_v in lines_v for iout_a in LOADS_A]
    return fast + [point(24.0, iout_a, kind="soaked") for iout_a in LOADS_A[1:]]


def records(
    points: list[dict[str, Any]] | None = None,
    *,
    samples: int = 3,
    end: bool = True,
    run: dict[str, Any] | None = None,
) -> list[dict[str, Any]]:
    """A whole journal as the reader yields it."""
    body = kinds_and_values(sweep_points() if points is None else points, samples, end)
    whole = [("run", run or run_values()), *body]
    return [record(kind, n, **values) for n, (kind, values) in enumerate(whole)]


def write_journal(folder: Path, points: list[dict[str, Any]] | None = None, **how: Any) -> Path:
    """The same as a real journal file in `folder`."""
    book = journal.Journal(folder, WallClock())
    for values in records(points, **how):
        kind = values["kind"]
        book.write(kind, sync=False, **{k: v for k, v in values.items() if k not in HEAD})
    book.close()
    return book.path


HEAD = {"n", "kind", "t_s", "utc"}
