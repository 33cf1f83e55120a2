"""A file that cannot be read is one clear error: file, place, what was found, what to do."""

from __future__ import annotations

import datetime
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from annotated_types import Gt
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runner.errors import BadInput
from runner.files.mistakes import dotted
from runner.files.toml_file import MOST_BYTES, Section, read, resolve, validate
from runner.files.unit_names import meant, unit_of, value_with_unit

DEMO = resolve("demo", "bench").read_bytes()


@dataclass(frozen=True, slots=True, kw_only=True)
class Inner:
    kind: Literal["hard", "soft"] = "hard"
    current_a: Annotated[float, Gt(0)] = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Outer:
    vout_v: float
    levels_v: tuple[float, ...] = ()
    limit: Inner = field(default_factory=Inner)


class Shape(Section):
    rated_v: float
    timeout_s: float = 2.0
    on: bool = False
    due: datetime.date | None = None


def refusal(table: dict[str, Any], shape: type[Any], where: str = "") -> str:
    with pytest.raises(BadInput) as caught:
        validate(table, shape, file="bench.toml", where=where)
    return str(caught.value)


def read_refusal(path: Path, data: bytes) -> str:
    path.write_bytes(data)
    with pytest.raises(BadInput) as caught:
        read(path)
    message = str(caught.value)
    assert message.startswith(f"{path}: ")
    return message


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b'name = "x"\nvisa = \n', "line 2, column 8: Invalid value"),
        (b'name = "x"\nname = "y"\n', "line 2, column 11: Cannot overwrite a value"),
        (b'[roles\nsupply = "s"\n', "line 1, column 7: "),
        (b'a = 1\nb = """\nend', "line 3, column 4: "),
        (b"a = 1\nb\n", "line 2, column 2: "),
        (b"a = 0x" + b"f" * 5000, "a: found a whole number of 20000 bits"),
        (b"a = " + b"9" * 5000, "no TOML this program can read"),
        (b"a = " + b"[" * 5000, "no TOML this program can read"),
        (b"[t]\na = [1, {b = nan}]", "t.a[1].b: found nan; allowed: a finite number"),
        (b"a = -inf", "a: found -inf"),
        (b'[t]\na = "x\\u001b[2J"', "t.a: found 'x\\x1b[2J'; allowed: text in one line"),
        (b'a = ["x\\u202ey"]', "a[0]: found 'x\\u202ey'; allowed: text in one line"),
        (b'a = "x\\ny"', "a: found 'x\\ny'; allowed: text in one line"),
        (b"\xff\xfea\x00", "not UTF-8 text (UTF-16?); save it as UTF-8"),
        (b"a = 1\nb = 'caf\xe9'", 'line 2: found the bytes b"\\xe9\'", not UTF-8 text'),
        (b"#" * (MOST_BYTES + 1), "larger than 1000000 bytes"),
    ],
)
def test_text_that_is_no_toml_names_the_place(tmp_path: Path, data: bytes, says: str) -> None:
    assert says in read_refusal(tmp_path / "bench.toml", data)


def test_missing_file_and_folder_are_one_clear_line(tmp_path: Path) -> None:
    for path, says in (
        (tmp_path / "none.toml", "there is no such file"),
        (tmp_path, "is a folder"),
        (tmp_path / "\0", "cannot be read (embedded null byte)"),
    ):
        with pytest.raises(BadInput, match=r"^[^\n]*$") as caught:
            read(path)
        assert says in str(caught.value)
        assert caught.value.exit_code == 2


def test_a_byte_order_mark_and_windows_line_ends_are_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b'\xef\xbb\xbfname = "x"\r\nvisa = "y"\r\n')
    assert read(path) == {"name": "x", "visa": "y"}


@settings(
    max_examples=400, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(at=st.integers(0, len(DEMO)), insert=st.binary(max_size=4), cut=st.booleans())
def test_demo_file_spoilt_at_any_byte_reads_or_is_bad_input(
    tmp_path: Path, at: int, insert: bytes, cut: bool
) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(DEMO[:at] + insert + (b"" if cut else DEMO[at + len(insert) :]))
    try:
        read(path)
    except BadInput as error:
        assert str(error).startswith(f"{path}: ")


def test_every_mistake_is_listed_with_key_found_and_allowed() -> None:
    message = refusal({"rated_v": "two", "timeout_ms": 500, "on": 1, "due": "soon"}, Shape)
    lines = message.splitlines()
    assert lines[0] == "bench.toml: 4 mistakes"
    assert lines[1].startswith("  rated_v: found 'two'; allowed: a number in V; write rated_v = ")
    assert lines[2].startswith("  on: found 1; allowed: true or false")
    assert lines[3].startswith("  due: found 'soon'; allowed: a date as 2026-06-21, without quotes")
    assert lines[4].startswith("  timeout_ms: found the unknown key timeout_ms = 500; allowed: ")
    assert lines[4].endswith("; this file writes it in s: timeout_s = 0.5")


def test_a_dataclass_of_plain_types_is_validated_as_strictly() -> None:
    good = {"vout_v": 9, "levels_v": [1.0, 2], "limit": {"current_a": 5.0}}
    assert validate(good, Outer, file="m.toml") == Outer(
        vout_v=9.0, levels_v=(1.0, 2.0), limit=Inner(current_a=5.0)
    )
    bad = {"vout_v": True, "levels_v": [1, "2 V"], "limit": {"kind": "sof", "current_ma": 5000}}
    message = refusal(bad, Outer, where="twin")
    assert "twin.vout_v: found True; allowed: a number in V" in message
    assert "twin.levels_v[1]: found '2 V'; allowed: a number in V; write levels_v = 2.0" in message
    assert 'twin.limit.kind: found \'sof\'; allowed: one of "hard", "soft"; did you mean' in message
    assert "twin.limit.current_ma: found the unknown key current_ma = 5000" in message
    assert "current_a = 5.0" in message


def test_a_dataclass_with_dates_and_wrong_tables_is_bad_input() -> None:
    date = datetime.date(2026, 6, 21)
    message = refusal({"vout_v": date, "limit": [date]}, Outer, where="twin")
    assert "twin.vout_v: found datetime.date(2026, 6, 21); allowed: a number in V" in message
    assert "twin.limit: found [datetime.date(2026, 6, 21)]; allowed: a table" in message


@pytest.mark.parametrize(
    ("unit", "end", "factor"),
    [  # prefixes and names of the SI: BIPM, The International System of Units, 9th ed. 2019
        ("mV", "v", 1e-3),
        ("uA", "a", 1e-6),
        ("kW", "w", 1e3),
        ("mOhm", "ohm", 1e-3),
        ("Ω", "ohm", 1.0),
        ("kΩ", "ohm", 1e3),
        ("ms", "s", 1e-3),
        ("seconds", "s", 1.0),
        ("min", "s", 60.0),
        ("amps", "a", 1.0),
        ("kHz", "hz", 1e3),
        ("MHz", "hz", 1e6),
        ("ppm", "pct", 1e-4),
        ("%", "pct", 1.0),
        ("°C", "c", 1.0),
    ],
)
def test_units_people_write_are_known(unit: str, end: str, factor: float) -> None:
    assert meant(unit) == (end, factor)


def test_words_that_are_no_units_are_not_taken_for_one() -> None:
    assert [meant(word) for word in ("max", "set", "", "parsec", "°F")] == [None] * 5


def test_the_unit_is_read_from_the_end_of_a_name() -> None:
    names = ("rated_v", "case_k_per_w", "hot_spot_max_temp_c", "channel", "remote_sense", "v")
    assert [unit_of(name) for name in names] == ["V", "K/W", "°C", "", "", ""]


@pytest.mark.parametrize(
    ("text", "advice"),
    [
        ("2 V", "write rated_v = 2.0, without quotes or unit"),
        ("2000mV", "write rated_v = 2.0, without quotes or unit"),
        ("2,5", "write rated_v = 2.5, without quotes or unit"),
        ("2 A", "'A' is not the unit of this key: it is in V"),
        ("much", "write rated_v = a number in V, without quotes"),
    ],
)
def test_a_number_in_quotes_is_answered_with_the_right_one(text: str, advice: str) -> None:
    assert value_with_unit("rated_v", text) == advice


def test_keys_are_written_as_toml_writes_them() -> None:
    assert dotted(["instruments", "my load", "x", 1, "range_a"]) == (
        'instruments."my load".x[1].range_a'
    )


def test_demo_is_the_shipped_file_and_anything_else_a_path() -> None:
    assert resolve("demo", "module").name == "demo_module.toml"
    assert resolve("./demo", "bench") == Path("demo")


def test_loading_the_files_needs_no_heavy_package() -> None:
    code = (
        "import sys; from runner.files.bench_file import load_bench_file; "
        "from runner.files.module_file import load_module_file; import runner.ratings; "
        "load_bench_file('demo'); load_module_file('demo'); "
        "print(sorted({'numpy', 'pandas', 'pyvisa', 'scipy', 'sim', 'drivers'} & set(sys.modules)))"
    )
    root = Path(__file__).parents[3]
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_a_key_spelt_like_the_validators_own_mark_is_named(tmp_path: Path) -> None:
    """Pydantic puts `[key]` into the place of an error in a table's key; a file may too."""
    from runner.files.bench_file import load_bench_file

    path = tmp_path / "bench.toml"
    path.write_text('name = "x"\n"[key]" = 1\n', "utf-8")
    with pytest.raises(BadInput, match='unknown key "\\[key\\]" = 1'):
        load_bench_file(path)
