"""The one table of columns, and how a value is written."""

import csv
import io

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.report.columns import (
    BUDGET,
    COMPARISON,
    COUNT,
    DERATING,
    EFFICIENCY,
    FINDINGS,
    MEASURED,
    PROTECTION,
    READINGS,
    TEXT,
    YES_NO,
    Column,
    header,
    markdown_table,
    row,
)

ALL = (READINGS, EFFICIENCY, DERATING, BUDGET, FINDINGS, COMPARISON, PROTECTION)


@pytest.mark.parametrize("columns", ALL)
def test_names_are_unique_and_every_column_says_what_it_means(columns: tuple[Column, ...]) -> None:
    names = [column.name for column in columns]
    assert len(set(names)) == len(names)
    assert all(column.meaning for column in columns)
    assert all("|" not in column.meaning for column in columns)  # it would break the README's table


@pytest.mark.parametrize("columns", ALL)
def test_a_column_with_a_unit_has_it_in_its_name(columns: tuple[Column, ...]) -> None:
    endings = {
        "V": ("_v", "_v_sd", "_v_u"),
        "A": ("_a", "_a_sd", "_a_u"),
        "W": ("_w", "_w_u"),
        "K": ("_k", "_c_sd", "_c_u"),
        "°C": ("_temp_c",),
        "s": ("_s",),
        "%": ("_pct", "_pct_u"),
        "K/W": ("_k_per_w",),
        "W/A": ("_w_per_a",),
        "W/A²": ("_w_per_a2",),
        "%/K": ("_pct_per_k",),
    }
    for column in columns:
        if column.unit:
            assert column.name.endswith(endings[column.unit]), column.name


def test_one_name_means_one_thing_in_every_table() -> None:
    units: dict[str, str] = {}
    for columns in ALL:
        for column in columns:
            assert units.setdefault(column.name, column.unit) == column.unit, column.name


def test_markdown_has_a_line_for_each_column() -> None:
    lines = markdown_table(DERATING).splitlines()
    assert lines[:2] == ["| column | unit | meaning |", "|---|---|---|"]
    assert len(lines) == 2 + len(DERATING)
    assert lines[5].startswith("| `ambient_temp_c` | °C | air around the module |")


def test_a_missing_value_is_blank_and_a_whole_float_keeps_its_point() -> None:
    columns = (Column("a", "A", "x", MEASURED), Column("n", "", "x", COUNT))
    flags = (Column("ok", "", "x", YES_NO), Column("word", "", "x", TEXT))
    assert row((*columns, *flags), [24, 3, True, None]) == "24.00000,3,True,\n"


WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]))


@given(st.lists(WORDS | st.sampled_from(['a,"b"', "two\nlines", "\r", '"']), min_size=2))
def test_words_come_back_from_a_general_csv_reader(words: list[str]) -> None:
    columns = [Column(f"c{k}", "", "x", TEXT) for k in range(len(words))]
    text = header(columns) + row(columns, words)
    assert list(csv.reader(io.StringIO(text, newline="")))[1] == words


@given(st.floats(-1e4, 1e4))
def test_a_measured_value_comes_back_within_its_digits(value: float) -> None:
    columns = [Column("a", "A", "x", MEASURED)]
    found = pd.read_csv(io.StringIO(header(columns) + row(columns, [value])))["a"]
    assert found.dtype == "float64"
    assert found[0] == pytest.approx(value, rel=5.1e-7, abs=1e-300)
