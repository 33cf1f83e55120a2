"""Writes the module file of a learned twin: the run's own module, with a [twin] of its own.

Called by `ampworth fit-twin`. Each key says with what standard uncertainty it was learned, or
that it is assumed; never overwrites a file.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.items import Table

from runner.errors import BadInput
from runner.report.learned_twin import LearnedTwin
from runner.report.twin_keys import TwinKey, loss_at_nothing, loss_at_rated

DIGITS = 10
"""The terms of the loss stand for one another: cut short, they no longer add up."""


def write_twin(learned: LearnedTwin, keys: Sequence[TwinKey], path: Path) -> Path:
    """Write the module file. Raises BadInput where something stands at `path` already."""
    try:
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(twin_text(learned, keys))
    except FileExistsError:
        raise BadInput(
            f"--out {path}: exists already and is left as it is; give another name"
        ) from None
    except FileNotFoundError:
        raise BadInput(
            f"--out {path}: there is no folder {str(path.parent)!r}; make it first"
        ) from None
    except OSError as error:
        raise BadInput(
            f"--out {path}: cannot be written ({error.strerror}); give a path you may write to"
        ) from None
    return path


def twin_text(learned: LearnedTwin, keys: Sequence[TwinKey]) -> str:
    """The module file as text."""
    document = tomlkit.document()
    for line in _head(learned):
        document.add(tomlkit.comment(line))
    document.add(tomlkit.nl())
    for key, value in _module(learned.module).items():
        document.add(key, value)
    document.add("twin", _twin(keys))
    return tomlkit.dumps(document)


def _head(learned: LearnedTwin) -> Iterator[str]:
    yield "Learned by `ampworth fit-twin` from:"
    for run in learned.runs:
        told = run.record.run
        yield f"  {told['run_id']} ({told['sequence']}, {len(run.points)} points in regulation)"
    rated, nothing, loss = loss_at_rated(learned), loss_at_nothing(learned), learned.loss
    at = f"{learned.module['line_nominal_v']:g} V"
    yield (
        f"Loss at {at}, {learned.module['iout_rated_a']:g} A, 25 °C: {rated.value:.4g} W, "
        f"u = {rated.u:.2g} W; without a load {nothing.value:.3g} W, u = {nothing.u:.2g} W."
    )
    yield f"Residuals of the loss: {1e3 * loss.residual_w:.2g} mW rms over {loss.points} points."
    yield "u is a standard uncertainty (k = 1). The terms of the loss stand for one another: each"
    yield "is known worse than the loss they make."
    if _protected(learned.module):
        kind = learned.module["protection"]["kind"]
        yield f"What the run's protection ({kind}) loses is in the twin, so none stands before it."


def _module(module: Mapping[str, Any]) -> dict[str, Any]:
    """The run's module file without its own twin, and without a protection counted twice."""
    kept = {key: value for key, value in _stated(module).items() if key != "twin"}
    if _protected(module):
        kept["protection"] = {"kind": "none"}
    claims = kept.pop("claims", [])
    for claim in claims:
        if claim.get("points"):
            claim.pop("curve_csv", None)  # its points are here
        else:
            claim.pop("points", None)
    return kept | ({"claims": claims} if claims else {})


def _protected(module: Mapping[str, Any]) -> bool:
    return bool((module.get("protection") or {}).get("kind", "none") != "none")


def _stated(value: Any) -> Any:
    """A table without what it leaves open: TOML has no null."""
    if isinstance(value, Mapping):
        return {key: _stated(inner) for key, inner in value.items() if inner is not None}
    return [_stated(inner) for inner in value] if isinstance(value, list) else value


def _twin(keys: Sequence[TwinKey]) -> Table:
    """The table, its nested ones last, each key with what is known of it."""
    twin, nested = tomlkit.table(), dict[str, Table]()
    for one in keys:
        name, _, inner = one.key.partition(".")
        where = nested.setdefault(name, tomlkit.table()) if inner else twin
        item = tomlkit.item(one.value if isinstance(one.value, str) else _short(one.value))
        where.add(inner or name, item.comment(_comment(one)))
    for name, table in nested.items():
        twin.add(name, table)
    return twin


def _short(value: float) -> float:
    return float(f"{value:.{DIGITS}g}")


def _comment(one: TwinKey) -> str:
    note = f": {one.note}" if one.note else ""
    u = f", u = {one.u:.2g}" if one.u is not None else ""
    unit = f" [{one.unit}]" if one.unit else ""
    return f"{one.basis}{u}{unit}{note}"
