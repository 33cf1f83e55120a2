"""Reads the text instruments send: numbers, switches, quoted strings, joined replies.

The forms are those of IEEE 488.2-1992 clause 8.7 (NR1, NR2, NR3, string response
data) and the stand-ins for infinity and not-a-number of SCPI-1999 volume 1, 7.2.1.
Called by the roles; every function raises `ValueError` with the text in `repr`
rather than hand on a doubtful value. Nothing here does I/O.
"""

from __future__ import annotations

import re

OVERLOAD = 9.9e37
"""9.9E37 stands for infinity, 9.91E37 for not-a-number: nothing this large is data."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?")
_MEASURED = re.compile(rf"({_NUMBER.pattern})[ \t]*([a-zA-Z]*)")
_DIGITS = re.compile(r"[+-]?[0-9]*\.?([0-9]*)(?:[eE]([+-]?[0-9]+))?")
_PREFIX = {"": 1.0, "U": 1e-6, "M": 1e-3, "K": 1e3}
_SWITCH = {"1": True, "ON": True, "+1": True, "0": False, "OFF": False, "+0": False}


def number(text: str) -> float:
    """Read one NR1, NR2 or NR3 number; overload and not-a-number are errors, never data."""
    if _NUMBER.fullmatch(text) is None:
        text = text.strip(" \t")
        if _NUMBER.fullmatch(text) is None:
            raise ValueError(f"{text!r} is no number")
    value = float(text)
    if not -OVERLOAD < value < OVERLOAD:
        raise ValueError(f"{text!r} is the sign for an overload or for no measurement")
    return value


def measured(text: str, unit: str) -> float:
    """Read a number that carries its unit (`12.003V`, `500 mV`) and return it in `unit`."""
    match = _MEASURED.fullmatch(text.strip(" \t"))
    if match is None:
        raise ValueError(f"{text!r} is no number with a unit")
    found = match[2].upper()
    prefix = found.removesuffix(unit.upper())
    if not found or prefix == found or prefix not in _PREFIX:
        raise ValueError(f"{text!r} is not in {unit}")
    return number(match[1]) * _PREFIX[prefix]


def labelled(text: str, label: str) -> float:
    """Read a number behind its own command header, as in `V1 12.000`."""
    head, _, rest = text.strip(" \t").partition(" ")
    if head.upper() != label.upper():
        raise ValueError(f"{text!r} does not start with {label!r}")
    return number(rest)


def switch(text: str) -> bool:
    """Read `1`, `0`, `ON` or `OFF`."""
    try:
        return _SWITCH[text.strip(" \t").upper()]
    except KeyError:
        raise ValueError(f"{text!r} is neither 1 nor 0") from None


def register(text: str) -> int:
    """Read a status register of up to 16 bits."""
    value = number(text)
    if not value.is_integer() or not 0 <= value <= 0xFFFF:
        raise ValueError(f"{text!r} is no 16-bit register")
    return int(value)


def unquoted(text: str) -> str:
    """Read string response data: quotes off, a doubled quote inside becomes one."""
    text = text.strip(" \t")
    mark = text[:1]
    inside = text[1:-1]
    if len(text) < 2 or mark not in "\"'" or text[-1] != mark:
        raise ValueError(f"{text!r} is no quoted string")
    if mark in inside.replace(mark * 2, ""):
        raise ValueError(f"{text!r} has a stray quote inside")
    return inside.replace(mark * 2, mark)


def fields(reply: str, separator: str = ";") -> list[str]:
    """Split a joined reply at `separator`, but not inside quotes."""
    if '"' not in reply:
        return reply.split(separator)
    found = [""]
    for index, piece in enumerate(reply.split('"')):
        if index % 2:
            found[-1] += f'"{piece}"'
        else:
            head, *more = piece.split(separator)
            found[-1] += head
            found += more
    if reply.count('"') % 2:
        raise ValueError(f"{reply!r} opens a quote and does not close it")
    return found


def error_entry(text: str) -> tuple[int, str]:
    """Read one entry of the error queue, `-222,"Data out of range"`, as (number, text)."""
    code, comma, rest = text.partition(",")
    value = number(code)
    if not value.is_integer() or not -32768 <= value <= 32767:
        raise ValueError(f"{text!r} does not start with an error number")
    return int(value), unquoted(rest) if comma else ""


def last_digit(text: str) -> float:
    """Give the worth of the last digit written: 0.001 for `12.000`, 0.1 for `1.2E+0`."""
    match = _DIGITS.match(text.strip(" \t"))
    if match is None:
        raise ValueError(f"{text!r} is no number")
    return float(10.0 ** (int(match[2] or 0) - len(match[1])))
