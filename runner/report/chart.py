"""Draws one chart as SVG text: axes, ticks, points, lines and a legend.

A pure function from values to text, for `plots.py`: the same bytes on every machine, no
style that a page's content policy would have to allow, small enough to be sent every second.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from math import ceil, floor, log10
from typing import Literal

COLOURS = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000", "#E69F00", "#56B4E9")
"""Told apart by every kind of colour vision: Okabe and Ito, Color Universal Design (2008), as
given by Wong, Nature Methods 8, 441 (2011). The light ones come last: they are thin on white."""

Mark = Literal["circle", "square", "triangle", "diamond", "none"]
MARKS: tuple[Mark, ...] = ("circle", "square", "triangle", "diamond")
DASHES = ("", "6 3", "2 3")

WIDTH, HEIGHT = 460, 310
LEFT, RIGHT, TOP, BOTTOM = 54, 448, 52, 262
GREY, GRID = "#555555", "#DDDDDD"
LETTER = 6.4
"""About the width of a letter at 12 px."""


@dataclass(frozen=True, slots=True)
class Series:
    """Values that belong together, and how they look."""

    label: str
    xs: Sequence[float]
    ys: Sequence[float]
    colour: str = COLOURS[0]
    mark: Mark = "circle"
    filled: bool = False
    joined: bool = True
    dash: str = ""
    spread: Sequence[float] = ()
    """Half widths of the intervals around `ys`, drawn as bars, or as a `band`; none if empty."""
    band: bool = False


@dataclass(frozen=True, slots=True)
class Axis:
    """What an axis shows; `least` and `most` are kept inside it."""

    label: str
    least: float | None = None
    most: float | None = None


@dataclass(frozen=True, slots=True)
class Chart:
    """A chart; `remark` is a small line of text inside, such as what is not drawn."""

    title: str
    x: Axis
    y: Axis
    series: Sequence[Series]
    remark: str = ""
    keys: Sequence[tuple[str, bool]] = ()
    """Marks explained in the legend besides the series: text, and whether the mark is filled."""


def svg(chart: Chart) -> str:
    """The chart as SVG text, complete in itself."""
    xs = [x for one in chart.series for x in one.xs]
    ys = [y for one in chart.series for y in _reach(one)]
    x_ticks, y_ticks = _ticks(xs, chart.x), _ticks(ys, chart.y)
    at_x = _scale(x_ticks, LEFT, RIGHT)
    at_y = _scale(y_ticks, BOTTOM, TOP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'font-family="system-ui, sans-serif" font-size="12" fill="{GREY}">',
        f"<title>{escape(chart.title)}</title>",
        f'<rect width="{WIDTH}" height="{HEIGHT}" fill="#FFFFFF"/>',
        _text(8, 17, chart.title, size=14, weight="bold", fill="#111111"),
        *_legend(chart),
        *_grid(x_ticks, y_ticks, at_x, at_y),
        _text((LEFT + RIGHT) / 2, HEIGHT - 12, chart.x.label, anchor="middle"),
        _text(0, 0, chart.y.label, anchor="middle", turn=f"translate(14 {(TOP + BOTTOM) / 2})"),
        *(_interval(one, at_x, at_y) for one in chart.series if one.xs and one.spread),
        *(_drawn(one, at_x, at_y) for one in chart.series if one.xs),
        "</svg>",
    ]
    if not xs:
        parts.insert(-1, _text((LEFT + RIGHT) / 2, 150, "nothing measured yet", anchor="middle"))
    elif chart.remark:
        parts.insert(-1, _text(RIGHT - 6, BOTTOM - 7, chart.remark, anchor="end", size=11))
    return "".join(parts)


# ---------------------------------------------------------------------------- axes


def _ticks(values: Sequence[float], axis: Axis) -> list[float]:
    """Round numbers a little beyond the values, 4 to 8 of them."""
    given = [bound for bound in (axis.least, axis.most) if bound is not None]
    low = min([*values, *given], default=0.0)
    high = max([*values, *given], default=1.0) if values else low + 1.0
    if high - low < 1e-9 * max(1.0, abs(high)):
        low, high = low - 0.5, high + 0.5
    rough = (high - low) / 6.0
    power = 10.0 ** floor(log10(rough))
    step = next(power * unit for unit in (1.0, 2.0, 5.0, 10.0) if power * unit >= rough * 0.999)
    first, last = floor(low / step + 0.01), ceil(high / step - 0.01)
    return [step * k for k in range(first, max(last, first + 1) + 1)]


def _scale(ticks: Sequence[float], start: float, stop: float) -> Callable[[float], float]:
    span = (stop - start) / (ticks[-1] - ticks[0])
    return lambda value: round(start + (value - ticks[0]) * span, 1)


def _grid(
    x_ticks: Sequence[float],
    y_ticks: Sequence[float],
    at_x: Callable[[float], float],
    at_y: Callable[[float], float],
) -> list[str]:
    lines = [f"M{at_x(x)} {TOP}V{BOTTOM}" for x in x_ticks]
    lines += [f"M{LEFT} {at_y(y)}H{RIGHT}" for y in y_ticks]
    return [
        f'<path d="{"".join(lines)}" stroke="{GRID}" fill="none"/>',
        f'<path d="M{LEFT} {TOP}V{BOTTOM}H{RIGHT}" stroke="{GREY}" fill="none"/>',
        *(_text(at_x(x), BOTTOM + 16, _number(x, x_ticks), anchor="middle") for x in x_ticks),
        *(_text(LEFT - 6, at_y(y) + 4, _number(y, y_ticks), anchor="end") for y in y_ticks),
    ]


def _number(value: float, ticks: Sequence[float]) -> str:
    decimals = max(0, -floor(log10(ticks[1] - ticks[0]) + 1e-9))
    return f"{value:.{decimals}f}".replace("-0", "0") if not value else f"{value:.{decimals}f}"


# -------------------------------------------------------------------------- drawing


def _drawn(one: Series, at_x: Callable[[float], float], at_y: Callable[[float], float]) -> str:
    places = [(at_x(x), at_y(y)) for x, y in zip(one.xs, one.ys, strict=True)]
    line = ""
    if one.joined:
        path = " ".join(f"{x:g},{y:g}" for x, y in _without_repeats(places))
        dash = f' stroke-dasharray="{one.dash}"' if one.dash else ""
        line = (
            f'<polyline points="{path}" fill="none" stroke="{one.colour}" '
            f'stroke-width="1.5"{dash}/>'
        )
    if one.mark == "none":
        return line
    marks = "".join(_mark_path(one.mark, x, y, 5.0 if one.filled else 3.2) for x, y in places)
    return line + _marks(marks, one.colour, filled=one.filled)


def _reach(one: Series) -> list[float]:
    """All heights a series needs, the ends of its intervals included."""
    if not one.spread:
        return list(one.ys)
    pairs = list(zip(one.ys, one.spread, strict=True))
    return [y - half for y, half in pairs] + [y + half for y, half in pairs]


def _interval(one: Series, at_x: Callable[[float], float], at_y: Callable[[float], float]) -> str:
    """The intervals of a series: a bar with two ends at each point, or one band behind all."""
    ends = [
        (at_x(x), at_y(y - half), at_y(y + half))
        for x, y, half in zip(one.xs, one.ys, one.spread, strict=True)
    ]
    if one.band:
        around = [(x, high) for x, _, high in ends] + [(x, low) for x, low, _ in reversed(ends)]
        path = " ".join(f"{x:g},{y:g}" for x, y in around)
        return f'<polygon points="{path}" fill="{one.colour}" fill-opacity="0.2"/>'
    bars = "".join(
        f"M{x - 2.5:g} {high:g}h5M{x:g} {high:g}V{low:g}M{x - 2.5:g} {low:g}h5"
        for x, low, high in ends
    )
    return f'<path d="{bars}" stroke="{one.colour}" fill="none"/>'


def _marks(path: str, colour: str, *, filled: bool) -> str:
    fill, edge = (colour, "#111111") if filled else ("#FFFFFF", colour)
    return f'<path d="{path}" fill="{fill}" stroke="{edge}" stroke-width="1.2"/>'


def _mark_path(mark: Mark, x: float, y: float, r: float) -> str:
    match mark:
        case "square":
            return f"M{x - r:.1f} {y - r:.1f}h{2 * r:g}v{2 * r:g}h{-2 * r:g}z"
        case "triangle":
            return f"M{x:.1f} {y - 1.2 * r:.1f}l{1.2 * r:.1f} {2.1 * r:.1f}h{-2.4 * r:.1f}z"
        case "diamond":
            s = 1.3 * r
            return f"M{x:.1f} {y - s:.1f}l{s:.1f} {s:.1f}l{-s:.1f} {s:.1f}l{-s:.1f} {-s:.1f}z"
    return f"M{x - r:.1f} {y:.1f}a{r:g} {r:g} 0 1 0 {2 * r:g} 0a{r:g} {r:g} 0 1 0 {-2 * r:g} 0z"


def _without_repeats(places: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """A line needs no two points at one place."""
    return [*places[:1], *(here for before, here in pairwise(places) if here != before)]


def _legend(chart: Chart) -> list[str]:
    parts, x = [], 10.0
    for one in chart.series:
        if not one.label:
            continue
        if one.mark == "none":
            dash = f' stroke-dasharray="{one.dash}"' if one.dash else ""
            parts.append(f'<path d="M{x:.1f} 36h18" stroke="{one.colour}" stroke-width="2"{dash}/>')
        else:
            path = _mark_path(one.mark, x + 9, 36, 4.0)
            parts.append(f'<path d="M{x:.1f} 36h18" stroke="{one.colour}" stroke-width="1.5"/>')
            parts.append(_marks(path, one.colour, filled=one.filled))
        parts.append(_text(x + 23, 40, one.label))
        x += 23 + LETTER * len(one.label) + 12
    for text, filled in chart.keys:
        parts.append(_marks(_mark_path("circle", x + 6, 36, 4.0), GREY, filled=filled))
        parts.append(_text(x + 15, 40, text))
        x += 15 + LETTER * len(text) + 12
    return parts


def _text(
    x: float,
    y: float,
    text: str,
    *,
    anchor: str = "start",
    size: int = 12,
    weight: str = "normal",
    fill: str = GREY,
    turn: str = "",
) -> str:
    extra = f' transform="{turn} rotate(-90)"' if turn else ""
    look = "" if anchor == "start" else f' text-anchor="{anchor}"'
    look += "" if size == 12 else f' font-size="{size}"'
    look += "" if fill == GREY else f' fill="{fill}"'
    look += "" if weight == "normal" else f' font-weight="{weight}"'
    return f'<text x="{x:g}" y="{y:g}"{look}{extra}>{escape(text)}</text>'
