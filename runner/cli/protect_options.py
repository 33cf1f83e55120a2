"""The options of `ampworth protect` that need more than a word: numbers, and which part is meant.

A part's keys are those of `[protection]` in a module file, by `--set` as TOML has them. Called by
the command; raises BadInput with the option's name.
"""

from __future__ import annotations

import argparse
import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import BadInput

if TYPE_CHECKING:
    from runner.report.protection import Asked, Front


def within(
    options: argparse.Namespace, name: str, least: float, most: float, unit: str, absent: float
) -> float:
    """The number of an option, `absent` where it was not given. Raises BadInput."""
    given: float | None = getattr(options, name)
    if given is None:
        return absent
    if not least <= given <= most:
        flag = "--" + name.replace("_", "-")
        raise BadInput(f"{flag}: found {given!r}; allowed: {least:g} to {most:g} {unit}")
    return given


def numbers(options: argparse.Namespace, name: str, absent: tuple[float, ...]) -> tuple[float, ...]:
    """The numbers of an option, all above 0; `absent` where it was not given. Raises BadInput."""
    text: str | None = getattr(options, name)
    if text is None:
        return absent
    flag, unit = "--" + name.replace("_", "-"), name[-1].upper()
    try:
        found = tuple(float(one) for one in text.split(","))
    except ValueError:
        raise BadInput(
            f"{flag}: found {text!r}; allowed: numbers in {unit}, with commas between"
        ) from None
    if not all(0.0 < one < math.inf for one in found):
        raise BadInput(f"{flag}: found {text!r}; allowed: numbers above 0 {unit}")
    return found


# ------------------------------------------------------------------------------ the parts


def fronts_asked(
    options: argparse.Namespace, module: Mapping[str, Any], asked: Asked
) -> list[Front]:
    """The parts asked for: options, else those of the file, else every kind there is."""
    from runner import fronts

    tolerance_pct = within(options, "tolerance_pct", 0.0, 90.0, "%", -1.0)
    tolerance = None if tolerance_pct < 0.0 else tolerance_pct / 100.0
    sections = _sections(options, module)
    return [
        fronts.front(fronts.section(kind, keys, told), Path(told), module, asked.place, tolerance)
        for kind, keys, told in sections
    ]


Keys = dict[str, Any]


def _sections(
    options: argparse.Namespace, module: Mapping[str, Any]
) -> list[tuple[str, Keys, str]]:
    """Kind, keys, and where they come from, for each part."""
    from runner import fronts
    from runner.report.protection import fitted_protection

    own, told = dict(module.get("protection") or {}), options.module or "demo"
    if options.measured is not None:
        own, told = fitted_protection(options.measured), str(options.measured)
        if options.kind and options.kind != [own["kind"]]:
            raise BadInput(
                f"--kind {options.kind[0]}: {options.measured} was measured with {own['kind']!r}"
            )
    fitted = {key: value for key, value in own.items() if value is not None}
    fitted_kind = fitted.pop("kind", "none")
    kinds = options.kind or ([fitted_kind] if fitted_kind != "none" else list(fronts.KINDS))
    changed = _changed(options, kinds)
    return [
        (
            kind,
            _merged(fitted if kind == fitted_kind else {}, changed),
            "--set" if changed else told,
        )
        for kind in kinds
    ]


def _changed(options: argparse.Namespace, kinds: list[str]) -> Keys:
    """The keys given as options; they need one kind to belong to."""
    from runner import fronts

    keys: Keys = {}
    for text in options.set:
        keys = _merged(keys, _key_value(text))
    if (options.drop_v is None) != (options.drop_at_a is None):
        raise BadInput("--drop-v and --drop-at-a: found one of them; a drop is told at a current")
    if options.drop_v is not None:
        if kinds != ["schottky"]:
            raise BadInput(f"--drop-v: belongs to --kind schottky, found {', '.join(kinds)}")
        drop_v = within(options, "drop_v", 0.05, 5.0, "V", 0.0)
        at_a = within(options, "drop_at_a", 1e-6, 2000.0, "A", 0.0)
        keys = fronts.through(keys, drop_v, at_a)
    if keys and len(kinds) != 1:
        raise BadInput(f"--set: belongs to one part, found {len(kinds)}; name it with --kind")
    return keys


def _key_value(text: str) -> Keys:
    """One `key=value` as a TOML file would have it, dots included."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise BadInput(
            f"--set: found {text!r}; allowed: a key of [protection] and its value, such as "
            "p_channel_ohm=0.012 or diode.series_ohm=0.02"
        ) from None


def _merged(table: Mapping[str, Any], changes: Mapping[str, Any]) -> Keys:
    """A table with changes, nested ones key by key."""
    merged = dict(table)
    for key, value in changes.items():
        before = merged.get(key)
        both = isinstance(before, Mapping) and isinstance(value, Mapping)
        merged[key] = _merged(before, value) if both else value  # type: ignore[arg-type]
    return merged
