"""What a record of the journal has to hold, so that whoever reads it may rely on it.

The chain of checksums shows a slip or an edit; it is no seal against a record that was made
with it by another program, or by a version of ours that is yet to come. Called by the journal
and by who follows one, for every record; kept cheap.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from math import isfinite
from typing import Any

Says = Callable[[Any], bool]


def _is(*kinds: type) -> Says:
    return lambda value: type(value) in kinds


def _is_number(value: Any) -> bool:
    try:
        return type(value) in (int, float) and isfinite(value)
    except OverflowError:  # a whole number that is greater than any float
        return False


def _is_moment(value: Any) -> bool:
    try:
        return datetime.fromisoformat(value).tzinfo is not None
    except (TypeError, ValueError):
        return False


def _is_count(value: Any) -> bool:
    return type(value) is int and value >= 0


def _is_reading(value: Any) -> bool:
    return value is None or (type(value) is dict and not _wrong(_READING, value))


def _is_outcome(value: Any) -> bool:
    return type(value) is dict and _is_reading(value.get("reading"))


def _is_figure(value: Any) -> bool:
    return type(value) is str or _is_number(value)


def _may_be_number(value: Any) -> bool:
    return value is None or _is_number(value)


_text, _table, _flag, _list = _is(str), _is(dict), _is(bool), _is(list)

_EVERY: Mapping[str, Says] = {"kind": _text, "t_s": _is_number, "utc": _is_moment}
_READING: Mapping[str, Says] = {
    "t_s": _is_number,
    "vin_v": _is_number,
    "iin_a": _is_number,
    "vout_v": _may_be_number,
    "iout_a": _may_be_number,
}
_NEEDED: Mapping[str, Mapping[str, Says]] = {
    "step": {"index": _is_count, "step": _text, "args": _table},
    "outcome": {"index": _is_count, "outcome": _text, "values": _is_outcome},
    "note": {"text": _text},
    "trip": {"quantity": _text, "value": _is_figure, "limit": _is_figure, "source": _text},
    "safe": {"confirmed": _flag, "attempts": _list},
    "end": {"ending": _text, "message": _text, "exit_code": _is(int)},
    "resumed": {"session": _is_count, "from_n": _is_count, "ended": _text},
    "invalid": {"from_n": _is_count, "why": _text},
}
_WHERE_GIVEN: Mapping[str, Says] = dict.fromkeys(
    ("given", "parameters", "inputs_sha256", "identities", "module", "bench"), _table
) | {"sequence": _text}
"""Of the run record: older ones have not all of them."""


def misshapen(record: Mapping[str, Any]) -> str:
    """What is wrong with a record, in words: the key and what was found; empty where it is well."""
    kind = record.get("kind")
    if kind == "sample":
        return _wrong(_EVERY, record) or _wrong(_READING, record)
    wrong = _wrong(_EVERY, record)
    if wrong:
        return wrong
    if kind == "run":
        return _wrong({k: says for k, says in _WHERE_GIVEN.items() if k in record}, record)
    wrong = _wrong(_NEEDED.get(str(kind), {}), record)
    if not wrong and kind in ("resumed", "invalid") and not 0 < record["from_n"] <= record["n"]:
        return f"from_n is {record['from_n']!r}, allowed are records before this one, from 1"
    return wrong


def _wrong(needed: Mapping[str, Says], record: Mapping[str, Any]) -> str:
    for key, says in needed.items():
        if not says(record.get(key)):
            found = repr(record[key])[:60] if key in record else "not there"
            return f"{key} is {found}"
    return ""
