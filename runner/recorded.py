"""Journal records back into the values they were made from: steps, outcomes, readings.

Whoever follows a run hands them to the same listeners as the engine does. A record of
a kind this version does not know is passed over, it is not an error.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any, TypeVar, get_args

from runner.steps import Outcome, Reading, Step

Record = Mapping[str, Any]
T = TypeVar("T")

_STEPS: dict[str, type[Any]] = {kind.__name__: kind for kind in get_args(Step)}
_OUTCOMES: dict[str, type[Any]] = {kind.__name__: kind for kind in get_args(Outcome)}


def step_of(record: Record) -> Step | None:
    """The step of a `step` record."""
    kind = _STEPS.get(record["step"])
    step: Step | None = _made(kind, record["args"]) if kind else None
    return step


def outcome_of(record: Record) -> Outcome | None:
    """The outcome of an `outcome` record, its reading included."""
    kind = _OUTCOMES.get(record["outcome"])
    values: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in record["values"].items()
    }
    if values.get("reading") is not None:
        values["reading"] = reading_of(values["reading"])
    outcome: Outcome | None = _made(kind, values) if kind else None
    return outcome


def reading_of(values: Record) -> Reading | None:
    """The reading of a `sample` record, or of the values inside an outcome."""
    return _made(Reading, values)


def _made(kind: type[T], values: Record) -> T | None:
    known = {field.name for field in fields(kind)}  # type: ignore[arg-type]  # all are dataclasses
    try:
        return kind(**{name: value for name, value in values.items() if name in known})
    except TypeError:
        return None
