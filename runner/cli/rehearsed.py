"""Shows a rehearsal: the verdict and every margin on a terminal, or one JSON object for a script.

Called by the `rehearse` command.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict
from typing import Any

from runner.cli.result import print_table
from runner.heights import Height, Moment
from runner.live.words import clock_text, name_of, step_text
from runner.rehearsal import Rehearsal, Trip
from runner.report.summary import ShortTable

NAMES = {"supply_v": "supply voltage", "supply_w": "supply power", "pout_w": "output power"}
HEADER = ("quantity", "greatest", "after", "in step", "set", "limit", "margin", "used", "by")
LOSS_MOVING = (
    "loss: greatest while a set point moved; input and output are read one after the other and\n"
    "their readbacks lag, so it is no heat in the module. The interlock sees it and looks twice."
)


def verdict(told: Rehearsal) -> str:
    """How the run would go, in one line."""
    if told.trip is not None:
        return f"would trip: {told.ending.message}"
    if told.ending.name == "stopped":
        return f"not rehearsed to its end: {told.ending.message}"
    if told.ending.exit_code:
        return f"would end {told.ending.name}: {told.ending.message}"
    if told.over:
        passed = ", ".join(
            f"{_name(h)} by {_shown(-h.margin, h.margin_unit)} ({_by(h)})" for h in told.over
        )
        return f"would end well, but passes a rating: {passed}"
    at = ", ".join(f"{_name(h)} by {_shown(-h.margin, h.margin_unit)}" for h in told.at)
    grace = f" (at one, over it by no more than a reading's own error: {at})" if at else ""
    return f"would end well, within every rating{grace}"


def show(title: str, told: Rehearsal, *, as_json: bool) -> None:
    """Print the whole, as text or as one JSON object."""
    if as_json:
        print(json.dumps(_as_json(told), indent=2, ensure_ascii=False))
        return
    flags = ", ".join(f"{flag} {count}" for flag, count in sorted(told.flags.items()))
    facts = [
        ("rehearsal", title),
        ("verdict", verdict(told)),
        ("duration", f"{clock_text(told.duration_s)} (h:mm:ss) in {told.steps} steps"),
        ("points", f"{told.points} of {told.points_planned} planned"),
        ("flagged", f"{told.flagged}" + (f" ({flags})" if flags else "")),
    ]
    if told.trip is not None:
        facts.append(("trip", _trip_text(told.trip)))
    facts += [("note", note) for note in told.notes]
    for name, text in facts:
        print(f"{name:<9}  {text}")
    rows = tuple(_row(height) for height in told.heights)
    print_table(ShortTable("Greatest of every quantity, and what was left", HEADER, rows))
    if any(h.limit.quantity == "ploss_w" and h.peak.moment.is_moving for h in told.heights):
        print(LOSS_MOVING)


def _row(height: Height) -> tuple[str, ...]:
    now, used = height.peak.moment, height.used
    return (
        _name(height),
        _shown(height.peak.value, height.unit),
        clock_text(now.t_s),
        f"{now.index} {_words(_kind(now))}",
        f"{now.line_set_v:g} V {now.iout_set_a:g} A",
        _shown(height.limit.most, height.unit),
        _shown(height.margin, height.margin_unit) + _how(height),
        "" if used is None else f"{100 * used:.0f} %",
        _by(height),
    )


def _how(height: Height) -> str:
    return " OVER" if height.is_over else " at" if height.is_at else ""


def _name(height: Height) -> str:
    quantity = height.limit.quantity
    return NAMES.get(quantity, name_of(quantity))


def _shown(value: float, unit: str) -> str:
    return f"{value:.1f} {unit}" if unit in ("°C", "K") else f"{value:.4g} {unit}"


def _by(height: Height) -> str:
    return f"{'interlock: ' if height.is_interlock else ''}{height.limit.source}"


def _trip_text(trip: Trip) -> str:
    now = trip.moment
    step = step_text(now.step) if now.step else "before the first"
    return (
        f"in step {now.index} ({step}), after {clock_text(now.t_s)}, "
        f"with {now.line_set_v:g} V and {now.iout_set_a:g} A set"
    )


def _kind(now: Moment) -> str:
    return "" if now.step is None else type(now.step).__name__


def _words(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()


def _as_json(told: Rehearsal) -> dict[str, Any]:
    """The whole rehearsal as plain values; units are in the names of the quantities."""
    return {
        "verdict": verdict(told),
        "ending": told.ending.name,
        "message": told.ending.message,
        "exit_code": told.exit_code,
        "duration_s": round(told.duration_s, 3),
        "steps": told.steps,
        "points_planned": told.points_planned,
        "points": told.points,
        "flagged": told.flagged,
        "flags": dict(sorted(told.flags.items())),
        "trip": None
        if told.trip is None
        else asdict(told.trip) | {"moment": _at(told.trip.moment)},
        "limits": [_limit(height) for height in told.heights],
        "notes": list(told.notes),
    }


def _limit(height: Height) -> dict[str, Any]:
    return asdict(height.limit) | {
        "interlock": height.is_interlock,
        "greatest": height.peak.value,
        "margin": height.margin,
        "used": height.used,
        "at": height.is_at,
        "over": height.is_over,
        "moving": height.peak.moment.is_moving,
        "moment": _at(height.peak.moment),
    }


def _at(now: Moment) -> dict[str, Any]:
    return asdict(now) | {"step": _kind(now)}
