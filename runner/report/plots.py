"""The plots of a run, each a pure function from points or readings to SVG text.

The page draws a live run with them, and a report an ended one: the same plots. Fast points
are hollow and joined, soaked ones are filled, larger and never joined to them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

from runner.report.chart import COLOURS, DASHES, GREY, MARKS, Axis, Chart, Mark, Series, svg
from runner.steps import Point, Reading

LIGHT = 0.1
"""Share of the greatest load below which a low efficiency does not stretch the axis."""
KEYS = (("fast", False), ("soaked", True))
ONE_AIR_K = 5.0
"""Points whose air differs by more were taken at two ambients (common practice, no source)."""
LEAST_SPAN_K = 10.0
"""A temperature axis shows at least this much, so that noise does not look like heating."""
TEMPERATURES = (
    ("hot spot", "hot_spot_temp_c"),
    ("case", "case_temp_c"),
    ("ambient", "ambient_temp_c"),
    ("capacitor", "capacitor_temp_c"),
)
LINES = (*DASHES, "8 2 2 2")
HOUR_S, MINUTE_S = 3600.0, 60.0


Half = Callable[[Point], float]
"""Half the width of the interval around a point's value, in the unit of the axis."""


def efficiency_plot(
    points: Iterable[Point], half: Half | None = None, extra: Sequence[Series] = ()
) -> str:
    """Efficiency [%] against load [A], one curve a line voltage; `extra` lies behind them."""
    drawn = [point for point in points if point.efficiency is not None]
    least = _least_efficiency_pct(drawn)
    inside = [point for point in drawn if _efficiency_pct(point) >= least]
    missing = len(drawn) - len(inside)
    remark = f"{missing} under {least:g} % not drawn" if missing else ""
    y = Axis("efficiency (%)", least=least if inside else None)
    title = "Efficiency against load"
    return _by_load(title, y, inside, _efficiency_pct, remark, half, extra)


def loss_plot(points: Iterable[Point], half: Half | None = None) -> str:
    """Loss [W] against load [A], one curve a line voltage."""
    y = Axis("loss (W)", least=0.0)
    return _by_load("Loss against load", y, list(points), lambda p: p.ploss_w, half=half)


def output_plot(
    points: Iterable[Point], vout_set_v: float, tolerance_pct: float | None, half: Half
) -> str:
    """Output off its set voltage [%] against load [A], with the tolerance as two lines."""
    drawn = list(points)
    most_a = max((point.iout_a for point in drawn), default=1.0)
    extra = [
        Series(
            "tolerance" if sign > 0 else "", (0.0, most_a), (edge, edge), GREY, "none", dash="2 3"
        )
        for sign in (1, -1)
        if tolerance_pct is not None
        for edge in (sign * tolerance_pct,)
    ]

    def off_pct(point: Point) -> float:
        return 100.0 * (point.vout_v / vout_set_v - 1.0)

    y = Axis("off the set voltage (%)")
    return _by_load("Output voltage against load", y, drawn, off_pct, half=half, extra=extra)


def temperature_plot(readings: Sequence[Reading]) -> str:
    """Hot spot, case, ambient and capacitor [°C] over the run's time."""
    unit, unit_s = _time_unit(readings[-1].t_s if readings else 0.0)
    series = []
    for k, (label, name) in enumerate(TEMPERATURES):
        seen = [(r.t_s / unit_s, getattr(r, name)) for r in readings]
        seen = [(x, y) for x, y in seen if y is not None]
        if seen:
            xs, ys = zip(*seen, strict=True)
            series.append(Series(label, xs, ys, COLOURS[(1, 0, 2, 3)[k]], "none", dash=LINES[k]))
    x = Axis(f"time on the run's clock ({unit})", least=0.0)
    least = min((y for one in series for y in one.ys), default=0.0)
    y = Axis("temperature (°C)", most=least + LEAST_SPAN_K if series else None)
    return svg(Chart("Temperatures over time", x, y, series))


def _time_unit(most_s: float) -> tuple[str, float]:
    """The unit a time axis up to `most_s` [s] is read in, and its length [s]."""
    if most_s > 2.0 * HOUR_S:
        return "h", HOUR_S
    return ("min", MINUTE_S) if most_s > 3.0 * MINUTE_S else ("s", 1.0)


def _by_load(
    title: str,
    y: Axis,
    points: Sequence[Point],
    value: Callable[[Point], float],
    remark: str = "",
    half: Half | None = None,
    extra: Sequence[Series] = (),
) -> str:
    series: list[Series] = list(extra)
    for k, line_v in enumerate(sorted({point.line_set_v for point in points})):
        of_line = [point for point in points if point.line_set_v == line_v]
        series += _of_line(f"{line_v:g} V", of_line, value, COLOURS[k % 7], MARKS[k % 4], half)
    x = Axis("load (A)", least=0.0)
    return svg(Chart(title, x, y, series, remark, KEYS if points else ()))


def _of_line(
    label: str,
    points: Sequence[Point],
    value: Callable[[Point], float],
    colour: str,
    mark: Mark,
    half: Half | None,
) -> list[Series]:
    """The sweep up, the one down, single points and soaked ones; the first carries the label."""
    fast = sorted((p for p in points if p.kind == "fast"), key=lambda point: point.iout_a)
    up = _by_air([p for p in fast if p.label not in ("down", "reference")])
    groups = (
        *((of_air, False, True, DASHES[k % 3]) for k, of_air in enumerate(up or [[]])),
        ([p for p in fast if p.label == "down"], False, True, DASHES[1]),
        ([p for p in fast if p.label == "reference"], False, False, ""),
        ([p for p in points if p.kind == "soaked"], True, False, ""),
    )
    return [
        Series(
            "" if k else label,
            [point.iout_a for point in group],
            [value(point) for point in group],
            colour,
            mark,
            filled=filled,
            joined=joined,
            dash=dash,
            spread=[half(point) for point in group] if half else (),
        )
        for k, (group, filled, joined, dash) in enumerate(groups)
    ]


def _by_air(points: Sequence[Point]) -> list[list[Point]]:
    """Points in one air, each by rising load: what was taken at two ambients is two curves."""
    curves: list[list[Point]] = []
    for point in sorted(points, key=lambda one: one.ambient_temp_c or 0.0):
        air_c = point.ambient_temp_c or 0.0
        if not curves or air_c - (curves[-1][-1].ambient_temp_c or 0.0) > ONE_AIR_K:
            curves.append([])
        curves[-1].append(point)
    return [sorted(curve, key=lambda one: one.iout_a) for curve in curves]


def _efficiency_pct(point: Point) -> float:
    return 100.0 * (point.efficiency or 0.0)


def _least_efficiency_pct(points: Sequence[Point]) -> float:
    """The lowest efficiency of a load worth the name, down to the next 5 %."""
    most_a = max((point.iout_a for point in points), default=0.0)
    loaded = [_efficiency_pct(point) for point in points if point.iout_a >= LIGHT * most_a]
    return 5.0 * (min(loaded, default=0.0) // 5.0)
