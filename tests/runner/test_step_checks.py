"""Steps with rubbish in their fields are refused by name, and good ones are not."""

from __future__ import annotations

import dataclasses
import math
from fractions import Fraction
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.step_checks import is_step, shown, step_mistake
from runner.steps import (
    Draw,
    Note,
    PowerUp,
    Read,
    SetAmbient,
    SetLine,
    Settle,
    Soak,
    Step,
    Tare,
    Wait,
)
from tests.runner.live import Live

GOOD: list[Step] = [
    Tare(),
    PowerUp(24),
    SetLine(np.float64(24.0)),
    Draw(0.0),
    Settle(0.0, 0.0),
    Soak(stop_above_c=None),
    Soak("ambient_temp_c", stop_above_c=-10.0),
    Read("soaked", 1, 0.0, "a, b"),
    SetAmbient(-20.0),
    Wait(0),
    Note("lamp out"),
]


@pytest.mark.parametrize("step", GOOD, ids=lambda step: type(step).__name__)
def test_a_good_step_passes(step: Step) -> None:
    assert is_step(step) and step_mistake(step) == ""


BAD: list[tuple[Any, str, str]] = [
    (Draw(math.nan), "iout_a", "nan"),
    (Draw(True), "iout_a", "True"),
    (Draw(None), "iout_a", "None"),  # type: ignore[arg-type]
    (Draw("1"), "iout_a", "'1'"),  # type: ignore[arg-type]
    (Draw(10**400), "iout_a", "1000"),
    (Draw(Fraction(3, 2)), "iout_a", "Fraction(3, 2)"),  # type: ignore[arg-type]
    (Draw(np.float32(1.5)), "iout_a", "np.float32(1.5)"),  # type: ignore[arg-type]
    (PowerUp(math.inf), "line_v", "inf"),
    (Wait(-5.0), "duration_s", "-5.0"),
    (Wait(math.nan), "duration_s", "nan"),
    (Settle(at_most_s=math.inf), "at_most_s", "inf"),
    (Soak(over_s=-10.0), "over_s", "-10.0"),
    (Soak(within_k=math.nan), "within_k", "nan"),
    (Soak(quantity="vin_v"), "quantity", "'vin_v'"),  # type: ignore[arg-type]
    (Read(samples=0), "samples", "0"),
    (Read(samples=2.5), "samples", "2.5"),  # type: ignore[arg-type]
    (Read(kind="soked"), "kind", "'soked'"),  # type: ignore[arg-type]
    (Read(label=3), "label", "3"),  # type: ignore[arg-type]
    (Tare(samples=-3), "samples", "-3"),
    (SetAmbient("warm"), "ambient_temp_c", "'warm'"),  # type: ignore[arg-type]
    (Note(object()), "text", "<object"),  # type: ignore[arg-type]
]


@pytest.mark.parametrize(("step", "name", "found"), BAD, ids=lambda value: str(value)[:30])
def test_a_bad_field_is_named_with_what_was_found_and_what_is_allowed(
    step: Step, name: str, found: str
) -> None:
    message = step_mistake(step)
    assert message.startswith(f"{type(step).__name__}: {name}: found {found}")
    assert ", allowed is " in message


@given(st.sampled_from(get_args(Step)), st.data())
def test_whatever_stands_in_a_field_there_is_an_answer(kind: Any, data: st.DataObject) -> None:
    rubbish = st.one_of(st.none(), st.integers(), st.floats(), st.text(), st.booleans())
    fields = {field.name: data.draw(rubbish) for field in dataclasses.fields(kind)}
    message = step_mistake(kind(**fields))
    assert message == "" or "allowed is" in message


def test_a_class_of_ones_own_is_no_step() -> None:
    class Mine(Draw):
        pass

    assert not is_step(Mine(1.0)) and not is_step(Read) and not is_step(None)


def test_an_object_that_cannot_say_what_it_is_can_be_shown() -> None:
    class Mute:
        def __repr__(self) -> str:
            raise RuntimeError

    assert "Mute" in shown(Mute())
    assert len(shown("x" * 10_000)) < 200


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("yield Read(samples=0)", "own.py, line 4: Read: samples: found 0"),
        ("yield Wait(float('nan'))", "own.py, line 4: Wait: duration_s: found nan"),
        ("raise SystemExit(0)\nyield", "own.py, line 4: raise SystemExit(0): SystemExit: 0"),
    ],
)
def test_a_run_refuses_it_with_the_sequences_own_line(live: Live, body: str, says: str) -> None:
    from runner.errors import BadInput

    with pytest.raises(BadInput) as caught:
        live.run(live.sequence(body))
    assert says in str(caught.value)
    assert live.bench is None  # nothing was opened


def test_what_only_the_live_bench_brings_about_ends_safe(live: Live) -> None:
    body = """
        yield PowerUp(24.0)
        yield Draw(1.0)
        point = yield Read(samples=1)
        if point.iout_a != 1.0:
            yield Draw(float("nan"))
        """
    run = live.run(live.sequence(body))
    assert (run.ending.name, run.ending.exit_code) == ("failed", 2)
    assert "Draw: iout_a: found nan" in run.ending.message
    assert live.outputs_on() == (False, False)
