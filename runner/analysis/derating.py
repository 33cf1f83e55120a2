"""The greatest continuous load for each line and ambient, and what limits it there.

Rests on measured points: losses from all of them, thermal resistance from settled soaks
alone. Called by the reports; pure. Every number says whether it was measured or by how
many kelvin it is extrapolated; beyond 25 K there is no number.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from runner.analysis.holding import (
    LoadPoint,
    OutputLimits,
    current_limit_a,
    is_sound,
    tolerance_load_a,
    vout_at,
)
from runner.analysis.loss import Losses, LossModel, LossPoint, fit_losses
from runner.analysis.thermal import ThermalResistance, settled_temp_c, thermal_resistance

Spot = Literal["hot_spot_temp_c", "case_temp_c", "capacitor_temp_c"]
LimitedBy = Literal[
    "hot-spot",
    "case",
    "capacitor",
    "output-tolerance",
    "current-limit",
    "module-limit",
    "derating-rule",
    "bench",
]
Basis = Literal["measured", "extrapolated", "refused"]

AMBIENTS_C = tuple(float(temp_c) for temp_c in range(0, 90, 5))
"""Ambients of the table where none are asked for [°C]."""

MEASURED_WITHIN_K = 2.5
REFUSED_BEYOND_K = 25.0
"""No number further than this from an ambient soaked at (common practice, no source)."""

SPREAD_MOST = 0.2
"""Thermal resistances of single soaks that differ by more hint at a probe that fell off or at
moved air (common practice, no source)."""


class CannotDerateError(ValueError):
    """The points carry no derating table; the message says what is missing."""


@dataclass(frozen=True, slots=True)
class Rule:
    """A derating that a maker or a standard states: linear from a load [A] at `from_c` to none.

    Below `from_c` [°C] the load is the whole `iout_a`, from `to_zero_c` [°C] on nothing.
    """

    iout_a: float
    from_c: float
    to_zero_c: float

    def load_a(self, ambient_c: float) -> float:
        """What it allows in this air [A]."""
        share = (self.to_zero_c - ambient_c) / (self.to_zero_c - self.from_c)
        return self.iout_a * min(1.0, max(0.0, share))


@dataclass(frozen=True, slots=True)
class Limits:
    """What a load has to keep; None is a limit that was not given."""

    output: OutputLimits
    hot_spot_max_temp_c: float | None = None
    case_max_temp_c: float | None = None
    module_iout_max_a: float | None = None
    bench_iout_max_a: float | None = None
    rule: Rule | None = None
    capacitor_max_temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class Line:
    """What is known of one line [V], and on which points it rests.

    `spot` is the thermometer the losses grow with: the hot spot, or where that was not measured
    the case, else the capacitor; `spot_heat`, `case_heat` and `capacitor_heat` are their
    resistances to the air. `soaks` are the settled soaks; a line without any borrows those of the
    others and `soaked_here` is False. `losses` is None with fewer than three loads.
    """

    line_v: float
    points: tuple[LoadPoint, ...]
    soaks: tuple[LoadPoint, ...]
    soaked_here: bool
    spot: Spot
    spot_heat: ThermalResistance
    case_heat: ThermalResistance | None
    losses: Losses | None
    model: LossModel
    capacitor_heat: ThermalResistance | None = None

    @property
    def soaked_loads_a(self) -> tuple[float, float]:
        """Least and greatest load soaked at [A]."""
        loads_a = [soak.iout_a for soak in self.soaks]
        return min(loads_a), max(loads_a)

    @property
    def soaked_ambients_c(self) -> list[float]:
        """The ambient of every soak [°C]."""
        return [soak.ambient_temp_c for soak in self.soaks if soak.ambient_temp_c is not None]


@dataclass(frozen=True, slots=True)
class Greatest:
    """The greatest load [A], what limits it, and temperatures [°C] and loss [W] there.

    They are None where even an idle module would run away with heat.
    """

    iout_max_a: float
    limited_by: LimitedBy
    hot_spot_temp_c: float | None
    case_temp_c: float | None
    ploss_w: float | None
    efficiency: float | None
    capacitor_temp_c: float | None = None


@dataclass(frozen=True, slots=True)
class DeratedLoad:
    """One row: `greatest` is None when refused.

    `extrapolation_k` is the distance to the nearest ambient soaked at [K]; `flags` are words
    such as ABOVE_SOAKED_LOADS.
    """

    line: Line
    ambient_temp_c: float
    basis: Basis
    extrapolation_k: float
    greatest: Greatest | None
    flags: tuple[str, ...]


def derate(
    points: Sequence[LoadPoint],
    limits: Limits,
    ambients_c: Sequence[float] = AMBIENTS_C,
    growth_per_k: float | None = None,
) -> list[DeratedLoad]:
    """One row a line and ambient. Raises CannotDerateError when the points carry none.

    `growth_per_k` [1/K] holds the growth of the losses instead of fitting it.
    """
    return [
        _row(line, ambient_c, limits)
        for line in known_lines(points, limits, growth_per_k)
        for ambient_c in ambients_c
    ]


# --------------------------------------------------------------- what is known of a line


def known_lines(
    points: Sequence[LoadPoint], limits: Limits, growth_per_k: float | None = None
) -> list[Line]:
    """Losses and thermal resistances of every line among the points, by rising line."""
    spot, soaks = _settled_soaks(points, limits.output)
    _check_limits(limits, spot, soaks)
    sound = (
        LossPoint(point.line_v, point.iout_a, temp_c, point.ploss_w)
        for point in points
        if is_sound(point, limits.output) and (temp_c := getattr(point, spot)) is not None
    )
    model = fit_losses(sound, growth_per_k)
    lines_v = sorted({point.line_v for point in points})
    return [_line(line_v, points, soaks, spot, model) for line_v in lines_v]


def _line(
    line_v: float,
    points: Sequence[LoadPoint],
    all_soaks: Sequence[LoadPoint],
    spot: Spot,
    model: LossModel,
) -> Line:
    own = tuple(soak for soak in all_soaks if soak.line_v == line_v)
    soaks = own or tuple(all_soaks)
    spot_heat = _resistance(soaks, spot)
    if spot_heat is None:
        raise CannotDerateError("no settled soak has a loss above zero: check the input meter")
    return Line(
        line_v=line_v,
        points=tuple(point for point in points if point.line_v == line_v),
        soaks=soaks,
        soaked_here=bool(own),
        spot=spot,
        spot_heat=spot_heat,
        case_heat=_resistance(soaks, "case_temp_c"),
        losses=model.lines.get(line_v),
        model=model,
        capacitor_heat=_resistance(soaks, "capacitor_temp_c"),
    )


def _settled_soaks(
    points: Iterable[LoadPoint], output: OutputLimits
) -> tuple[Spot, list[LoadPoint]]:
    """Soaks in equilibrium of a module that converts: one that shut down heats nothing."""
    soaks = [
        point
        for point in points
        if point.is_settled_soak and point.ambient_temp_c is not None and is_sound(point, output)
    ]
    spots: tuple[Spot, ...] = ("hot_spot_temp_c", "case_temp_c", "capacitor_temp_c")
    for spot in spots:
        some = [soak for soak in soaks if soak.end_temp_c(spot) is not None]
        if some:
            return spot, some
    raise CannotDerateError(
        "no point was soaked until settled, in regulation, with the ambient and a hot spot, "
        "case or capacitor measured"
    )


def _check_limits(limits: Limits, spot: Spot, soaks: Iterable[LoadPoint]) -> None:
    by_hot_spot = spot == "hot_spot_temp_c" and limits.hot_spot_max_temp_c is not None
    case_seen = any(soak.case_temp_c is not None for soak in soaks)
    by_case = case_seen and limits.case_max_temp_c is not None
    can_seen = any(soak.capacitor_temp_c is not None for soak in soaks)
    by_capacitor = can_seen and limits.capacitor_max_temp_c is not None
    if not (by_hot_spot or by_case or by_capacitor):
        raise CannotDerateError(
            "no temperature was both limited by the module file and measured in the soaks"
        )


def _resistance(soaks: Iterable[LoadPoint], spot: Spot) -> ThermalResistance | None:
    pairs = [
        (temp_c - soak.ambient_temp_c, soak.end_ploss_w)
        for soak in soaks
        if (temp_c := soak.end_temp_c(spot)) is not None and soak.ambient_temp_c is not None
    ]
    return thermal_resistance([rise for rise, _ in pairs], [loss for _, loss in pairs])


# --------------------------------------------------------------------------- one row


def _row(line: Line, ambient_c: float, limits: Limits) -> DeratedLoad:
    away_k = min(abs(ambient_c - soaked_c) for soaked_c in line.soaked_ambients_c)
    flags = _flags_of_line(line, limits)
    if line.losses is None or away_k > REFUSED_BEYOND_K:
        return DeratedLoad(line, ambient_c, "refused", away_k, None, flags)
    greatest = _greatest(line, line.losses, ambient_c, limits)
    least_a, most_a = line.soaked_loads_a
    if greatest.iout_max_a > most_a:
        flags += ("ABOVE_SOAKED_LOADS",)
    elif greatest.iout_max_a < least_a:
        flags += ("BELOW_SOAKED_LOADS",)
    hotter = _hotter_than_seen(line, greatest)
    flags += ("HOTTER_THAN_SEEN",) if hotter else ()
    within = least_a <= greatest.iout_max_a <= most_a and not hotter
    is_measured = within and line.soaked_here and away_k <= MEASURED_WITHIN_K
    basis: Basis = "measured" if is_measured else "extrapolated"
    return DeratedLoad(line, ambient_c, basis, away_k, greatest, flags)


def _hotter_than_seen(line: Line, greatest: Greatest) -> bool:
    """Whether a load rests on an end that was only predicted, hotter than the module has been.

    What happens up there, a thermal shutdown first of all, nobody has seen.
    """
    there_c: float | None = getattr(greatest, line.spot)
    if there_c is None or not any(soak.ahead is not None for soak in line.soaks):
        return False
    temps_c = [temp_c for p in line.points if (temp_c := getattr(p, line.spot)) is not None]
    return there_c > max(temps_c, default=there_c) + MEASURED_WITHIN_K


def _flags_of_line(line: Line, limits: Limits) -> tuple[str, ...]:
    seen = {
        "TOO_FEW_LOADS": line.losses is None,
        "NOT_SOAKED_AT_LINE": not line.soaked_here,
        "GROWTH_ASSUMED": not line.model.growth_fitted,
        "PREDICTED_END": any(soak.ahead is not None for soak in line.soaks),
        "RESISTANCE_SPREAD": line.spot_heat.spread > SPREAD_MOST,
        "HOT_SPOT_NOT_MEASURED": limits.hot_spot_max_temp_c is not None
        and line.spot != "hot_spot_temp_c",
        "CASE_NOT_MEASURED": limits.case_max_temp_c is not None and line.case_heat is None,
        "CAPACITOR_NOT_MEASURED": limits.capacitor_max_temp_c is not None
        and line.capacitor_heat is None,
    }
    return tuple(flag for flag, holds in seen.items() if holds)


def _greatest(line: Line, losses: Losses, ambient_c: float, limits: Limits) -> Greatest:
    caps_a = _caps_a(line, losses, ambient_c, limits)
    limited_by = min(caps_a, key=lambda word: caps_a[word])
    iout_a = caps_a[limited_by]
    spot_c = settled_temp_c(
        ambient_c, line.spot_heat.k_per_w, losses.base_w(iout_a), line.model.growth_per_k
    )
    if spot_c is None:
        # Any load within a temperature limit settles; so this is 0 A, and idling runs away.
        return Greatest(iout_a, limited_by, None, None, None, None)
    ploss_w = losses.base_w(iout_a) * line.model.factor(spot_c)
    vout_v, can_heat = vout_at(line.points, iout_a), line.capacitor_heat
    return Greatest(
        iout_max_a=iout_a,
        limited_by=limited_by,
        hot_spot_temp_c=spot_c if line.spot == "hot_spot_temp_c" else None,
        case_temp_c=ambient_c + line.case_heat.rise_k(ploss_w) if line.case_heat else None,
        ploss_w=ploss_w,
        efficiency=_efficiency(vout_v, iout_a, ploss_w),
        capacitor_temp_c=ambient_c + can_heat.rise_k(ploss_w) if can_heat else None,
    )


def _efficiency(vout_v: float | None, iout_a: float, ploss_w: float) -> float | None:
    pout_w = 0.0 if vout_v is None else vout_v * iout_a
    return pout_w / (pout_w + ploss_w) if vout_v is not None and pout_w + ploss_w > 0.0 else None


def _caps_a(line: Line, losses: Losses, ambient_c: float, limits: Limits) -> dict[LimitedBy, float]:
    """The greatest load [A] by each limit that applies; in a tie the first is named."""
    case_c, can_c = limits.case_max_temp_c, limits.capacitor_max_temp_c
    found: dict[LimitedBy, float | None] = {
        "hot-spot": _hot_spot_load_a(line, losses, ambient_c, limits.hot_spot_max_temp_c),
        "case": _part_load_a(line, line.case_heat, losses, ambient_c, case_c),
        "capacitor": _part_load_a(line, line.capacitor_heat, losses, ambient_c, can_c),
        "output-tolerance": tolerance_load_a(line.points, limits.output),
        "current-limit": current_limit_a(line.points),
        "module-limit": limits.module_iout_max_a,
        "derating-rule": None if limits.rule is None else limits.rule.load_a(ambient_c),
        "bench": limits.bench_iout_max_a,
    }
    return {word: iout_a for word, iout_a in found.items() if iout_a is not None}


def _hot_spot_load_a(
    line: Line, losses: Losses, ambient_c: float, most_c: float | None
) -> float | None:
    """The load that settles the hot spot at its limit: there the rise gives the loss at once."""
    if most_c is None or line.spot != "hot_spot_temp_c":
        return None
    ploss_w = (most_c - ambient_c) / line.spot_heat.k_per_w
    return losses.load_a(ploss_w / line.model.factor(most_c))


def _part_load_a(
    line: Line,
    heat: ThermalResistance | None,
    losses: Losses,
    ambient_c: float,
    most_c: float | None,
) -> float | None:
    """The load that settles case or capacitor at its limit, the spot as warm as that loss makes
    it."""
    if most_c is None or heat is None:
        return None
    ploss_w = (most_c - ambient_c) / heat.k_per_w
    spot_c = ambient_c + line.spot_heat.rise_k(ploss_w)
    return losses.load_a(ploss_w / line.model.factor(spot_c))
