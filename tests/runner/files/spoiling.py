"""Ways to spoil one thing in a good file, drawn by hypothesis."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

from tests.runner.files.toml_text import Keys, changed, paths, renamed, without

VALUES = st.one_of(
    st.text(max_size=8),
    st.sampled_from(["", "2 V", "5000 mA", "40,5", "true", "demo", "\x00", "é" * 200]),
    st.integers(-(2**70), 2**70),
    st.integers(-5, 500),
    st.floats(width=64),
    st.sampled_from([0.0, -1.0, 1e-300, 1e300, float("inf"), float("nan")]),
    st.booleans(),
    st.just(datetime.date(2026, 6, 21)),
    st.sampled_from([[], {}, [[]], [{}], {"a": 1}, [1, "x"], [[[]]]]),
)


@dataclass(frozen=True)
class Spoilt:
    """A file with one change, and the names the message may use for it."""

    table: dict[str, Any]
    names: tuple[str, ...]


@st.composite
def spoilt(draw: st.DrawFn, table: dict[str, Any]) -> Spoilt:
    """`table` with one key or entry deleted, renamed or given another value."""
    at: Keys = draw(st.sampled_from(list(paths(table))))
    names = [key for key in at if isinstance(key, str)]
    way = draw(st.sampled_from(["delete", "rename", "retype", "retype"]))
    if way == "delete":
        return Spoilt(without(table, at), (names[-1],))
    if way == "rename" and isinstance(at[-1], str):
        name = draw(
            st.one_of(st.text(min_size=1, max_size=6), st.just(f"{at[-1]}x"), st.just("rated_ma"))
        )
        return Spoilt(renamed(table, at, name), (names[-1], name))
    return Spoilt(changed(table, at, draw(VALUES)), (names[-1],))
