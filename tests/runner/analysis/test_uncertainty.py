"""The algebra of uncertain values, against the examples of the GUM and a general GUM library.

Sources: JCGM 100:2008 (H.1, H.2, G.4.1, Tables G.2 and E.1); EA-4/02 M:2013, S3; the library
GTC, which knows nothing of this project. What is from memory says so.
"""

from __future__ import annotations

import math

import GTC
import pytest
from hypothesis import given
from hypothesis import strategies as st

from runner.analysis.uncertainty import (
    Source,
    Uncertain,
    apply,
    correlation,
    covariance,
    means_together,
    shape_factor,
    student_t,
    uncertain,
)


def rectangular(value: float, half_width: float, name: str, dof: float = math.inf) -> Uncertain:
    source = Source(name, "", "B", dof, "rectangular")
    return uncertain(value, half_width / math.sqrt(3.0), source)


def normal(value: float, u: float, name: str, dof: float = math.inf, box: str = "") -> Uncertain:
    return uncertain(value, u, Source(name, box, "B", dof))


# ---------------------------------------------------------------- published examples


def end_gauge() -> Uncertain:
    """H.1.2, table H.1 as read in public copies: l = lS + d - lS (dalpha theta + alphaS dtheta)."""
    standard_nm = normal(50.000623e6, 25.0, "lS", 18)
    observed = normal(215.0, 5.8, "d, observations", 24)
    random = normal(0.0, 3.9, "d, comparator, random", 5)
    systematic = normal(0.0, 6.7, "d, comparator, systematic", 8)
    theta = normal(-0.1, 0.2, "theta, mean") + uncertain(
        0.0, 0.5 / math.sqrt(2.0), Source("theta, cyclic", shape="arcsine")
    )
    alpha = rectangular(11.5e-6, 2e-6, "alphaS")
    d_alpha = rectangular(0.0, 1e-6, "dalpha", 50)
    d_theta = rectangular(0.0, 0.05, "dtheta", 2)
    d_nm = observed + random + systematic
    return standard_nm + d_nm - standard_nm * (d_alpha * theta + alpha * d_theta)


def test_h1_end_gauge() -> None:
    length_nm = end_gauge()
    assert length_nm.value == pytest.approx(50.000838e6, abs=1.0)
    assert length_nm.u == pytest.approx(31.66, abs=0.02)  # published 32
    assert length_nm.dof == pytest.approx(16.75, abs=0.02)  # published 16.7
    by_name = {row.source.name: abs(row.u) for row in length_nm.budget()}
    assert by_name["lS"] == pytest.approx(25.0, abs=0.05)
    assert by_name["dalpha"] == pytest.approx(2.9, abs=0.05)
    assert by_name["dtheta"] == pytest.approx(16.6, abs=0.05)
    assert length_nm.budget()[0].source.name == "lS"


def test_h1_expanded_takes_the_truncated_freedom_of_the_unrounded_u() -> None:
    # H.1.6: 16.7 is truncated to 16, t99(16) = 2.92, U = 93 nm from u = 32. A u rounded before
    # Welch-Satterthwaite would give 17.47 and k = 2.90.
    expanded_u, k = end_gauge().expanded(0.99)
    assert k == pytest.approx(2.921, abs=1e-3)
    assert expanded_u == pytest.approx(2.9208 * 31.66, abs=0.1)


H2 = (
    (5.007, 4.994, 5.005, 4.990, 4.999),
    (19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3),
    (1.0456, 1.0438, 1.0468, 1.0428, 1.0433),
)
"""Table H.2 (from memory; its means and correlations were read): V, A, rad."""


def impedance() -> tuple[Uncertain, Uncertain, Uncertain]:
    volts, amps, phase = means_together("H.2", *H2)
    ratio = volts / amps
    return ratio * apply(math.cos, phase), ratio * apply(math.sin, phase), ratio


def test_h2_means_keep_the_correlation_of_simultaneous_readings() -> None:
    volts, amps, phase = means_together("H.2", *H2)
    assert (volts.u, amps.u, phase.u) == pytest.approx((0.0032, 0.0095e-3, 0.00075), rel=0.01)
    assert correlation(volts, amps) == pytest.approx(-0.355, abs=5e-4)
    assert correlation(volts, phase) == pytest.approx(0.858, abs=5e-4)
    assert correlation(amps, phase) == pytest.approx(-0.645, abs=5e-4)


def test_h2_impedance_and_its_correlations() -> None:
    # Table H.4 (from memory): R 127.732, X 219.847, Z 254.260 ohm, u 0.071, 0.295, 0.236. X and Z
    # come to 0.2956 and 0.2363 carried unrounded. Without correlations: 0.195, 0.201, 0.204.
    r, x, z = impedance()
    assert (r.value, x.value, z.value) == pytest.approx((127.732, 219.847, 254.260), abs=1e-3)
    assert (r.u, x.u, z.u) == pytest.approx((0.071, 0.295, 0.236), abs=1e-3)
    assert correlation(r, x) == pytest.approx(-0.588, abs=5e-4)
    assert correlation(r, z) == pytest.approx(-0.485, abs=5e-4)
    assert correlation(x, z) == pytest.approx(0.993, abs=5.1e-4)


def test_h2_readings_taken_together_have_one_set_of_degrees_of_freedom() -> None:
    volts, amps, phase = GTC.multiple_ureal(
        [sum(v) / 5 for v in H2], [GTC.type_a.standard_uncertainty(v) for v in H2], 4
    )
    for (one, ones), (other, others) in (
        ((volts, H2[0]), (amps, H2[1])),
        ((volts, H2[0]), (phase, H2[2])),
        ((amps, H2[1]), (phase, H2[2])),
    ):
        GTC.set_correlation(_pearson(ones, others), one, other)
    theirs = (volts / amps * GTC.cos(phase), volts / amps * GTC.sin(phase), volts / amps)
    for ours, their in zip(impedance(), theirs, strict=True):
        assert ours.u == pytest.approx(GTC.uncertainty(their), rel=1e-6)
        assert ours.dof == pytest.approx(4.0)


def _pearson(xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    mean_x, mean_y = sum(xs) / len(xs), sum(ys) / len(ys)
    cross = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True))
    return cross / math.sqrt(
        sum((x - mean_x) ** 2 for x in xs) * sum((y - mean_y) ** 2 for y in ys)
    )


def test_g41_truncates_the_effective_degrees_of_freedom() -> None:
    # G.4.1 (from memory): Y = b X1 X2 X3, relative u 0.25, 0.57, 0.82 %, n = 10, 5, 15; published u
    # 1.03 %, 19.0 degrees of freedom. Unrounded they are 18.9987; truncated, t is that of 18.
    product = normal(1.0, 0.0025, "X1", 9) * normal(1.0, 0.0057, "X2", 4)
    product *= normal(1.0, 0.0082, "X3", 14)
    assert product.u == pytest.approx(0.010295, abs=5e-6)
    assert product.dof == pytest.approx(18.9987, abs=1e-3)
    assert product.expanded(0.95).k == pytest.approx(2.1009, abs=1e-4)


def test_freedom_that_only_rounding_left_below_an_integer_keeps_it() -> None:
    # 9 as 8.999999999: Table G.2 has t95(9) = 2.26, t95(8) = 2.31.
    one = uncertain(1.0, 0.1, Source("x", "", "A", 9.0 - 1e-10))
    assert one.expanded().k == pytest.approx(2.262, abs=1e-3)


@pytest.mark.parametrize(
    ("dof", "factors"),
    [
        (2, (1.32, 2.92, 4.30, 4.53, 9.92, 19.21)),
        (5, (1.11, 2.02, 2.57, 2.65, 4.03, 5.51)),
        (10, (1.05, 1.81, 2.23, 2.28, 3.17, 3.96)),
        (20, (1.03, 1.72, 2.09, 2.13, 2.85, 3.42)),
        (50, (1.01, 1.68, 2.01, 2.05, 2.68, 3.16)),
    ],
)
def test_table_g2(dof: int, factors: tuple[float, ...]) -> None:
    for coverage, factor in zip((0.6827, 0.90, 0.95, 0.9545, 0.99, 0.9973), factors, strict=True):
        assert student_t(dof, coverage) == pytest.approx(factor, abs=0.0051)


def test_ea_4_02_s3_standard_resistor_by_substitution() -> None:
    # EA-4/02 M:2013 S3 (inputs from memory); RX = 10 000.178 ohm and u = 8.328 004 052 6 mohm were
    # read in a stored file of the same example, U = 17 mohm with k = 2.
    standard = normal(10_000.053, 0.0025, "RS")
    drift = rectangular(0.020, 0.010, "dRD")
    temp_s, temp_x = rectangular(0.0, 0.00275, "dRTS"), rectangular(0.0, 0.0055, "dRTX")
    parasitic = uncertain(1.0, 1e-6 / math.sqrt(6.0), Source("rC", shape="triangular"))
    (ratio,) = means_together("r", (1.0000104, 1.0000107, 1.0000106, 1.0000103, 1.0000105))
    unknown = (standard + drift + temp_s) * parasitic * ratio - temp_x
    assert unknown.value == pytest.approx(10_000.1780007665, abs=1e-9)
    assert unknown.u == pytest.approx(0.00832800405259282, rel=1e-6)
    assert 2.0 * unknown.u == pytest.approx(0.017, abs=5e-4)


# -------------------------------------------------------------- against a general library


NUMBERS = st.floats(0.5, 20.0)
PROGRAMS = st.lists(
    st.tuples(st.sampled_from("+-*/^"), st.integers(0, 3), st.booleans()), min_size=1, max_size=6
)


@given(st.lists(NUMBERS, min_size=4, max_size=4), PROGRAMS)
def test_any_expression_agrees_with_gtc(
    values: list[float], program: list[tuple[str, int, bool]]
) -> None:
    """Value and uncertainty of random expressions in four inputs, with floats among them."""
    ours = [normal(v, 0.01 * v, f"x{k}", 5 + k) for k, v in enumerate(values)]
    theirs = [GTC.ureal(v, 0.01 * v, 5 + k) for k, v in enumerate(values)]
    mine, other = ours[0], theirs[0]
    for operation, k, swapped in program:
        match operation:
            case "+":
                mine, other = mine + ours[k], other + theirs[k]
            case "-":
                mine, other = (1.5 - mine, 1.5 - other) if swapped else (mine - 1.5, other - 1.5)
            case "*":
                mine, other = mine * ours[k], other * theirs[k]
            case "/":
                if abs(mine.value) < 1e-3:
                    return
                if swapped:
                    mine, other = 2.0 / mine, 2.0 / other
                else:
                    mine, other = mine / ours[k], other / theirs[k]
            case "^":
                mine, other = mine**2.0, other**2.0
    size = abs(mine.value) + 1e-9
    assert mine.value == pytest.approx(GTC.value(other), rel=1e-9, abs=1e-9 * size)
    assert mine.u == pytest.approx(GTC.uncertainty(other), rel=1e-6, abs=1e-9 * size)
    if mine.u > 1e-6 * size:
        assert mine.dof == pytest.approx(GTC.dof(other), rel=1e-5)


def test_powers_agree_with_gtc() -> None:
    a, b = normal(2.5, 0.1, "a"), normal(1.7, 0.2, "b")
    one, two = GTC.ureal(2.5, 0.1), GTC.ureal(1.7, 0.2)
    for ours, theirs in ((a**b, one**two), (3.0**b, 3.0**two), (a**-0.5, one**-0.5)):
        assert ours.value == pytest.approx(GTC.value(theirs), rel=1e-12)
        assert ours.u == pytest.approx(GTC.uncertainty(theirs), rel=1e-9)
    with pytest.raises(ValueError, match="not real"):
        _ = normal(-2.0, 0.1, "c") ** 0.5


# ------------------------------------------------------------------------ correlation kept


def test_readings_of_one_range_know_their_difference_better_than_either() -> None:
    gain, offset = Source("gain", "supply"), Source("offset", "supply")
    points = [
        Uncertain(amps, {gain: 1e-3 * amps, offset: 5e-3, Source(f"noise {amps}"): 1e-4})
        for amps in (2.0, 2.1)
    ]
    difference, ratio = points[1] - points[0], points[1] / points[0]
    assert points[0].u > 5e-3
    # By hand: the gain of 0.1 A of difference, 0.1 mA, and twice the noise; no offset.
    assert difference.u == pytest.approx(math.sqrt(1e-4**2 + 2.0 * 1e-4**2), rel=1e-9)
    assert ratio.u < 0.1 * points[0].u
    assert (points[0] - points[0]).u == 0.0


def test_apply_keeps_correlation_and_agrees_with_the_algebra() -> None:
    a, b = normal(3.0, 0.01, "a"), normal(5.0, 0.02, "b")
    product, same = a * b, apply(lambda x, y: x * y, a, b)
    assert same.u == pytest.approx(product.u, rel=1e-9)
    assert covariance(same, a) == pytest.approx(covariance(product, a), rel=1e-9)
    assert apply(lambda x, y: x + y, a, 2.0).u == pytest.approx(a.u)


def test_budget_is_complete_and_names_the_instrument_to_improve() -> None:
    total = normal(1.0, 3.0, "x", box="load") + normal(1.0, 4.0, "y", box="supply")
    total += normal(1.0, 12.0, "z", box="load")
    assert sum(row.share for row in total.budget()) == pytest.approx(1.0)
    assert [row.source.name for row in total.budget()] == ["z", "y", "x"]
    first = total.by_instrument()[0]
    assert first.instrument == "load"
    assert first.u == pytest.approx(math.sqrt(153.0))
    assert first.share == pytest.approx(153.0 / 169.0)


def test_sources_are_one_when_all_they_say_is_one() -> None:
    assert Source("gain", "supply") == Source("gain", "supply")
    assert Source("gain", "supply") != Source("gain", "load")
    twice = normal(1.0, 2.0, "x") + normal(1.0, 2.0, "x")
    assert twice.u == pytest.approx(4.0)


def test_rubbish_is_refused() -> None:
    for value, u in ((math.nan, 1.0), (1.0, -1.0), (1.0, math.inf)):
        with pytest.raises(ValueError, match="finite"):
            uncertain(value, u, Source("x"))
    with pytest.raises(ValueError, match="coverage"):
        normal(1.0, 0.1, "x").expanded(95.0)


# ----------------------------------------------------------------------- known shapes


def test_shapes_give_the_known_coverage_factors() -> None:
    # One rectangular source: k = 1.65 (EA-4/02 M:2013 S9.14), exactly 0.95 sqrt(3).
    assert rectangular(0.0, 1.0, "x").expanded(shapes=True).k == pytest.approx(1.6454, abs=1e-3)
    # Four equal ones: 3.88 for u = 2 (JCGM 101:2008 9.2.3, from memory); Irwin-Hall by hand.
    four = sum(
        (rectangular(0.0, math.sqrt(3.0), f"x{k}") for k in range(3)),
        rectangular(0.0, math.sqrt(3.0), "x3"),
    )
    assert four.expanded(shapes=True).expanded_u == pytest.approx(3.88, rel=0.005)
    # One ten times the others: 17.0 for u = 10.1 (JCGM 101:2008 9.2.4, from memory), where the
    # normal factor gives 19.9.
    ruled = four + 9.0 * rectangular(0.0, math.sqrt(3.0), "x3")
    assert ruled.expanded(shapes=True).expanded_u == pytest.approx(17.0, rel=0.01)
    assert ruled.expanded().expanded_u == pytest.approx(19.9, abs=0.05)
    # Two equal ones make a triangle: sqrt(6) (1 - sqrt(0.05)), EA-4/02's trapezium at its end.
    two = rectangular(0.0, 1.0, "x") + rectangular(0.0, 1.0, "y")
    exact = math.sqrt(6.0) * (1.0 - math.sqrt(0.05))
    assert two.expanded(shapes=True).k == pytest.approx(exact, rel=0.01)


def test_shape_factor_leaves_a_normal_distribution_alone() -> None:
    assert shape_factor(0.0, 0.95) == 1.0
    assert shape_factor(-0.01, 0.95) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("scale", [1e-120, 1.0, 1e120])
def test_freedom_and_shape_do_not_depend_on_the_unit(scale: float) -> None:
    parts = {Source("a", type="A", dof=9.0): 3.0, Source("b", shape="rectangular"): 4.0}
    found = Uncertain(1.0, {source: scale * part for source, part in parts.items()})
    # By hand: (9 + 16)^2 / (9^2 / 9) and -1.2 (16 / 25)^2.
    assert found.dof == pytest.approx(625.0 / 9.0)
    assert found.excess_kurtosis == pytest.approx(-1.2 * 0.64**2)
