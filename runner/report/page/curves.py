"""The drawings of the page: curves with their intervals, the heat, and the derating.

Fast and soaked points apart, every tested point visible, what is extrapolated dashed and named.
Drawn by `plots` and `chart`, from the same points as the tables.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from itertools import groupby

from runner.report.budget import COVERAGE
from runner.report.chart import COLOURS, DASHES, GREY, MARKS, Axis, Chart, Series, svg
from runner.report.page.markup import NOTHING, Markup, element, figure, section
from runner.report.plots import (
    TEMPERATURES,
    efficiency_plot,
    loss_plot,
    output_plot,
    temperature_plot,
)
from runner.report.tables import Tables
from runner.steps import Point

K = 2.0
"""Coverage factor of a worth: many sources of like size, nearly normal (JCGM 100:2008, G.6.6)."""
BARS = "Bars: 95 % coverage."


def curves(tables: Tables) -> Markup:
    """Efficiency, loss, output and temperatures."""
    drawn = list(_figures(tables))
    return (
        section("curves", "Curves", element("div", *drawn, class_="figures")) if drawn else NOTHING
    )


def _figures(tables: Tables) -> Iterator[Markup]:
    module = tables.record.module
    observed = [measured for measured in tables.measured.points if measured.is_observed]
    points = [measured.numbered.point for measured in observed]
    if points:
        efficiency = _half(tables, "efficiency", 100.0)
        yield figure(
            efficiency_plot(points, efficiency, list(_claimed(tables))),
            f"Measured points; straight lines only join them. {BARS}",
        )
        yield figure(loss_plot(points, _half(tables, "ploss_w", 1.0)), f"Input less output. {BARS}")
        set_v = module["vout_set_v"]
        off = _half(tables, "vout_v", 100.0 / set_v)
        yield figure(
            output_plot(points, set_v, module.get("vout_tolerance_pct"), off),
            f"Against the {set_v:g} V it is set to. {BARS}",
        )
    readings = tables.story.readings
    if any(getattr(r, name) for r in readings for _, name in TEMPERATURES):
        yield figure(temperature_plot(readings), "The whole run, thinned to what a line can show.")


def _half(tables: Tables, name: str, factor: float) -> Callable[[Point], float]:
    """Half of the 95 % interval of a quantity of a point; nought where none is known."""
    halves = {
        measured.numbered.point.t_s: factor * found.expanded(COVERAGE, shapes=True).expanded_u
        for measured in tables.measured.points
        if (found := measured.values.get(name)) is not None
    }
    return lambda point: halves.get(point.t_s, 0.0)


def _claimed(tables: Tables) -> Iterator[Series]:
    """Claimed efficiencies: a curve as a dashed line, single values as a mark."""
    label = "claimed"  # once in the legend
    for claim in tables.record.module.get("claims") or ():
        if claim["about"] == "efficiency-curve" and claim.get("points"):
            xs = [point["iout_a"] for point in claim["points"]]
            ys = [point["efficiency_pct"] for point in claim["points"]]
            yield Series(label, xs, ys, COLOURS[4], "none", dash=DASHES[1])
            label = ""
        elif claim["about"] == "efficiency" and claim.get("iout_a"):
            place = [claim["iout_a"]], [claim["efficiency_min_pct"]]
            yield Series(label, *place, COLOURS[4], "diamond", filled=True, joined=False)
            label = ""


def derating_figure(tables: Tables) -> Markup:
    """Greatest continuous load against ambient, each line with its band."""
    series = [one for line in _by_line(tables) for one in line]
    if not series:
        return NOTHING
    rated_a = tables.record.module["iout_rated_a"]
    ambients = [x for one in series for x in one.xs]
    ends = (min(ambients), max(ambients))
    rated = Series("rated", ends, (rated_a, rated_a), GREY, "none", dash=DASHES[2])
    chart = Chart(
        "Greatest continuous load",
        Axis("ambient (°C)"),
        Axis("load (A)"),
        [*series, rated],
        keys=(("extrapolated", False), ("measured", True)),
    )
    return figure(
        svg(chart),
        f"Dashed and hollow: extrapolated. Bands: k = {K:g}, about 95 %. Beyond 25 K from a soak "
        "there is no figure.",
    )


def _by_line(tables: Tables) -> Iterator[list[Series]]:
    pairs = zip(tables.derated, tables.derated_u_a, strict=True)
    known = [(load, u_a) for load, u_a in pairs if load.greatest is not None]
    for k, (line_v, group) in enumerate(groupby(known, key=lambda pair: pair[0].line.line_v)):
        here = list(group)
        xs = [load.ambient_temp_c for load, _ in here]
        ys = [load.greatest.iout_max_a for load, _ in here if load.greatest]
        halves = [K * (u_a or 0.0) for _, u_a in here]
        colour, mark = COLOURS[k % 7], MARKS[k % 4]
        whole = Series(
            f"{line_v:g} V", xs, ys, colour, mark, dash=DASHES[1], spread=halves, band=True
        )
        sure = [
            (load.ambient_temp_c, load.greatest.iout_max_a)
            for load, _ in here
            if load.greatest and load.basis == "measured"
        ]
        measured = Series(
            "", [x for x, _ in sure], [y for _, y in sure], colour, mark, filled=True, joined=False
        )
        yield [whole, measured]
