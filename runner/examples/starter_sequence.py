"""Measure at one line voltage: a first sequence to change.

A sequence only says what to do next. It yields steps, one after the other, and gets the
outcome of each back as the value of the `yield`. It opens no instrument, waits for
nothing and reads no clock: so the same file can be tried on the simulated demo bench first

    ampworth run THIS_FILE

and then run on a real one

    ampworth run THIS_FILE --bench my_bench.toml --module my_module.toml --points 9

Whatever happens in it, a mistake of yours included, the bench is left switched off.
"""

from typing import Annotated

from runner import (
    Draw,
    Note,
    Option,
    Point,
    PowerDown,
    PowerUp,
    Read,
    Release,
    Settle,
    Setup,
    Steps,
)


# Every parameter after `setup` becomes an option of the command line: `points` is --points.
def sequence(
    setup: Setup,
    points: Annotated[int, Option("number of load currents", at_least=2, at_most=200)] = 5,
    share_pct: Annotated[
        float, Option("greatest load, of the rated one", unit="%", at_least=1, at_most=100)
    ] = 100.0,
) -> Steps:
    """Read the module without load, then at `points` loads up to a share of the rated one."""
    module = setup.module  # what is in the module file; setup.bench is the bench file

    # The load is off, the limits are set and read back, then the supply goes on.
    yield PowerUp(module.line_nominal_v)
    yield Settle()
    yield Read(label="no load")

    greatest_a = module.iout_rated_a * share_pct / 100.0
    for number in range(1, points + 1):
        yield Draw(greatest_a * number / points)
        yield Settle()  # until line, output and input current stand still
        point: Point = yield Read(samples=10, every_s=0.1)

        # What came back decides what to do next. Here: end where it no longer regulates.
        if point.vout_v < module.vout_least_v:
            yield Note(f"stopped at {point.iout_a:.3f} A: the output is {point.vout_v:.3f} V")
            break

    yield Release()  # the load off, the supply still on: time to look at the output
    yield Settle()
    yield Read(label="no load again")  # a difference from the first one is heat or drift
    yield PowerDown()
