"""A sequence is found, loaded by path, and its parameters become options."""

from __future__ import annotations

import textwrap
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.errors import BadInput
from runner.sequence import Sequence, find, load, shipped


def written(folder: Path, text: str) -> str:
    path = folder / "my_sequence.py"
    path.write_text(textwrap.dedent(text), "utf-8")
    return str(path)


GOOD = """
    '''Two points.'''
    from typing import Annotated
    from runner import Draw, Option, Setup, Steps

    def sequence(
        setup: Setup,
        points: Annotated[int, Option("how many", at_least=2, at_most=9)] = 3,
        loads_a: Annotated[tuple[float, ...], Option("loads", "A", at_least=0)] = (1.0,),
        spacing: Annotated[str, Option("spacing", choices=("linear", "log"))] = "linear",
        down: bool = False,
    ) -> Steps:
        yield Draw(1.0)
    """


@pytest.fixture
def good(tmp_path: Path) -> Sequence:
    return load(written(tmp_path, GOOD))


def test_the_sequences_that_ship_are_found_by_name() -> None:
    assert {"load_sweep", "derating"} <= set(shipped())
    assert find("load_sweep").name == "load_sweep.py"


def test_parameters_carry_kind_default_and_help(good: Sequence) -> None:
    assert good.description == "Two points."
    assert [(p.flag, p.kind, p.many, p.default) for p in good.parameters] == [
        ("--points", int, False, 3),
        ("--loads-a", float, True, (1.0,)),
        ("--spacing", str, False, "linear"),
        ("--down", bool, False, False),
    ]


def test_texts_become_values_and_the_rest_keep_their_defaults(good: Sequence) -> None:
    values = good.values({"loads_a": "0.5, 1,2e0", "down": "yes"})
    assert values == {"points": 3, "loads_a": (0.5, 1.0, 2.0), "spacing": "linear", "down": True}


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("points", "1", "--points: found 1, at least 2"),
        ("points", "10", "--points: found 10, at most 9"),
        ("points", "2.5", "--points: found '2.5', allowed is a whole number"),
        ("loads_a", "1,x", "--loads-a: found 'x', allowed is a number in A"),
        ("loads_a", "nan", "--loads-a: found nan, allowed is a finite number"),
        ("loads_a", "-1", "--loads-a: found -1, at least 0 A"),
        ("spacing", "cubic", "--spacing: found 'cubic', allowed: linear, log"),
        ("down", "perhaps", "--down: found 'perhaps', allowed is yes or no"),
    ],
)
def test_a_value_out_of_bounds_names_option_found_and_allowed(
    good: Sequence, name: str, text: str, says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        good.values({name: text})
    assert says in str(caught.value)


@given(text=st.text(max_size=20), name=st.sampled_from(["points", "loads_a", "spacing", "down"]))
def test_any_text_gives_a_value_or_one_clear_error(
    text: str, name: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    sequence = load(written(tmp_path_factory.getbasetemp(), GOOD))
    try:
        sequence.values({name: text})
    except BadInput as error:
        assert str(error).startswith("--" + name.replace("_", "-"))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("raise SystemExit(3)", "line 1: raise SystemExit(3): SystemExit: 3"),
        ("def sequence():\n    yield", "`sequence()` takes nothing"),
        ("def sequence(setup, n: int = 'x'):\n    yield", "'n': found the default 'x'"),
        ("def sequence(setup, n: int = True):\n    yield", "'n': found the default True"),
        ("def sequence(setup, n: float = None):\n    yield", "'n': found the default None"),
        ("def sequence(setup, n: tuple[float, ...] = 1.0):\n    yield", "a tuple, each"),
    ],
)
def test_a_sequence_that_cannot_be_started_is_refused_on_loading(
    tmp_path: Path, text: str, says: str
) -> None:
    with pytest.raises(BadInput) as caught:
        load(written(tmp_path, text))
    assert says in str(caught.value)


def test_a_whole_number_is_a_default_for_a_number(tmp_path: Path) -> None:
    loaded = load(written(tmp_path, "def sequence(setup, n: float = 2):\n    yield"))
    assert loaded.values({}) == {"n": 2}


def test_an_unknown_name_gets_the_nearest_right_one() -> None:
    with pytest.raises(BadInput, match="did you mean 'load_sweep'"):
        load("load_swep")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("def sequence(setup:\n", "line 1"),
        ("x = 1\ny = x / 0\n", "line 2: y = x / 0: ZeroDivisionError"),
        ("import no_such_package\n", "line 1: import no_such_package: ModuleNotFoundError"),
        ("def sequence(setup):\n    return 3\n", "found no generator function"),
        ("def sequence(setup, points):\n    yield 1\n", "parameter 'points'"),
        ("def sequence(setup, p: dict = {}):\n    yield 1\n", "parameter 'p'"),
        ("def sequence(setup, p: Missing = 1):\n    yield 1\n", "NameError"),
    ],
)
def test_a_mistake_in_the_file_is_named_with_its_line(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(BadInput) as caught:
        load(written(tmp_path, text))
    assert "my_sequence.py" in str(caught.value)
    assert says in str(caught.value)


def test_a_parameter_named_like_an_option_of_the_command_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from runner.cli.main import main

    path = written(tmp_path, "def sequence(setup, bench: int = 3):\n    yield")
    assert main(["run", path]) == 2
    assert "'bench': `ampworth run` has an option of that name" in capsys.readouterr().err
