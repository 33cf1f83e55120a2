"""A row of a dialect, the kinds of parameter it takes, and the tree of headers.

The boxes' tables are written with these; `scpi` compiles messages along the tree. The
rules are those of SCPI-1999 volume 1, chapters 5 and 6. Nothing here runs a command.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import product
from typing import Any, Literal

from sim.instruments import grammar
from sim.instruments.status import ScpiError

Style = Literal["single", "select", "list", "suffix"]  # how a message names a channel


@dataclass(frozen=True, slots=True)
class Limits:
    """What a setting may be [its unit], what DEF means, how many decimals its reply shows."""

    least: float
    most: float
    default: float
    decimals: int = 4


@dataclass(frozen=True, slots=True)
class Number:
    """A numeric parameter with a unit and limits that may depend on the target's state."""

    unit: str
    limits: Callable[[Any], Limits]

    def parse(self, text: str) -> float | str:
        """Read the text; limits are looked up when the command runs."""
        return grammar.number_or_limit(text, self.unit)

    def resolve(self, target: Any, value: float | str, text: str) -> float:
        """Return the value to set; raise -222 outside the limits."""
        limits = self.limits(target)
        if isinstance(value, str):
            return {"MIN": limits.least, "MAX": limits.most, "DEF": limits.default}[value]
        if not limits.least - 1e-12 <= value <= limits.most + 1e-12:
            raise ScpiError(-222, text)
        return round(value, limits.decimals) + 0.0  # no negative nought

    def show(self, target: Any, value: float) -> str:
        """Return the value as the box sends it."""
        return f"{value:.{self.limits(target).decimals}f}"


@dataclass(frozen=True, slots=True)
class Plain:
    """A parameter that needs no state to be understood: a switch, a word, a mask, a string."""

    parse: Callable[[str], Any]
    show_value: Callable[[Any], str] = str

    def resolve(self, target: Any, value: Any, text: str) -> Any:
        """Return the value as it is."""
        return value

    def show(self, target: Any, value: Any) -> str:
        """Return the value as the box sends it."""
        return self.show_value(value)


SWITCH = Plain(grammar.switch, lambda on: "1" if on else "0")
TEXT = Plain(grammar.quoted, lambda text: '"' + text.replace('"', '""') + '"')


def mask(most: int) -> Plain:
    """Return an integer parameter 0..most."""
    return Plain(partial(grammar.whole, most=most))


def word(*words: str) -> Plain:
    """Return a parameter that is one of `words`, written `CURRent`."""
    return Plain(partial(grammar.choice, words=words))


@dataclass(frozen=True, slots=True)
class Command:
    """One row of a dialect.

    `apply(target, value)` obeys, `answer(target)` replies; either may be missing. Without an
    `argument`, `apply` takes the target alone, or with `free` the list of parameters, and
    `answer` with `free` likewise. `on_box` rows act on the box, others on its channel;
    a `#` in the header takes a channel number where the style or `numbered` says so.
    """

    header: str
    argument: Number | Plain | None = None
    apply: Callable[..., None] | None = None
    answer: Callable[..., Any] | None = None
    free: bool = False
    on_box: bool = False
    numbered: bool = False


@dataclass(slots=True)
class Node:
    """A place in the tree of headers."""

    children: dict[str, Node] = field(default_factory=dict)
    command: Command | None = None
    numbered: bool = False


def grow(commands: Sequence[Command], style: Style) -> Node:
    """Build the tree; optional mnemonics may be left out, each has its short and long form."""
    root = Node()
    for command in commands:
        numbered = command.numbered or style == "suffix"
        for mnemonics in _spellings(command.header):
            node = root
            for mnemonic in mnemonics:
                node = _grow_one(node, mnemonic, numbered)
            node.command = command
    return root


def _spellings(header: str) -> Iterator[list[str]]:
    """Yield the header with and without each optional mnemonic."""
    parts = header.replace("[", ":[").replace(":]", "]:").replace("[:", "[").split(":")
    options = []
    for part in filter(None, parts):
        bare = part.strip("[]")
        options.append(((bare,), ()) if part.startswith("[") else ((bare,),))
    for picked in product(*options):
        yield [mnemonic for one in picked for mnemonic in one]


def _grow_one(node: Node, mnemonic: str, numbered: bool) -> Node:
    bare = mnemonic.rstrip("#")
    short = grammar.short_form(bare)
    child = node.children.get(short) or Node()
    child.numbered |= numbered and mnemonic.endswith("#")
    node.children[short] = node.children[bare.upper()] = child
    return child


def walk(node: Node, number: int, unit: grammar.Unit) -> tuple[tuple[Node, int], tuple[Node, int]]:
    """Follow a header; return the path the next unit starts from, and the place reached."""
    path = (node, number)
    for mnemonic in unit.header:
        path = (node, number)
        child = node.children.get(mnemonic)
        if child is None:
            bare = mnemonic.rstrip("0123456789")
            child = node.children.get(bare)
            if child is None:
                raise ScpiError(-113, unit.text)
            digits = mnemonic[len(bare) :]
            if not child.numbered or len(digits) > 4 or int(digits) == 0:
                raise ScpiError(-114 if child.numbered else -113, unit.text)
            number = int(digits)
        node = child
    return path, (node, number)
