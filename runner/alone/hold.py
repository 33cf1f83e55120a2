"""What a drill runs on a bench: the module's least line, no load, held for a while.

Low power only: the module idles. The drill ends it before its time, in one way or another.
"""

from typing import Annotated

from runner import Option, PowerDown, PowerUp, Setup, Steps, Wait


def sequence(
    setup: Setup,
    hold_s: Annotated[float, Option("how long", unit="s", at_least=0.1, at_most=600.0)] = 2.0,
) -> Steps:
    """Power up at the least line, hold, power down."""
    yield PowerUp(setup.module.line_min_v)
    yield Wait(hold_s)
    yield PowerDown()
