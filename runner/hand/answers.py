"""What a person typed, as a number in the unit that was asked for.

Called by the steps that ask; pure. Takes what people write, a unit or a milli in front of
it, a decimal comma; what could be read in two ways is refused with one clear line.
"""

from __future__ import annotations

import re
from typing import Literal

Unit = Literal["V", "A", "°C"]

_FORM = re.compile(r"([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+))\s*([^0-9\s.,+-][^0-9]*)?")
_UNITS: dict[Unit, dict[str, float]] = {
    "V": {"": 1.0, "V": 1.0, "v": 1.0, "volt": 1.0, "volts": 1.0, "mV": 1e-3, "mv": 1e-3},
    "A": {"": 1.0, "A": 1.0, "a": 1.0, "amp": 1.0, "amps": 1.0, "mA": 1e-3, "ma": 1e-3},
    "°C": {"": 1.0, "°C": 1.0, "°c": 1.0, "C": 1.0, "c": 1.0, "deg C": 1.0, "degC": 1.0},
}
_WORDS: dict[Unit, str] = {
    "V": "volts, as in 9.02 or 9020 mV",
    "A": "amperes, as in 1.25 or 1250 mA",
    "°C": "degrees Celsius, as in 61.5",
}
_TWO_WAYS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")
"""In thousandths this is a decimal comma, or one between thousands."""
LONGEST = 40
DONE = frozenset({"", "ok", "y", "yes", "done"})


class Unclear(ValueError):
    """The answer cannot be taken; the text says why, to be followed by the question again."""


def number(text: str, unit: Unit) -> float:
    """The number in an answer, in `unit`. Raises Unclear.

    One comma is a decimal comma; a thousands separator is refused, since 1,000.5 and
    1.000,5 are written by different people.
    """
    plain = text.strip().replace("−", "-").replace("\u00a0", " ")
    found = _FORM.fullmatch(plain) if len(plain) <= LONGEST else None
    if found is None:
        raise Unclear(f"{_shown(text)} is no number: write it in {_WORDS[unit]}")
    digits, word = found[1], (found[2] or "").strip()
    factor = _UNITS[unit].get(word)
    if factor is None:
        raise Unclear(f"the unit {word!r} is not taken here: write it in {_WORDS[unit]}")
    if factor < 1.0 and _TWO_WAYS.fullmatch(digits):
        raise Unclear(f"{_shown(text)} can be read in two ways: write it in {_WORDS[unit]}")
    return float(digits.replace(",", ".")) * factor


def done(text: str) -> None:
    """Take a plain Enter as done. Raises Unclear for anything else."""
    if text.strip().lower() not in DONE:
        raise Unclear(f"{_shown(text)} is not taken here: press Enter alone once it is done")


def _shown(text: str) -> str:
    stripped = text.strip()
    return repr(stripped if len(stripped) <= LONGEST else stripped[:LONGEST] + "...")


__all__ = ["Unclear", "Unit", "done", "number"]
