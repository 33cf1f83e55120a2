"""Wiring audit: proves the bench's wiring at low power, and ends.

The offsets of the ammeters are taken with all off; then the line goes up and no load, a
tenth and a quarter of the rated load are looked at. Takes a minute and heats nothing:
do it whenever a lead was moved. `load_sweep` and `derating` begin with the same audit.
"""

from __future__ import annotations

from typing import Annotated

from runner import Option, PowerDown, PowerUp, Setup, Steps, Tare, wiring_audit


def sequence(
    setup: Setup,
    line_v: Annotated[float, Option("line voltage; 0: the least of the module", "V", 0.0)] = 0.0,
    warm_s: Annotated[float, Option("for the thermometers to move", "s", 0.0)] = 30.0,
) -> Steps:
    """Tare, power up, audit, power down."""
    tared = yield Tare()
    yield PowerUp(line_v or setup.module.line_min_v)
    yield from wiring_audit(setup, tared, warm_s)
    yield PowerDown()
