"""Writes a table as TOML and changes one thing in it, for tests that spoil a file."""

from __future__ import annotations

import copy
import datetime
import json
import re
from collections.abc import Iterator
from typing import Any

Keys = tuple[str | int, ...]


def toml_text(table: dict[str, Any]) -> str:
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items())


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else _quoted(key)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, str):
        return _quoted(value)
    return value.isoformat() if isinstance(value, datetime.date) else repr(value)


def paths(value: Any, at: Keys = ()) -> Iterator[Keys]:
    """Every key and list entry below `value`."""
    inner = value.items() if isinstance(value, dict) else enumerate(value)
    for key, below in inner:
        yield (*at, key)
        if isinstance(below, dict | list):
            yield from paths(below, (*at, key))


def changed(table: dict[str, Any], at: Keys, value: Any) -> dict[str, Any]:
    """A copy with another value at a path."""
    table = copy.deepcopy(table)
    _parent(table, at)[at[-1]] = value
    return table


def without(table: dict[str, Any], at: Keys) -> dict[str, Any]:
    """A copy without what stands at a path."""
    table = copy.deepcopy(table)
    del _parent(table, at)[at[-1]]
    return table


def renamed(table: dict[str, Any], at: Keys, name: str) -> dict[str, Any]:
    """A copy with another name for the key at a path."""
    table = copy.deepcopy(table)
    parent = _parent(table, at)
    parent[name] = parent.pop(at[-1])
    return table


def _parent(table: Any, at: Keys) -> Any:
    for key in at[:-1]:
        table = table[key]
    return table
