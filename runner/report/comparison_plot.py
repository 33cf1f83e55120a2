"""The plot of a comparison: both curves, and their differences with the band of 95 %.

One SVG of up to six panels, by `chart`; a pure function. A band that leaves the line of nought
is a difference that is one.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from runner.analysis.comparison import Difference, Matched
from runner.report.chart import COLOURS, DASHES, HEIGHT, MARKS, WIDTH, Axis, Chart, Series, svg
from runner.report.comparison import Compared
from runner.report.page.markup import printable

PANELS = (
    ("efficiency", "Efficiency: difference", "percentage points", 100.0),
    ("ploss_w", "Loss: difference", "mW", 1000.0),
    ("vout_v", "Output voltage: difference", "mV", 1000.0),
)
HEAD = 64
LIGHT = 0.05
"""Loads below this share of the greatest stretch the axis of an efficiency and are not drawn."""
NOUGHT = "#555555"


def comparison_plot(compared: Sequence[Compared]) -> str:
    """The whole plot as SVG text, complete in itself."""
    panels = [_both(compared), *(_difference(compared, *panel) for panel in PANELS)]
    rows = (len(panels) + 1) // 2
    width, height = 2 * WIDTH, HEAD + rows * HEIGHT
    names = " and ".join(dict.fromkeys(one.b.label for one in compared))
    title = printable(f"{names} less {compared[0].a.label}")
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'font-family="system-ui, sans-serif" font-size="13" fill="#111111">'
        f"<title>{escape(title)}</title>"
        f'<rect width="{width}" height="{height}" fill="#FFFFFF"/>'
        f'<text x="10" y="26" font-size="18" font-weight="bold">{escape(title)}</text>'
        f'<text x="10" y="48" fill="{NOUGHT}">Bands and bars: 95 % coverage. What both runs read '
        "with one box cancels in the difference; a band clear of nought is a difference.</text>"
    )
    placed = (
        panel.replace(
            "<svg ",
            f'<svg x="{WIDTH * (k % 2)}" y="{HEAD + HEIGHT * (k // 2)}" '
            f'width="{WIDTH}" height="{HEIGHT}" ',
            1,
        )
        for k, panel in enumerate(panels)
    )
    return head + "".join(placed) + "</svg>\n"


def _both(compared: Sequence[Compared]) -> str:
    """The efficiency of every run at one line, each with its own band."""
    line_v = _middle_line(compared)
    series = []
    for k, (label, curve) in enumerate(_efficiencies(compared, line_v)):
        xs, ys, halves = zip(*curve, strict=True) if curve else ((), (), ())
        colour, mark = COLOURS[k % 7], MARKS[k % 4]
        series.append(Series(label, xs, ys, colour, mark, spread=halves, band=True))
    title = f"Efficiency at {line_v:g} V"
    return svg(Chart(title, Axis("load (A)", least=0.0), Axis("efficiency (%)"), series))


def _middle_line(compared: Sequence[Compared]) -> float:
    """The line nearest to nominal that every run was compared at, fast."""
    lines = [{m.line_set_v for m in one.matched if m.kind == _kind(one)} for one in compared]
    common = set.intersection(*lines) or lines[0]
    nominal_v = compared[0].a.record.module.get("line_nominal_v", 0.0)
    return min(sorted(common), key=lambda line_v: abs(line_v - nominal_v))


def _kind(compared: Compared) -> str:
    """Fast where there are fast points: they make the curve."""
    return "fast" if any(one.kind == "fast" for one in compared.matched) else "soaked"


Curve = list[tuple[float, float, float]]


def _efficiencies(compared: Sequence[Compared], line_v: float) -> list[tuple[str, Curve]]:
    found = []
    for k, one in enumerate(compared):
        here = _drawn(one, line_v, "efficiency")
        sides = (("a", one.a.label), ("b", one.b.label))[0 if k == 0 else 1 :]
        for side, label in sides:
            curve = []
            for matched, difference in here:
                value = getattr(difference, side)
                half = value.expanded(shapes=True).expanded_u
                curve.append((matched.iout_a, 100.0 * value.value, 100.0 * half))
            found.append((label, curve))
    return found


def _difference(
    compared: Sequence[Compared], quantity: str, title: str, unit: str, factor: float
) -> str:
    """One quantity: a curve with its band for each line, or for each run at the middle line."""
    series: list[Series] = []
    for j, one in enumerate(compared):
        lines = sorted({matched.line_set_v for matched in one.matched})
        if len(compared) > 1:
            lines = [_middle_line(compared)]
        first = j + 1 if len(compared) > 1 else 0  # a run keeps its colour in every panel
        for k, line_v in enumerate(lines):
            here = _drawn(one, line_v, quantity)
            label = f"{line_v:g} V" if len(compared) == 1 else f"{one.b.label} {line_v:g} V"
            series.append(
                Series(
                    label,
                    [matched.iout_a for matched, _ in here],
                    [factor * difference.difference.value for _, difference in here],
                    COLOURS[(k + first) % 7],
                    MARKS[(k + first) % 4],
                    dash=DASHES[j % 3],
                    spread=[factor * difference.expanded_u for _, difference in here],
                    band=True,
                )
            )
    most_a = max((x for one in series for x in one.xs), default=1.0)
    series.append(Series("", [0.0, most_a], [0.0, 0.0], NOUGHT, "none", dash=DASHES[2]))
    y = Axis(f"b - a ({unit})")
    return svg(Chart(title, Axis("load (A)", least=0.0), y, [s for s in series if s.xs]))


def _drawn(compared: Compared, line_v: float, quantity: str) -> list[tuple[Matched, Difference]]:
    kind = _kind(compared)
    pairs = [
        (matched, difference)
        for matched in compared.matched
        for difference in matched.differences
        if (matched.kind, matched.line_set_v, difference.quantity) == (kind, line_v, quantity)
    ]
    most_a = max((matched.iout_a for matched, _ in pairs), default=0.0)
    least_a = LIGHT * most_a if quantity == "efficiency" else -1.0
    return sorted(
        ((m, d) for m, d in pairs if m.iout_a >= least_a), key=lambda pair: pair[0].iout_a
    )
