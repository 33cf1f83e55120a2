"""Units at the end of a key's name: what they mean, and what was meant by a wrong one.

Called by `mistakes` to help with `rated_ma`, `timeout_ms` or a value such as "2 V".
It must not know any key by name.
"""

from __future__ import annotations

import difflib
import re

_UNITS = {
    "v": "V",
    "a": "A",
    "w": "W",
    "ohm": "ohm",
    "s": "s",
    "c": "°C",
    "k": "K",
    "hz": "Hz",
    "pct": "%",
    "h": "H",
    "f": "F",
    "j": "J",
}
_PREFIXES = {"m": 1e-3, "u": 1e-6, "µ": 1e-6, "n": 1e-9, "p": 1e-12, "k": 1e3}
_WORDS = {
    "volt": "v",
    "amp": "a",
    "ampere": "a",
    "watt": "w",
    "ohm": "ohm",
    "Ω": "ohm",
    "r": "ohm",
    "sec": "s",
    "second": "s",
    "degc": "c",
    "°c": "c",
    "celsius": "c",
    "kelvin": "k",
    "hertz": "hz",
    "percent": "pct",
    "%": "pct",
}
_SCALED = {"ppm": ("pct", 1e-4), "mhz": ("hz", 1e6), "min": ("s", 60.0)}


def unit_of(name: str) -> str:
    """The unit that a key's name ends in, as it is printed; empty if it has none."""
    top, per, below = name.rpartition("_per_")
    if per:
        return f"{unit_of(top)}/{_UNITS.get(below, below)}"
    return _UNITS.get(name.rpartition("_")[2], "") if "_" in name else ""


def meant(unit: str) -> tuple[str, float] | None:
    """The end of a name for the unit a person wrote, and the factor to get there."""
    word = unit.strip().lower().replace("ω", "Ω")
    singular = word.removesuffix("s") if len(word) > 2 else word
    if word in _UNITS:
        return word, 1.0
    if word in _SCALED:
        return _SCALED[word]
    if singular in _WORDS:
        return _WORDS[singular], 1.0
    base = _WORDS.get(word[1:], word[1:])
    if word[:1] in _PREFIXES and base in _UNITS:
        return base, _PREFIXES[word[0]]
    return None


def respelt(name: str, value: object, known: list[str]) -> str:
    """What to write instead of a key in a unit that this file does not use; may be empty."""
    stem, _, suffix = name.rpartition("_")
    unit = meant(suffix) if stem else None
    if unit is None:
        return ""
    end, factor = unit
    wanted = f"{stem.lower()}_{end}"
    right = [key for key in known if key.endswith(f"_{end}")]
    if suffix.lower() == end:
        return ""  # the unit is right, only the spelling is not
    near = [wanted] if wanted in right else []
    near = near or difflib.get_close_matches(wanted, right, n=1, cutoff=0.7) or right
    if len(near) == 1:
        return f"this file writes it in {_UNITS[end]}: {near[0]} = {_scaled(value, factor)}"
    return f"the keys in {_UNITS[end]} are {', '.join(near)}" if near else ""


def value_with_unit(name: str, text: str) -> str:
    """What to write instead of a number in quotes, with or without a unit."""
    match = re.fullmatch(r"\s*([-+]?\d*[.,]?\d+(?:[eE][-+]?\d+)?)\s*(\S*)\s*", text)
    unit = unit_of(name)
    if not match:
        return f"write {name} = a number" + (f" in {unit}" if unit else "") + ", without quotes"
    number, given = float(match[1].replace(",", ".")), match[2]
    factor = 1.0
    if given:
        found = meant(given)
        if found is None or _UNITS[found[0]] != unit:
            return f"{given!r} is not the unit of this key" + (f": it is in {unit}" if unit else "")
        factor = found[1]
    return f"write {name} = {_scaled(number, factor)}, without quotes or unit"


def _scaled(value: object, factor: float) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "..."
    return repr(float(f"{value * factor:.12g}"))
