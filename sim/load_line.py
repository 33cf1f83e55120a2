"""What an electronic load draws from a source with resistance, in each of its modes.

Pure functions of the load's setting, in closed form. A load is a transistor: below its
least voltage it is no more than a resistor, and it never takes more than its rated power.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, sqrt
from typing import Literal

LoadMode = Literal["CC", "CR", "CV", "CP"]
LEAST_OHM = 1e-3
"""The least a load's terminals and transistor have [ohm]; common practice, no source."""


@dataclass(slots=True)
class LoadSetting:
    """What the load has been told: `level` is in A, ohm, V or W by `mode`.

    Below `least_v` [V] it cannot hold its current; `rated_w` [W] limits what it takes.
    """

    mode: LoadMode = "CC"
    level: float = 0.0
    on: bool = False
    least_v: float = 0.0
    rated_w: float = inf
    remote_sense: bool = False


@dataclass(frozen=True, slots=True)
class Drawn:
    """The current drawn [A], and whether the load holds what it was told."""

    i_a: float
    regulated: bool


IDLE = Drawn(0.0, True)


def drawn(load: LoadSetting, emf_v: float, source_ohm: float, lead_ohm: float) -> Drawn:
    """What the load draws from `emf_v` [V] behind `source_ohm` and its leads [ohm].

    With remote sense its modes see the far end of the leads, its transistor does not.
    """
    if not load.on or emf_v <= 0.0:
        return IDLE if not load.on or load.mode == "CV" else Drawn(0.0, load.level == 0.0)
    all_ohm = source_ohm + lead_ohm
    wanted_a = _wanted_a(load, emf_v, source_ohm if load.remote_sense else all_ohm)
    most_a = min(_most_a(load, wanted_a, emf_v, all_ohm), _power_a(load.rated_w, emf_v, all_ohm))
    if wanted_a <= most_a * (1.0 + 1e-9):
        return Drawn(wanted_a, True)
    return Drawn(most_a, False)


def _wanted_a(load: LoadSetting, emf_v: float, seen_ohm: float) -> float:
    """The current the mode asks for [A], if the transistor could do anything."""
    if load.mode == "CC":
        return load.level
    if load.mode == "CR":
        return emf_v / (seen_ohm + max(load.level, LEAST_OHM))
    if load.mode == "CV":
        return max(emf_v - load.level, 0.0) / (seen_ohm + LEAST_OHM)
    return _power_a(load.level, emf_v, seen_ohm)


def _most_a(load: LoadSetting, wanted_a: float, emf_v: float, all_ohm: float) -> float:
    """The most the transistor passes [A]: fully on, it keeps `least_v` at the wanted current.

    In CP the wanted current itself is that of `least_v`, where the power can last be had.
    """
    if load.mode == "CR":
        return emf_v / (all_ohm + LEAST_OHM)
    if load.mode == "CV":
        return max(emf_v - load.least_v, 0.0) / (all_ohm + LEAST_OHM)
    if load.mode == "CP" and load.least_v > 0.0:
        wanted_a = load.level / load.least_v
    if wanted_a <= 0.0 or wanted_a == inf:
        return wanted_a if load.mode == "CC" else emf_v / (all_ohm + LEAST_OHM)
    return emf_v / (all_ohm + max(load.least_v / wanted_a, LEAST_OHM))


def _power_a(power_w: float, emf_v: float, seen_ohm: float) -> float:
    """The smaller current that takes `power_w` from the source [A], inf if it cannot give it."""
    if power_w == inf:
        return inf
    spare = emf_v * emf_v - 4.0 * seen_ohm * power_w
    if spare < 0.0:
        return inf
    return 2.0 * power_w / (emf_v + sqrt(spare))
