"""Reads a TOML file of the person and checks it against a described shape.

`bench_file`, `module_file` and `bench` call it. It must not know what a bench or a
module is, nor open anything but the file it is given; whatever is wrong with the file
leaves as one `BadInput`, worded in `mistakes`.
"""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
import re
import tomllib
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, Literal, TypeVar, cast

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError, create_model

from runner.errors import BadInput
from runner.files.mistakes import Mistake, bad_input, dotted, from_pydantic

T = TypeVar("T")

MOST_BYTES = 1_000_000
"""A bench or module file has a few kilobytes; past this it is some other file."""

_UNSHOWN = re.compile("[\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029\\u202a-\\u202e\\u2066-\\u2069]")
"""Control characters, and those that turn the direction of writing: names stand in tables, on
terminals and in the report."""

_STRICT = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)
_EXAMPLES = Path(__file__).parent.parent / "examples"


class Section(BaseModel):
    """Base of every table of a file: strict types, no unknown key, no inf or nan, frozen."""

    model_config = _STRICT


def resolve(name: str | Path, kind: Literal["bench", "module"]) -> Path:
    """The file meant by `name`: `demo` is the shipped example, anything else is a path."""
    return _EXAMPLES / f"demo_{kind}.toml" if str(name) == "demo" else Path(name)


def read(path: str | Path) -> dict[str, Any]:
    """The whole file as a table; raises BadInput if it is absent, unreadable or no TOML."""
    path = Path(path)
    text = _text(path)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadInput(_syntax_message(path, text, str(error))) from None
    except (ValueError, RecursionError) as error:
        raise BadInput(
            f"{path}: is no TOML this program can read ({str(error).partition(';')[0]}); "
            "write plain numbers, and tables nested no deeper than in the shipped example"
        ) from None
    impossible = list(_impossible_values(table))
    if impossible:
        raise bad_input(path, impossible)
    return table


def validate(table: dict[str, Any], shape: type[T], *, file: str | Path, where: str = "") -> T:
    """`table` as a `shape`, a `Section` or a standard dataclass of plain types.

    `where` is the dotted key of the table within `file`. Raises one BadInput that lists
    every mistake: key, what was found, what is allowed, what to do.
    """
    model, data, wrapped = _model_for(shape, table)
    try:
        checked = model.model_validate_json(data) if wrapped else model.model_validate(table)
    except ValidationError as error:
        found = from_pydantic(error, _schema(cast(Any, shape)), table, where, wrapped)
        raise bad_input(file, found) from None
    return checked.value if wrapped else checked  # type: ignore[attr-defined,return-value]


def _model_for(shape: type[T], table: dict[str, Any]) -> tuple[type[BaseModel], str, bool]:
    """A strict model of `shape`.

    Pydantic takes a dataclass from a table only in its JSON mode, and its strictness only
    from a model around it.
    """
    if isinstance(shape, type) and issubclass(shape, BaseModel):
        return shape, "", False
    if not dataclasses.is_dataclass(shape):
        raise TypeError(f"{shape!r} is neither a Section nor a dataclass")
    return _wrapping(shape), json.dumps({"value": table}, default=_plain_time), True


@cache
def _wrapping(shape: Any) -> type[BaseModel]:
    return create_model("Wrapped", __config__=_STRICT, value=(shape, ...))


@cache
def _schema(shape: Any) -> dict[str, Any]:
    return TypeAdapter(shape).json_schema()


def _plain_time(value: object) -> str:
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    raise TypeError(f"{value!r} does not come from a TOML file")


def _text(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            data = stream.read(MOST_BYTES + 1)
    except FileNotFoundError:
        raise BadInput(f"{path}: there is no such file; check the path and the name") from None
    except IsADirectoryError:
        raise BadInput(f"{path}: is a folder; name the TOML file in it") from None
    except (OSError, ValueError) as error:
        if path.is_dir():  # some systems refuse to open a folder with a permission error
            raise BadInput(f"{path}: is a folder; name the TOML file in it") from None
        reason = getattr(error, "strerror", None) or str(error)
        raise BadInput(
            f"{str(path)!r}: cannot be read ({reason}); check the path and its rights"
        ) from None
    if len(data) > MOST_BYTES:
        raise BadInput(
            f"{path}: is larger than {MOST_BYTES} bytes; that is no bench or module file"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadInput(_encoding_message(path, data, error)) from None


def _encoding_message(path: Path, data: bytes, error: UnicodeDecodeError) -> str:
    line = data.count(b"\n", 0, error.start) + 1
    found = data[error.start : error.start + 4]
    guess = " (UTF-16?)" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else ""
    return (
        f"{path}: line {line}: found the bytes {found!r}, not UTF-8 text{guess}; save it as UTF-8"
    )


def _syntax_message(path: Path, text: str, message: str) -> str:
    """The parser's message with line and column in front, and the line itself."""
    place = re.search(r" \(at line (\d+), column (\d+)\)$", message)
    lines = text.split("\n")
    if place:
        line, column = int(place[1]), int(place[2])
        what = message[: place.start()]
    else:
        line, column = len(lines), len(lines[-1]) + 1
        what = message.removesuffix(" (at end of document)")
    shown = lines[line - 1].strip()[:60] if line <= len(lines) else ""
    return f"{path}: line {line}, column {column}: {what}; found {shown!r}; correct the TOML there"


def _impossible_values(value: object, keys: tuple[str | int, ...] = ()) -> Iterator[Mistake]:
    """Numbers no quantity can have and text no screen should show, raw tables included."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _impossible_values(inner, (*keys, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _impossible_values(inner, (*keys, index))
    elif isinstance(value, str) and _UNSHOWN.search(value):
        allowed = "text in one line, without control characters"
        yield Mistake(dotted(keys), repr(value), allowed, "take them out")
    elif isinstance(value, float) and not math.isfinite(value):
        yield Mistake(dotted(keys), repr(value), "a finite number", "write the number itself")
    elif isinstance(value, int) and value.bit_length() > 63:
        found = f"a whole number of {value.bit_length()} bits"
        yield Mistake(dotted(keys), found, "a number of at most 63 bits", "check the digits")
