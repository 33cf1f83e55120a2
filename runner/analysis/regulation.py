"""How well an output holds its voltage against load and line; every denominator is in a name.

Pure arithmetic; called by the reports. Results are fractions (0..1), not percent. All
voltages are to be taken at the module's own terminals, or the leads are in the result.
"""

from __future__ import annotations

from collections.abc import Sequence


def output_deviation(vout_v: float, vout_set_v: float) -> float:
    """How far the output is from its set voltage, of the set voltage; above it is positive."""
    return vout_v / vout_set_v - 1.0


def load_regulation_of_full_load(vout_no_load_v: float, vout_full_load_v: float) -> float:
    """Rise of the output from full to no load, of the voltage at FULL LOAD.

    The usual definition of bench-supply manuals: (V_NL - V_FL) / V_FL.
    """
    return (vout_no_load_v - vout_full_load_v) / vout_full_load_v


def load_regulation_of_nominal(
    vout_light_v: float, vout_full_load_v: float, vout_nominal_v: float
) -> float:
    """Rise of the output from full to light load, of the NOMINAL voltage.

    The load effect in the manner of IEC 61204 (from memory): change over nominal voltage.
    """
    return (vout_light_v - vout_full_load_v) / vout_nominal_v


def line_regulation_of_nominal(vouts_v: Sequence[float], vout_nominal_v: float) -> float:
    """Greatest less least output over the tested line voltages, of the NOMINAL voltage.

    All at one load; common practice, no source.
    """
    return (max(vouts_v) - min(vouts_v)) / vout_nominal_v


def line_regulation_of_nominal_per_volt(
    vout_low_line_v: float, vout_high_line_v: float, vout_nominal_v: float, line_span_v: float
) -> float:
    """Change of the output from low to high line, of NOMINAL, for each volt of line [1/V].

    The source effect divided by the line span it was seen over (from memory).
    """
    return (vout_high_line_v - vout_low_line_v) / (vout_nominal_v * line_span_v)
