"""The grammar of program messages: units, headers, numbers, switches, strings, channel lists.

IEEE 488.2-1992 chapter 7 and SCPI-1999 volume 1 chapters 6 and 7. `scpi` compiles messages
with it. Everything raises `ScpiError` with the code the standard gives; nothing here acts.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from sim.instruments.status import ScpiError

_HEADER = re.compile(r"(?:\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)\??", re.ASCII)
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[eE]\s*[+-]?\d+)?)\s*([A-Za-z]*)", re.ASCII)
_EXPONENT = re.compile(r"[eE]\s*([+-]?\d+)", re.ASCII)
_RADIX = {"#H": 16, "#Q": 8, "#B": 2}
_RADIX_FORM = re.compile(r"#(?:H[0-9A-F]{1,12}|Q[0-7]{1,16}|B[01]{1,48})", re.ASCII | re.I)
_MULTIPLIER = {"": 1.0, "K": 1e3, "M": 1e-3, "U": 1e-6}
_SPAN = r"\d{1,4}(?:\s*:\s*\d{1,4})?"
_CHANNELS = re.compile(rf"\(@\s*({_SPAN}(?:\s*,\s*{_SPAN}){{0,999}})\s*\)", re.ASCII)
_WORD = re.compile(r"[A-Za-z]\w*", re.ASCII)
LARGEST_EXPONENT = 32000  # SCPI-1999 volume 2, 21.8.9 (-123)
LIMIT_WORDS = {
    "MIN": "MIN",
    "MINIMUM": "MIN",
    "MAX": "MAX",
    "MAXIMUM": "MAX",
    "DEF": "DEF",
    "DEFAULT": "DEF",
}


class Unit(NamedTuple):
    """One program message unit: header mnemonics in upper case, whether it asks, parameters."""

    header: tuple[str, ...]
    rooted: bool
    common: bool
    asks: bool
    parameters: list[str]
    text: str


def split(text: str, separator: str) -> list[str]:
    """Split at a separator that stands outside quotes and brackets; parts come stripped."""
    parts, start, quote, depth = [], 0, "", 0
    for at, char in enumerate(text):
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char in "()":
            depth += 1 if char == "(" else -1
        elif char == separator and depth <= 0:
            parts.append(text[start:at].strip())
            start = at + 1
    parts.append(text[start:].strip())
    return parts


def parse_unit(text: str) -> Unit:
    """Take one unit apart; raise -101, -102, -103 or -151."""
    if any(not (" " <= char <= "~" or char == "\t") for char in text):
        raise ScpiError(-101, text)
    head, _, tail = text.replace("\t", " ").partition(" ")
    if not _HEADER.fullmatch(head):
        raise ScpiError(-103 if re.match(r"[:*\w]+\??[,=]", head) else -102, text)
    if _left_open(tail):
        raise ScpiError(-151, text)
    parameters = split(tail.strip(), ",") if tail.strip() else []
    if "" in parameters:
        raise ScpiError(-102, text)
    asks = head.endswith("?")
    bare = head.rstrip("?").upper()
    return Unit(
        tuple(bare.lstrip(":").split(":")),
        bare.startswith(":"),
        bare.startswith("*"),
        asks,
        parameters,
        text,
    )


def number(text: str, unit: str) -> float:
    """Read <DECIMAL NUMERIC PROGRAM DATA> with an optional unit, in that unit's base.

    Raises -104 when it is no number, -123, -131 and -138.
    """
    if _RADIX_FORM.fullmatch(text):
        return float(int(text[2:], _RADIX[text[:2].upper()]))
    if text.upper() in ("INF", "INFINITY"):
        return 9.9e37  # SCPI-1999 volume 1, 7.2.1.5
    match = _NUMBER.fullmatch(text)
    if not match:
        raise ScpiError(-104, text)
    digits, suffix = match.groups()
    exponent = _EXPONENT.search(digits)
    if exponent and abs(int(exponent[1][:7])) > LARGEST_EXPONENT:
        raise ScpiError(-123, text)
    return float("".join(digits.split())) * _factor(suffix.upper(), unit, text)


def _left_open(text: str) -> bool:
    quote = ""
    for char in text:
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
    return bool(quote)


def _factor(suffix: str, unit: str, text: str) -> float:
    """Return the multiplier of a suffix: `MV` is milli, but `MOHM` is mega (SCPI-1999 7.2.2)."""
    if not suffix:
        return 1.0
    if not unit:
        raise ScpiError(-138, text)
    if suffix == "MOHM" == "M" + unit:
        return 1e6
    if not suffix.endswith(unit) or suffix[: -len(unit)] not in _MULTIPLIER:
        raise ScpiError(-131, text)
    return _MULTIPLIER[suffix[: -len(unit)]]


def number_or_limit(text: str, unit: str) -> float | str:
    """Read a number, or MIN, MAX, DEF as their short forms."""
    return LIMIT_WORDS.get(text.upper()) or number(text, unit)


def switch(text: str) -> bool:
    """Read <Boolean>: ON, OFF, or a number that rounds to zero or not (SCPI-1999 7.3)."""
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    value = number(text, "")
    return abs(value) >= 0.5


def whole(text: str, most: int) -> int:
    """Read an integer within 0..most, rounding as IEEE 488.2-1992 10.10 asks; raises -222."""
    value = number(text, "")
    if not -0.5 <= value < most + 0.5:
        raise ScpiError(-222, text)
    return round(value)


def choice(text: str, words: tuple[str, ...]) -> str:
    """Read one of `words` (written `CURRent`), in either form; return its short form."""
    if not _WORD.fullmatch(text):
        raise ScpiError(-104, text)
    for word in words:
        if text.upper() in (short_form(word), word.upper()):
            return short_form(word)
    raise ScpiError(-224, text)


def quoted(text: str) -> str:
    """Read <STRING PROGRAM DATA>, doubled quotes undone; raises -104 when it is not quoted."""
    if len(text) < 2 or text[0] not in "\"'" or text[-1] != text[0]:
        raise ScpiError(-104, text)
    return text[1:-1].replace(text[0] * 2, text[0])


def channel_list(text: str) -> tuple[int, ...]:
    """Read `(@101,103:105)`; raises -104 when it is none, -222 when empty or endless."""
    match = _CHANNELS.fullmatch(text)
    if not match:
        raise ScpiError(-104, text)
    channels: list[int] = []
    for part in match[1].split(","):
        first, _, last = part.partition(":")
        channels += range(int(first), int(last or first) + 1)
    if not 0 < len(channels) <= 999:
        raise ScpiError(-222, text)
    return tuple(channels)


def short_form(word: str) -> str:
    """Return the capitals of a mnemonic: VOLTage -> VOLT."""
    return "".join(char for char in word if not char.islower())
