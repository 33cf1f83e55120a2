"""The plots, read back from their SVG as a person reads them: by ticks, marks and legend."""

from __future__ import annotations

import re
from itertools import combinations
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.report.chart import COLOURS, Axis, Chart, Series, svg
from runner.report.plots import efficiency_plot, loss_plot, temperature_plot
from runner.steps import Kind, Point, Reading

SVG = "{http://www.w3.org/2000/svg}"


def point(
    line_v: float, iout_a: float, loss_w: float, kind: Kind = "fast", label: str = ""
) -> Point:
    vout_v = 9.0
    return Point(
        kind=kind,
        label=label,
        line_set_v=line_v,
        iout_set_a=iout_a,
        t_s=0.0,
        samples=1,
        vin_v=line_v,
        iin_a=(vout_v * iout_a + loss_w) / line_v,
        vout_v=vout_v,
        iout_a=iout_a,
        ambient_temp_c=25.0,
        case_temp_c=40.0,
        hot_spot_temp_c=50.0,
        supply_mode="CV",
        load_mode="CC",
        settled=True,
        dwell_s=1.0,
    )


def texts(plot: str) -> list[ElementTree.Element]:
    return list(ElementTree.fromstring(plot).iter(f"{SVG}text"))


def ticks(plot: str, axis: str) -> tuple[np.ndarray, np.ndarray]:
    """Where the numbers along an axis stand, and what they say."""
    found = []
    for element in texts(plot):
        x, y = float(element.attrib["x"]), float(element.attrib["y"])
        if axis == "x" and y == 278.0:
            found.append((x, float(element.text or "")))
        elif axis == "y" and x == 48.0:
            found.append((y - 4.0, float(element.text or "")))
    places, values = zip(*found, strict=True)
    return np.array(places), np.array(values)


def read_back(plot: str, x: float, y: float) -> tuple[float, float]:
    """The values at a place of the plot, by a straight line through the numbers on its axes."""
    values = []
    for axis, place in (("x", x), ("y", y)):
        places, numbers = ticks(plot, axis)
        slope, start = np.polyfit(places, numbers, 1)
        assert np.allclose(slope * places + start, numbers, atol=2e-3 * np.ptp(numbers))
        values.append(float(slope * place + start))
    return values[0], values[1]


def lines(plot: str) -> list[list[tuple[float, float]]]:
    found = []
    for element in ElementTree.fromstring(plot).iter(f"{SVG}polyline"):
        pairs = [pair.split(",") for pair in element.attrib["points"].split()]
        found.append([(float(x), float(y)) for x, y in pairs])
    return found


@given(
    st.lists(
        st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=2, max_size=8, unique=True
    )
)
def test_every_value_stands_where_the_axes_say(values: list[tuple[float, float]]) -> None:
    xs, ys = zip(*values, strict=True)
    plot = svg(Chart("c", Axis("x (A)"), Axis("y (W)"), [Series("s", xs, ys)]))
    tick_xs, tick_ys = ticks(plot, "x")[1], ticks(plot, "y")[1]
    span_x, span_y = np.ptp(tick_xs), np.ptp(tick_ys)
    assert 2 <= len(tick_xs) <= 10 and 2 <= len(tick_ys) <= 10
    drawn = [read_back(plot, *place) for place in lines(plot)[0]]
    for x, y in values:
        assert any(abs(x - a) < 0.005 * span_x and abs(y - b) < 0.005 * span_y for a, b in drawn)


def test_loss_is_read_from_its_plot() -> None:
    given_points = [point(24.0, 0.5 * k, 0.1 + 0.3 * k) for k in range(9)]
    plot = loss_plot(given_points)
    (curve,) = lines(plot)
    for one, place in zip(given_points, curve, strict=True):
        assert read_back(plot, *place) == pytest.approx((one.iout_a, one.ploss_w), abs=0.02)


def test_axes_name_quantity_and_unit() -> None:
    points = [point(24.0, 1.0, 1.0), point(24.0, 2.0, 2.0)]
    readings = [Reading(60.0 * k, 24.0, 1.0, 9.0, 2.0, 25.0, 30.0, 40.0) for k in range(20)]
    for plot, words in (
        (efficiency_plot(points), ("load (A)", "efficiency (%)")),
        (loss_plot(points), ("load (A)", "loss (W)")),
        (temperature_plot(readings), ("time on the run's clock (min)", "temperature (°C)")),
    ):
        assert set(words) <= {element.text for element in texts(plot)}


@pytest.mark.parametrize(("most_s", "unit"), [(100.0, "s"), (3000.0, "min"), (90_000.0, "h")])
def test_time_has_a_unit_that_fits(most_s: float, unit: str) -> None:
    readings = [
        Reading(most_s * k / 9, 24.0, 1.0, 9.0, 2.0, 25.0, 30.0, 40.0 + k) for k in range(10)
    ]
    assert f"clock ({unit})" in temperature_plot(readings).replace("&#x27;", "'")


def test_fast_points_are_hollow_and_joined_and_soaked_ones_filled_and_not() -> None:
    fast = [point(24.0, a, 1.0) for a in (1.0, 2.0, 3.0)]
    soaked = [point(24.0, a, 1.4, "soaked") for a in (1.0, 3.0)]
    plot = loss_plot([*fast, *soaked])
    marks = re.findall(
        r'<path d="([^"]*)" fill="(#[^"]*)" stroke="(#[^"]*)" stroke-width="1.2"', plot
    )
    of_points = [
        (path.count("M"), fill, edge) for path, fill, edge in marks[3:]
    ]  # after the legend
    assert of_points == [(3, "#FFFFFF", COLOURS[0]), (2, COLOURS[0], "#111111")]
    assert [len(line) for line in lines(plot)] == [3]
    assert {"fast", "soaked"} <= {element.text for element in texts(plot)}


def test_each_line_voltage_has_a_curve_of_its_own_and_references_are_in_none() -> None:
    points = [point(v, a, 1.0) for v in (20.0, 24.0, 30.0) for a in (1.0, 2.0)]
    plot = loss_plot([point(24.0, 2.0, 1.1, label="reference"), *points])
    assert [len(line) for line in lines(plot)] == [2, 2, 2]
    assert {"20 V", "24 V", "30 V"} <= {element.text for element in texts(plot)}


def test_what_is_left_out_of_the_efficiency_plot_is_said() -> None:
    points = [point(24.0, a, 0.2 + 0.3 * a) for a in (0.001, 0.02, 1.0, 2.0, 4.0)]
    plot = efficiency_plot(points)
    assert "2 under 90 % not drawn" in plot
    assert [len(line) for line in lines(plot)] == [3]


def test_a_run_without_points_has_empty_plots() -> None:
    for plot in (efficiency_plot([]), loss_plot([]), temperature_plot([])):
        assert "nothing measured yet" in plot
    assert lines(temperature_plot([Reading(0.0, 24.0, 1.0, 9.0, 2.0)])) == []


def test_a_plot_is_the_same_text_each_time_and_holds_nothing_that_acts() -> None:
    points = [point(24.0, 0.1 * k, 0.1 * k, label="<script>") for k in range(40)]
    assert loss_plot(points) == loss_plot(points)
    for plot in (loss_plot(points), svg(Chart("<b>", Axis('"x"'), Axis("&"), []))):
        tags = {element.tag.removeprefix(SVG) for element in ElementTree.fromstring(plot).iter()}
        assert tags <= {"svg", "title", "rect", "path", "polyline", "text"}
        assert not re.search(r"\sstyle=|\son\w+=|href|<script", plot)


# ------------------------------------------------------------------------------ colour vision

PUBLISHED_RGB = [(0, 114, 178), (213, 94, 0), (0, 158, 115), (204, 121, 167), (0, 0, 0)]
PUBLISHED_RGB += [(230, 159, 0), (86, 180, 233)]
"""Wong, Points of view: Color blindness, Nature Methods 8, 441 (2011), from memory."""

SEEN = {
    "usual": np.eye(3),
    "protanopia": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deuteranopia": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
}
"""Machado, Oliveira, Fernandes, IEEE TVCG 15, 1291 (2009), severity 1.0, from memory; they act on
linear RGB."""


def linear(rgb: tuple[int, int, int]) -> np.ndarray:
    """IEC 61966-2-1 (sRGB) to linear."""
    c = np.array(rgb) / 255.0
    return np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* of linear sRGB, D65 (IEC 61966-2-1, CIE 15)."""
    xyz = np.array(
        [
            [0.4124, 0.3576, 0.1805],
            [0.2126, 0.7152, 0.0722],
            [0.0193, 0.1192, 0.9505],
        ]
    ) @ np.clip(rgb, 0.0, 1.0)
    f = np.cbrt(xyz / np.array([0.9505, 1.0, 1.089]))
    return np.array([116.0 * f[1] - 16.0, 500.0 * (f[0] - f[1]), 200.0 * (f[1] - f[2])])


def test_the_colours_are_the_published_ones() -> None:
    assert [f"#{r:02X}{g:02X}{b:02X}" for r, g, b in PUBLISHED_RGB] == list(COLOURS)


@pytest.mark.parametrize("vision", sorted(SEEN))
def test_the_first_three_colours_are_told_apart(vision: str) -> None:
    """A difference of 10 in L*a*b* is seen at a glance (common practice, no source)."""
    seen = [lab(SEEN[vision] @ linear(rgb)) for rgb in PUBLISHED_RGB[:3]]
    for one, other in combinations(seen, 2):
        assert float(np.linalg.norm(one - other)) > 10.0
