"""What stands in front of the module: nothing, a diode, a transistor, or fuse and clamp.

The fields of `Protection` are the keys of `[protection]` in a module file. Pure
functions give the forward drop; the wiring decides what happens backwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf
from typing import Annotated, Literal

from annotated_types import Ge, Gt

from sim.diode import Diode, drop_v


@dataclass(frozen=True, slots=True, kw_only=True)
class Protection:
    """One protection and its parameters; those of other kinds are not looked at.

    `schottky`: a series diode (`diode`, whose `leakage_a` flows backwards).
    `p-channel`: a series transistor of `p_channel_ohm` [ohm] that passes `leakage_a` [A]
    backwards. `fuse-and-clamp`: a fuse of `fuse_ohm` [ohm] rated `fuse_a` [A] that opens
    after `fuse_a2s` [A² s] above its rating, then a clamp across the module: a diode
    backwards (`clamp`) and `clamp_v` [V] with `clamp_ohm` [ohm] forwards.
    """

    kind: Literal["none", "schottky", "p-channel", "fuse-and-clamp"] = "none"
    diode: Diode = field(default_factory=lambda: Diode(leakage_a=1e-4))
    p_channel_ohm: Annotated[float, Ge(0)] = 0.030
    leakage_a: Annotated[float, Ge(0)] = 1e-6
    fuse_ohm: Annotated[float, Ge(0)] = 0.030
    fuse_a: Annotated[float, Gt(0)] = 5.0
    fuse_a2s: Annotated[float, Gt(0)] = 50.0
    clamp: Diode = field(
        default_factory=lambda: Diode(saturation_a=1e-9, emission=1.2, series_ohm=0.01)
    )
    clamp_v: Annotated[float, Gt(0)] = 33.0
    clamp_ohm: Annotated[float, Gt(0)] = 0.1


def series_drop_v(protection: Protection, i_a: float) -> float:
    """What the protection takes from the line at `i_a` [A], in the forward direction [V]."""
    if protection.kind == "schottky":
        return drop_v(protection.diode, i_a)
    return series_ohm(protection) * i_a


def series_ohm(protection: Protection) -> float:
    """The plain resistance of the protection [ohm]; a diode has none of that kind."""
    if protection.kind == "p-channel":
        return protection.p_channel_ohm
    if protection.kind == "fuse-and-clamp":
        return protection.fuse_ohm
    return 0.0


class Fuse:
    """The fuse of one bench: it heats above its rating, cools below, and opens once.

    Its melting integral is of i² less the square of the rating, a common simplification
    of a fuse's time-current curve (common practice, no source).
    """

    def __init__(self, protection: Protection) -> None:
        self.open = False
        self._melted_a2s = 0.0
        self._protection = protection

    def _excess_a2(self, i_a: float) -> float:
        return i_a**2 - self._protection.fuse_a**2

    def opens_in_s(self, i_a: float) -> float:
        """How long it still bears `i_a` [s]."""
        excess_a2 = self._excess_a2(i_a)
        if self.open or excess_a2 <= 0.0 or self._protection.kind != "fuse-and-clamp":
            return inf
        return max(self._protection.fuse_a2s - self._melted_a2s, 0.0) / excess_a2

    def carry(self, i_a: float, duration_s: float) -> bool:
        """Carry `i_a` for a while [s]; True if that opens it."""
        opens = duration_s >= self.opens_in_s(i_a) * (1.0 - 1e-9)
        self._melted_a2s = max(self._melted_a2s + self._excess_a2(i_a) * duration_s, 0.0)
        self.open = self.open or opens
        return opens
