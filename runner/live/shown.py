"""A followed run as the words and numbers its page shows.

Made from `state.Watched` for the template, which only lays them out. No markup here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from runner.interlocks import Margin
from runner.live.state import LogLine, RunState, Verdicts, Watched
from runner.live.words import clock_text, name_of, unit_of
from runner.steps import Reading

NEAR, VERY_NEAR = 0.8, 0.95
"""Shares of a limit from which its bar looks different."""
OPEN_PHASES = ("getting ready", "running", "stopping")
ELECTRICAL = ("vin_v", "iin_a", "vout_v", "iout_a")
READ = (*ELECTRICAL, "hot_spot_temp_c", "case_temp_c", "capacitor_temp_c", "ambient_temp_c")
DECIMALS = {"v": 3, "a": 4, "w": 3, "c": 1}


@dataclass(frozen=True, slots=True)
class MarginShown:
    """One interlock limit as a bar."""

    name: str
    text: str
    used_pct: float
    level: str
    source: str


@dataclass(frozen=True, slots=True)
class RunShown:
    """Everything the page of a run lays out."""

    name: str
    title: str
    phase: str
    is_open: bool
    message: str
    facts: tuple[tuple[str, str], ...]
    progress: tuple[tuple[str, str], ...]
    share_pct: float
    silent_min: int
    read_pct: int
    readings: tuple[tuple[str, str], ...]
    margins: tuple[MarginShown, ...]
    safe: Any
    verdicts: Verdicts | None
    log: tuple[LogLine, ...]


def run_shown(name: str, watched: Watched, verdicts: Verdicts | None, silent_min: int) -> RunShown:
    """The page's view of a run; `read_pct` is below 100 while a long journal is being read."""
    state, phase = watched.state, watched.phase
    read, behind = watched.follower.read_bytes, watched.follower.behind_bytes
    done, planned = len(state.points), state.points_planned
    return RunShown(
        name=name,
        title=_title(state) or name,
        phase=phase,
        is_open=phase in OPEN_PHASES,
        message=str(state.end["message"]) if state.end else "",
        facts=_facts(state),
        progress=_progress(state),
        share_pct=100.0 * min(1.0, done / planned) if planned else 0.0,
        silent_min=silent_min,
        read_pct=100 if not behind else int(100 * read / (read + behind)),
        readings=_readings(state.reading),
        margins=tuple(_margin(margin) for margin in state.margins()),
        safe=state.safe,
        verdicts=verdicts,
        log=tuple(reversed(state.log)),
    )


def _title(state: RunState) -> str:
    module = state.run.get("module", {})
    return ", ".join(text for text in (module.get("name"), module.get("unit")) if text)


def _facts(state: RunState) -> tuple[tuple[str, str], ...]:
    run = state.run
    facts = (
        ("sequence", run.get("sequence", "")),
        ("bench", run.get("bench", {}).get("name", "")),
        ("run", run.get("run_id", "")),
        ("started", _moment(run.get("started_utc", ""))),
        ("last record", _moment(state.utc)),
    )
    return tuple((name, str(text)) for name, text in facts if text)


def _moment(utc: str) -> str:
    return f"{utc[:10]} {utc[11:19]} UTC" if len(utc) >= 19 else utc


def _progress(state: RunState) -> tuple[tuple[str, str], ...]:
    left = () if state.left_s is None else (("left, about", clock_text(state.left_s)),)
    return (
        ("points", f"{len(state.points)} of {state.points_planned}"),
        ("now", state.step_text),
        ("gone", clock_text(state.t_s)),
        *left,
    )


def _readings(reading: Reading | None) -> tuple[tuple[str, str], ...]:
    if reading is None:
        return ()
    shown = [(name_of(name), _value(name, getattr(reading, name))) for name in READ]
    rows = [(name, text) for name, text in shown if text]
    if reading.vout_v is not None and reading.iout_a is not None:
        pin_w, pout_w = reading.vin_v * reading.iin_a, reading.vout_v * reading.iout_a
        rows.append(("loss", _value("ploss_w", pin_w - pout_w)))
        if pin_w > 0.0 and "OFF" not in (reading.supply_mode, reading.load_mode):
            rows.append(("efficiency", f"{100.0 * pout_w / pin_w:.2f} %"))
    return (*rows, ("supply, load", f"{reading.supply_mode}, {reading.load_mode}"))


def _value(name: str, value: float | None) -> str:
    unit = unit_of(name)
    decimals = DECIMALS.get(name.rpartition("_")[2], 3)
    return "" if value is None else f"{value:.{decimals}f} {unit}".replace("-", "−")


def _margin(margin: Margin) -> MarginShown:
    limit, used = margin.limit, margin.used
    level = "at" if used >= VERY_NEAR else "near" if used >= NEAR else "far"
    return MarginShown(
        name=name_of(limit.quantity),
        text=f"{margin.value:.3g} of {limit.most:g} {unit_of(limit.quantity)}".replace("-", "−"),
        used_pct=round(100.0 * max(0.0, min(1.0, used)), 1),
        level=level,
        source=limit.source,
    )
