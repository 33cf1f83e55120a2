"""Turns what is wrong in a person's file into sentences the person can act on.

Called by `toml_file`, `bench_file` and `module_file`. Works on the JSON schema of the
expected shape, so it must not know any key by name; units come from the end of a name.
"""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runner.errors import BadInput
from runner.files.unit_names import respelt, unit_of, value_with_unit

if TYPE_CHECKING:
    from pydantic import ValidationError

Schema = Mapping[str, Any]
Keys = tuple[str | int, ...]
_ABSENT = object()
MOST_KEYS_SHOWN = 10


@dataclass(frozen=True, slots=True)
class Mistake:
    """One wrong thing: dotted key, what was found (repr), what is allowed, what to do."""

    where: str
    found: str
    allowed: str
    advice: str = ""

    def __str__(self) -> str:
        """One line, without the file."""
        advice = f"; {self.advice}" if self.advice else ""
        return f"{self.where}: found {self.found}; allowed: {self.allowed}{advice}"


def bad_input(file: str | Path, mistakes: Iterable[Mistake]) -> BadInput:
    """One error for all mistakes of a file."""
    lines = list(dict.fromkeys(str(mistake) for mistake in mistakes))
    if len(lines) == 1:
        return BadInput(f"{file}: {lines[0]}")
    return BadInput("\n  ".join([f"{file}: {len(lines)} mistakes", *lines]))


def dotted(keys: Iterable[str | int]) -> str:
    """The key as TOML writes it, with an index for the entry of a list: `claims[1].vin_v`."""
    text = ""
    for key in keys:
        if isinstance(key, int):
            text += f"[{key}]"
        else:
            bare = (
                key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key, ensure_ascii=False)
            )
            text += f".{bare}" if text else bare
    return text


def shown(value: object) -> str:
    """The repr of a value of a file, cut to a readable length."""
    if isinstance(value, dict):
        keys = ", ".join(dotted([key]) for key in list(value)[:4])
        return f"a table ({keys}{', ...' if len(value) > 4 else ''})"
    text = repr(value)
    return text if len(text) <= 80 else f"{text[:77]}..."


def from_pydantic(
    error: ValidationError, schema: Schema, table: object, where: str, wrapped: bool
) -> Iterator[Mistake]:
    """Every mistake that pydantic found in `table`, which stands at `where` in its file."""
    for detail in error.errors(include_url=False, include_input=False):
        loc = detail["loc"][1:] if wrapped else detail["loc"]
        place = _trace(schema, table, loc)
        ctx = detail.get("ctx", {})
        yield _mistake(schema, place, detail["type"], detail["msg"], ctx, where)


# ---------------------------------------------------------------- where it stands


@dataclass(frozen=True, slots=True)
class _Place:
    """A key of the file: its path, its schema, the schema of the table it stands in, its value."""

    keys: Keys
    schema: Schema
    table: Schema
    value: object

    @property
    def name(self) -> str:
        """The last key that is a name; the entries of a list go by the list's name."""
        return next((key for key in reversed(self.keys) if isinstance(key, str)), "")


def _trace(root: Schema, table: object, loc: Iterable[str | int]) -> _Place:
    """Follow pydantic's location; the tags of unions in it are no keys of the file."""
    place = _Place((), root, {}, table)
    tag_next = False
    for part in loc:
        if tag_next or (part == "[key]" and _inner_value(place.value, part) is _ABSENT):
            tag_next = False
            continue
        schema = _chosen(root, place.schema, place.value)
        inner = _inner_schema(schema, part)
        value = _inner_value(place.value, part)
        if value is _ABSENT and not inner and "properties" not in schema:
            continue
        place = _Place((*place.keys, part), inner, schema, value)
        tag_next = "discriminator" in _plain(root, inner)
    return place


def _plain(root: Schema, schema: Schema) -> Schema:
    """Without references, and without the null that a missing key stands for."""
    while True:
        if "$ref" in schema:
            described = {key: schema[key] for key in ("description",) if key in schema}
            schema = {**root["$defs"][schema["$ref"].rpartition("/")[2]], **described}
            continue
        options = [option for option in schema.get("anyOf", ()) if option.get("type") != "null"]
        if len(options) != 1:
            return schema
        outside = {key: schema[key] for key in ("description",) if key in schema}
        schema = {**options[0], **outside}


def _chosen(root: Schema, schema: Schema, value: object) -> Schema:
    """The variant of a union that the value says it is."""
    schema = _plain(root, schema)
    if "discriminator" not in schema or not isinstance(value, dict):
        return schema
    tag = value.get(schema["discriminator"]["propertyName"])
    reference = schema["discriminator"]["mapping"].get(tag) if isinstance(tag, str) else None
    return _plain(root, {"$ref": reference}) if reference else schema


def _inner_schema(schema: Schema, part: str | int) -> Schema:
    if isinstance(part, int):
        items = schema.get("items", {})
        return items if isinstance(items, dict) else {}
    inner = schema.get("properties", {}).get(part, schema.get("additionalProperties"))
    return inner if isinstance(inner, dict) else {}


def _inner_value(value: object, part: str | int) -> object:
    if isinstance(value, dict):
        return value.get(part, _ABSENT)
    if isinstance(value, list) and isinstance(part, int) and part < len(value):
        return value[part]
    return _ABSENT


# ----------------------------------------------------------------- what is allowed


def _allowed(root: Schema, schema: Schema, name: str) -> str:
    """What may stand there, in words, with the unit that the key's name ends in."""
    schema = _chosen(root, schema, None)
    described = f" ({schema['description']})" if _is_value(schema) else ""
    return _kind(root, schema, name) + described


def _is_value(schema: Schema) -> bool:
    """Whether the description speaks of the key, and is not the docstring of a class."""
    return "description" in schema and schema.get("type") != "object"


def _kind(root: Schema, schema: Schema, name: str) -> str:
    choices = [schema["const"]] if "const" in schema else schema.get("enum")
    if choices:
        return f"one of {', '.join(json.dumps(choice) for choice in choices)}"
    if "discriminator" in schema:
        return f"a table with its {schema['discriminator']['propertyName']}"
    match schema.get("type"):
        case "number" | "integer":
            noun = "a number" if schema["type"] == "number" else "a whole number"
            unit = unit_of(name)
            return ", ".join([noun + (f" in {unit}" if unit else ""), *_bounds(schema)])
        case "boolean":
            return "true or false"
        case "array":
            return f"a list, each entry {_kind(root, _plain(root, schema.get('items', {})), name)}"
        case "object":
            keys = ", ".join(schema.get("properties", ()))
            return f"a table with the keys {keys}" if keys else "a table"
        case "string" if schema.get("format") == "date":
            return "a date as 2026-06-21, without quotes"
        case "string":
            return "text in quotes" + (", not empty" if schema.get("minLength") else "")
    return "another value"


def _bounds(schema: Schema) -> Iterator[str]:
    words = {
        "exclusiveMinimum": "above",
        "minimum": "at least",
        "exclusiveMaximum": "below",
        "maximum": "at most",
    }
    return (f"{word} {schema[key]:g}" for key, word in words.items() if key in schema)


# -------------------------------------------------------------------- the sentences


def _mistake(
    root: Schema, place: _Place, kind: str, message: str, ctx: Mapping[str, Any], where: str
) -> Mistake:
    at = _at(where, place.keys)
    if kind in ("extra_forbidden", "unexpected_keyword_argument"):
        return _unknown_key(root, place, at)
    if kind == "missing":
        allowed = _allowed(root, place.schema, place.name)
        return Mistake(at, "no such key", allowed, _missing_advice(root, place))
    if kind in ("union_tag_invalid", "union_tag_not_found"):
        return _wrong_tag(_plain(root, place.schema), place, where)
    if kind in ("value_error", "assertion_error"):
        return Mistake(at, shown(place.value), message.partition(", ")[2] or message)
    allowed = _allowed(root, place.schema, place.name)
    return Mistake(at, shown(place.value), allowed, _value_advice(root, place))


def _at(where: str, keys: Keys) -> str:
    inner = dotted(keys)
    return inner if not where else f"{where}.{inner}" if inner else where


def _missing_advice(root: Schema, place: _Place) -> str:
    kind = _plain(root, place.schema).get("type")
    name = dotted(place.keys)
    return f"add the table [{name}]" if kind == "object" else f"add {dotted([place.name])} = ..."


def _wrong_tag(schema: Schema, place: _Place, where: str) -> Mistake:
    tag, choices = schema["discriminator"]["propertyName"], list(schema["discriminator"]["mapping"])
    at = _at(where, (*place.keys, tag))
    allowed = f"one of {', '.join(json.dumps(choice) for choice in choices)}"
    value = place.value.get(tag, _ABSENT) if isinstance(place.value, dict) else _ABSENT
    if value is _ABSENT:
        return Mistake(at, "no such key", allowed, f"add {tag} = ...")
    return Mistake(at, shown(value), allowed, _nearest_choice(value, choices))


def _unknown_key(root: Schema, place: _Place, at: str) -> Mistake:
    """An unknown key, and the one that was probably meant."""
    name, known = str(place.keys[-1]), list(place.table.get("properties", ()))
    if isinstance(place.value, dict):
        found = f"an unknown key with {shown(place.value)}"
    else:
        found = f"the unknown key {dotted([name])} = {shown(place.value)}"
    advice = _likely_key(root, name, place.value, known)
    if advice != "remove it" and len(known) > MOST_KEYS_SHOWN:
        known = [*difflib.get_close_matches(name, known, n=5, cutoff=0.0), "..."]
    return Mistake(at, found, f"the keys {', '.join(known)}", advice)


def _likely_key(root: Schema, name: str, value: object, known: list[str]) -> str:
    """What to write instead: right unit, then right place, then nearest spelling."""
    respelling = respelt(name, value, known)
    if respelling:
        return respelling
    with_unit = [key for key in known if key.startswith(f"{name}_") and unit_of(key)]
    if with_unit:
        return f"add the unit to the name: {' or '.join(with_unit)}"
    homes = [home for home in _homes(root, name) if home]
    if homes:
        return f"{name} belongs under [{homes[0]}]"
    folded = {key.lower(): key for key in known}
    near = difflib.get_close_matches(name.lower(), folded, n=1, cutoff=0.6)
    return f"did you mean {folded[near[0]]}?" if near else "remove it"


def _homes(root: Schema, name: str, schema: Schema | None = None, at: str = "") -> Iterator[str]:
    """The tables of the file, by dotted name, that know this key."""
    schema = _plain(root, root if schema is None else schema)
    for key, inner in schema.get("properties", {}).items():
        if key == name:
            yield at
        if _plain(root, inner).get("type") == "object":
            yield from _homes(root, name, inner, f"{at}.{key}" if at else key)


def _value_advice(root: Schema, place: _Place) -> str:
    schema, value, name = _plain(root, place.schema), place.value, place.name
    if "enum" in schema or "const" in schema:
        return _nearest_choice(value, schema.get("enum", [schema.get("const")]))
    if schema.get("type") in ("number", "integer") and isinstance(value, str):
        return value_with_unit(name, value)
    if schema.get("type") == "array" and isinstance(value, dict):
        return f"put it in a list: {name} = [{{ ... }}]"
    if schema.get("type") == "boolean" and str(value).lower() in ("on", "yes", "true", "1"):
        return f"write {name} = true"
    return f"correct {dotted([name])}" if name else "correct it"


def _nearest_choice(value: object, choices: list[Any]) -> str:
    words = {str(choice).lower(): choice for choice in choices}
    near = difflib.get_close_matches(str(value).lower(), words, n=1, cutoff=0.4)
    return f"did you mean {json.dumps(words[near[0]])}?" if near else "choose one of these"
