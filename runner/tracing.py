"""Following something closely: readings one after the other, kept as a trace.

Called by the performer. Every reading goes through the watch, so the interlocks are on, and
into the journal as a sample, so that a trace that is cut short is not lost.
"""

from __future__ import annotations

from collections.abc import Callable

from runner.interlocks import Watch
from runner.step_bounds import MOST_READINGS
from runner.steps import Reading, Trace


def trace(
    watch: Watch,
    now_s: Callable[[], float],
    record: Callable[[Reading], None],
    duration_s: float,
    every_s: float,
) -> Trace:
    """Read every `every_s` [s] for `duration_s` [s] from now on; a slow bench gives fewer.

    Raises what the watch raises: Tripped, Stopped, an instrument that is lost.
    """
    began_s = now_s()
    readings: list[Reading] = []
    while len(readings) < MOST_READINGS:
        reading = watch.look()
        record(reading)
        readings.append(reading)
        left_s = began_s + duration_s - now_s()
        if left_s <= 0.0:
            break
        next_s = began_s + (int((now_s() - began_s) / every_s) + 1) * every_s
        watch.wait(min(next_s - now_s(), left_s))
    return trace_of(began_s, readings)


def trace_of(began_s: float, readings: list[Reading]) -> Trace:
    """The readings as a trace; what is read by eye is refused before, and missing here as 0."""
    return Trace(
        round(began_s, 6),
        tuple(round(r.t_s, 6) for r in readings),
        tuple(r.vin_v for r in readings),
        tuple(r.iin_a for r in readings),
        tuple(r.vout_v or 0.0 for r in readings),
        tuple(r.iout_a or 0.0 for r in readings),
        tuple(r.supply_mode for r in readings),
        tuple(r.load_mode for r in readings),
        tuple(r.hot_spot_temp_c for r in readings),
    )
