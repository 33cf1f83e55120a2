"""Finds a sequence by name or path, loads it, and turns its parameters into options.

A sequence is a Python file with a generator function `sequence(setup, ...)`. Its
docstring is its description; each further parameter, annotated with an `Option`, is
an option of the run. The file is loaded by its path and never put on the import path.
"""

from __future__ import annotations

import importlib.util
import inspect
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.metadata import entry_points
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any, get_args, get_origin, get_type_hints

from runner.errors import BadInput
from runner.options import Option, Setup
from runner.steps import Steps

ENTRY_POINTS = "ampworth.sequences"
_KINDS = {int: "a whole number", float: "a number", str: "a text", bool: "yes or no"}


@dataclass(frozen=True, slots=True)
class Parameter:
    """One option of a sequence; `many` means a comma-separated list of numbers."""

    name: str
    kind: type
    many: bool
    default: Any
    option: Option

    @property
    def flag(self) -> str:
        """The option as typed on the command line."""
        return "--" + self.name.replace("_", "-")

    def parse(self, text: str) -> Any:
        """Turn the option's text into a value within its bounds; raise BadInput."""
        if self.many:
            parts = [part for part in text.split(",") if part.strip()]
            return tuple(self._one(part.strip()) for part in parts)
        return self._one(text.strip())

    def _one(self, text: str) -> Any:
        try:
            value = _YES_NO[text.lower()] if self.kind is bool else self.kind(text)
        except (ValueError, KeyError):
            raise BadInput(
                f"{self.flag}: found {text!r}, allowed is {_KINDS[self.kind]}"
                f"{' in ' + self.option.unit if self.option.unit else ''}"
            ) from None
        self._check(value)
        return value

    def _check(self, value: Any) -> None:
        option = self.option
        if option.choices and value not in option.choices:
            raise BadInput(f"{self.flag}: found {value!r}, allowed: {', '.join(option.choices)}")
        if isinstance(value, float) and not abs(value) < float("inf"):
            raise BadInput(f"{self.flag}: found {value!r}, allowed is a finite number")
        unit = f" {option.unit}" if option.unit else ""
        if option.at_least is not None and value < option.at_least:
            raise BadInput(f"{self.flag}: found {value:g}, at least {option.at_least:g}{unit}")
        if option.at_most is not None and value > option.at_most:
            raise BadInput(f"{self.flag}: found {value:g}, at most {option.at_most:g}{unit}")


_YES_NO = {"yes": True, "true": True, "1": True, "no": False, "false": False, "0": False}


@dataclass(frozen=True, slots=True)
class Sequence:
    """A loaded sequence: where it lies, what it says of itself, its parameters."""

    name: str
    path: Path
    description: str
    parameters: tuple[Parameter, ...]
    function: Callable[..., Steps]

    def values(self, texts: Mapping[str, str]) -> dict[str, Any]:
        """Every parameter's value: from its text where given, else its default."""
        return {
            p.name: p.parse(texts[p.name]) if p.name in texts else p.default
            for p in self.parameters
        }

    def start(self, setup: Setup, values: Mapping[str, Any]) -> Steps:
        """A fresh generator of steps."""
        return self.function(setup, **values)


def shipped() -> dict[str, Path]:
    """The sequences that ship, and those that installed packages offer, by name."""
    spec = importlib.util.find_spec("sequences")
    folders = [Path(p) for p in spec.submodule_search_locations or []] if spec else []
    found = {
        path.stem: path
        for folder in folders
        for path in sorted(folder.glob("*.py"))
        if not path.stem.startswith("_")
    }
    for point in entry_points(group=ENTRY_POINTS):
        module = importlib.util.find_spec(point.value.partition(":")[0])
        if module and module.origin:
            found.setdefault(point.name, Path(module.origin))
    return found


def find(name: str) -> Path:
    """The path of a sequence given by shipped name or by file. Raises BadInput."""
    known = shipped()
    if name in known:
        return known[name]
    path = Path(name)
    if path.is_file():
        return path.resolve()
    near = get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise BadInput(
        f"sequence {name!r}: neither a file nor one that ships ({', '.join(sorted(known))}){hint}"
    )


def load(name: str) -> Sequence:
    """Load a sequence. Raises BadInput with the file's own line for any mistake in it."""
    path = find(name)
    module = _import(path)
    function = getattr(module, "sequence", None)
    if not inspect.isgeneratorfunction(function):
        raise BadInput(
            f"{path}: found no generator function `sequence(setup, ...)`; "
            "`ampworth new sequence FILE` writes one to start from"
        )
    description = inspect.getdoc(module) or inspect.getdoc(function) or ""
    return Sequence(path.stem, path, description, _parameters(path, function), function)


def _import(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"ampworth_sequence_{path.stem}", path)
    if spec is None or spec.loader is None:
        raise BadInput(f"{path}: a sequence is a Python file, its name ends in .py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses in the file look their module up
    try:
        spec.loader.exec_module(module)
    except SyntaxError as error:
        raise BadInput(f"{path}, line {error.lineno}: {error.msg}: {error.text or ''}") from error
    except (Exception, SystemExit) as error:  # the sequence is somebody's own code
        raise BadInput(mistake(path, error)) from error
    return module


def mistake(path: Path, error: BaseException) -> str:
    """Name the sequence's own line in which an exception arose."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if f.filename == str(path)]
    where = f", line {frames[-1].lineno}: {frames[-1].line}" if frames else ""
    said = "".join(traceback.format_exception_only(error)).strip()  # even if str(error) fails
    return f"{path}{where}: {said}"


def _parameters(path: Path, function: Callable[..., Steps]) -> tuple[Parameter, ...]:
    try:
        hints = get_type_hints(function, include_extras=True)
    except Exception as error:  # an annotation is somebody's own code too
        raise BadInput(mistake(path, error)) from error
    declared = list(inspect.signature(function).parameters.values())
    if not declared:
        raise BadInput(f"{path}: `sequence()` takes nothing; write `def sequence(setup: Setup)`")
    return tuple(_parameter(path, p, hints.get(p.name)) for p in declared[1:])


def _parameter(path: Path, declared: inspect.Parameter, hint: Any) -> Parameter:
    inner, option = hint, Option("")
    if get_origin(hint) is Annotated:
        inner, *extras = get_args(hint)
        option = next((extra for extra in extras if isinstance(extra, Option)), option)
    many = get_origin(inner) is tuple
    kind = get_args(inner)[0] if many else inner
    if kind not in _KINDS or declared.default is inspect.Parameter.empty:
        raise BadInput(
            f"{path}: parameter {declared.name!r} is {declared}; allowed is int, float, str, bool "
            'or tuple[float, ...] with a default, as in `points: Annotated[int, Option("...")] = 9`'
        )
    values = declared.default if many else (declared.default,)
    if not isinstance(values, tuple) or not all(_is_a(kind, value) for value in values):
        raise BadInput(
            f"{path}: parameter {declared.name!r}: found the default {declared.default!r}; allowed "
            f"is {'a tuple, each of its values ' if many else ''}{_KINDS[kind]}"
        )
    return Parameter(declared.name, kind, many, declared.default, option)


def _is_a(kind: type, value: object) -> bool:
    """Whether a default is of its parameter's kind; a whole number will do for a number."""
    if kind is float:
        return isinstance(value, int | float) and not isinstance(value, bool)
    return type(value) is kind
