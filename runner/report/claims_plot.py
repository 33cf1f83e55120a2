"""The plot of a judged run: what was measured with its band, and what is claimed, over it.

One SVG of panels by `chart`: efficiency at each line a claim speaks of, output and temperature
rise against load, and the continuous load against the ambient. A pure function; bands are 95 %
intervals.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from html import escape

from runner.analysis.claims import JudgedClaim
from runner.analysis.claims_load import SPOTS
from runner.analysis.derating import AMBIENTS_C, CannotDerateError
from runner.analysis.holding import Kind
from runner.analysis.judged_points import (
    SAME_AMBIENT_K,
    SAME_LINE,
    JudgedPoint,
    by_ambient,
    efficiency_of,
)
from runner.analysis.uncertainty import Uncertain
from runner.analysis.worth import Worth, worths
from runner.report.chart import COLOURS, DASHES, HEIGHT, MARKS, WIDTH, Axis, Chart, Series, svg
from runner.report.judged_run import JudgedRun
from runner.report.rows import DERATED_FROM

HEAD, COLUMNS = 64, 2
MEASURED, CLAIMED = COLOURS[0], COLOURS[1]
INK, GREY = "#111111", "#555555"
LIGHT = 0.05
"""Loads below this share of rated stretch the axis of an efficiency and are not drawn."""
KINDS: tuple[Kind, ...] = ("fast", "soaked")


def claims_plot(judged: JudgedRun) -> str:
    """The whole plot as SVG text, complete in itself."""
    panels = [*_efficiencies(judged), *_outputs(judged), *_rises(judged), *_loads(judged)]
    rows = (len(panels) + COLUMNS - 1) // COLUMNS
    width, height = COLUMNS * WIDTH, HEAD + rows * HEIGHT
    title = f"{judged.record.module['name']}: measured and claimed"
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'font-family="system-ui, sans-serif" font-size="13" fill="{INK}">'
        f"<title>{escape(title)}</title>"
        f'<rect width="{width}" height="{height}" fill="#FFFFFF"/>'
        f'<text x="10" y="26" font-size="18" font-weight="bold">{escape(title)}</text>'
        f'<text x="10" y="48" fill="{GREY}">Bands and bars: 95 % intervals. Dashed: claimed.</text>'
    )
    placed = (
        panel.replace(
            "<svg ",
            f'<svg x="{WIDTH * (k % COLUMNS)}" y="{HEAD + HEIGHT * (k // COLUMNS)}" '
            f'width="{WIDTH}" height="{HEIGHT}" ',
            1,
        )
        for k, panel in enumerate(panels)
    )
    return head + "".join(placed) + "</svg>\n"


# ---------------------------------------------------------------------------- efficiency


def _efficiencies(judged: JudgedRun) -> Iterable[str]:
    """One panel a line that a claim on efficiency was judged at."""
    claims = [
        one for one in judged.claims if one.claim["about"] in ("efficiency", "efficiency-curve")
    ]
    lines_v = sorted({_line_v(judged, one) for one in claims})
    for line_v in lines_v:
        series = list(_measured(judged, line_v, "ploss_w", lambda p: 100.0 * efficiency_of(p)))
        here = [one for one in claims if _line_v(judged, one) == line_v]
        curves = [_claimed_curve(k, one) for k, one in enumerate(here)]
        title = f"Efficiency at {line_v:g} V"
        yield svg(
            Chart(title, Axis("load (A)", least=0.0), Axis("efficiency (%)"), series + curves)
        )


def _claimed_curve(k: int, claim: JudgedClaim) -> Series:
    parts = [part.part for part in claim.parts]
    places = [(p.where.load_a, p.tolerance.least) for p in parts if p.tolerance]
    xs, ys = zip(*places, strict=True) if places else ((), ())
    granted = claim.claim.get("shortfall_pct")
    label = f"claim {claim.number}" + (f", less {granted:g} points" if granted else "")
    return Series(label, xs, ys, CLAIMED, MARKS[(k + 1) % 4], dash=DASHES[1], joined=len(xs) > 1)


# ------------------------------------------------------------------------ output and load


def _outputs(judged: JudgedRun) -> Iterable[str]:
    """The output against the load at nominal line, with the least tolerance claimed."""
    line_v, set_v = judged.record.module["line_nominal_v"], judged.case.vout_set_v
    series = list(_measured(judged, line_v, "vout_v", _quantity("vout_v")))
    if not series:
        return
    most_a = max(judged.case.rated_a, *(x for one in series for x in one.xs))
    for claim in judged.claims:
        tolerance_pct = claim.claim.get("vout_tolerance_pct")
        if tolerance_pct is not None:
            for k, sign in enumerate((1.0, -1.0)):
                edge_v = set_v * (1.0 + sign * tolerance_pct / 100.0)
                label = "" if k else f"claim {claim.number}"
                dash = DASHES[1 + claim.number % 2]
                series.append(
                    Series(label, [0.0, most_a], [edge_v] * 2, CLAIMED, "none", dash=dash)
                )
    title = f"Output at {line_v:g} V"
    yield svg(Chart(title, Axis("load (A)", least=0.0), Axis("output (V)"), series))


def _rises(judged: JudgedRun) -> Iterable[str]:
    """The rise of each spot a claim speaks of, soaked, at nominal line."""
    line_v = judged.record.module["line_nominal_v"]
    for part, name in SPOTS.items():
        claims = [
            one
            for one in judged.claims
            if one.claim["about"] == "temperature-rise"
            and (one.claim.get("part") or "hot-spot") == part
        ]
        series = list(_measured(judged, line_v, name, _quantity(name)))
        if not claims or not series:
            continue
        series += [
            _claimed(one, one.decisive.part.where.load_a, one.claim["rise_max_k"]) for one in claims
        ]
        x, y = Axis("load (A)", least=0.0), Axis("above ambient (K)", least=0.0)
        yield svg(Chart(f"{part.replace('-', ' ').capitalize()} at {line_v:g} V", x, y, series))


def _quantity(name: str) -> Callable[[JudgedPoint], Uncertain]:
    return lambda point: point.values[name]


def _loads(judged: JudgedRun) -> Iterable[str]:
    """The greatest continuous load against the ambient, and the rated currents claimed."""
    line_v = judged.record.module["line_nominal_v"]
    if judged.no_worth:
        return
    known = not set(DERATED_FROM) & set(judged.case.evidence.unknown)
    try:
        found = worths(judged.case.evidence.points, judged.case.limits, AMBIENTS_C, known=known)
    except CannotDerateError:
        return
    here = [one for one in found if _same(one.line_v, line_v) and one.iout_a is not None]
    if not here:
        return
    inside = [one for one in here if not _is_beyond(one)]
    series = [_worth_band("beyond the soaks", here, DASHES[1]), _worth_band("worth", inside, "")]
    series += [
        _claimed(one, one.claim["ambient_temp_c"], one.claim["iout_min_a"])
        for one in judged.claims
        if one.claim["about"] == "rated-current" and one.claim.get("ambient_temp_c") is not None
    ]
    x, y = Axis("ambient (°C)"), Axis("continuous load (A)", least=0.0)
    drawn = [one for one in series if one.xs]
    yield svg(Chart(f"Worth at {line_v:g} V", x, y, drawn))


def _claimed(claim: JudgedClaim, x: float, y: float) -> Series:
    """One claimed value."""
    label = f"claim {claim.number}"
    return Series(label, [x], [y], CLAIMED, MARKS[1], filled=True, joined=False)


def _is_beyond(worth: Worth) -> bool:
    """True outside the ambients and loads that were soaked at."""
    airs_c = worth.derated.line.soaked_ambients_c
    inside = min(airs_c) - SAME_AMBIENT_K <= worth.ambient_c <= max(airs_c) + SAME_AMBIENT_K
    flags = {"ABOVE_SOAKED_LOADS", "BELOW_SOAKED_LOADS", "NOT_SOAKED_AT_LINE"}
    return not inside or bool(flags & set(worth.derated.flags))


def _worth_band(label: str, found: Sequence[Worth], dash: str) -> Series:
    halves = [one.expanded.expanded_u for one in found if one.expanded is not None]
    return Series(
        label,
        [one.ambient_c for one in found],
        [one.iout_a or 0.0 for one in found],
        MEASURED,
        "none",
        dash=dash,
        spread=halves if dash and len(halves) == len(found) else (),
        band=True,
    )


# ------------------------------------------------------------------------------ measured


def _measured(
    judged: JudgedRun, line_v: float, name: str, value: Callable[[JudgedPoint], Uncertain]
) -> Iterable[Series]:
    """The curve of each kind at a line, in the air nearest to 25 °C, with its band or bars."""
    evidence = judged.case.evidence
    for kind in KINDS:
        points = [one for one in evidence.of_kind(kind, name) if _same(one.point.line_v, line_v)]
        if not points:
            continue
        air = min(by_ambient(points), key=lambda air: abs((air.temp_c or 25.0) - 25.0))
        drawn = sorted(_drawn(air.points, judged, name), key=lambda one: one.point.iout_a)
        values = [value(one) for one in drawn]
        warm = kind == "soaked"
        yield Series(
            kind,
            [one.point.iout_a for one in drawn],
            [one.value for one in values],
            COLOURS[2] if warm else MEASURED,
            "circle",
            filled=warm,
            joined=not warm,
            spread=[one.expanded(shapes=True).expanded_u for one in values],
            band=not warm,
        )


def _drawn(points: Sequence[JudgedPoint], judged: JudgedRun, name: str) -> list[JudgedPoint]:
    least_a = LIGHT * judged.case.rated_a * 0.99 if name == "ploss_w" else -1.0
    return [one for one in points if one.point.iout_set_a >= least_a]


def _same(line_v: float, other_v: float) -> bool:
    return abs(line_v - other_v) <= SAME_LINE * other_v


def _line_v(judged: JudgedRun, claim: JudgedClaim) -> float:
    stated_v = claim.claim.get("vin_v")
    return float(judged.record.module["line_nominal_v"] if stated_v is None else stated_v)
