"""A module file is right, or one error names the file, every wrong key and the way out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

from runner.analysis.claims import KINDS
from runner.errors import BadInput
from runner.files.claims_file import EfficiencyCurve, read_curve
from runner.files.mistakes import dotted
from runner.files.module_file import ModuleFile, load_module_file
from runner.files.toml_file import read, resolve
from tests.runner.files.spoiling import Spoilt, spoilt
from tests.runner.files.toml_text import changed, renamed, toml_text, without

DEMO = read(resolve("demo", "module"))
CLAIMS: list[dict[str, Any]] = [
    {"about": "rated-current", "iout_min_a": 4.0, "vout_tolerance_pct": 3.0},
    {"about": "efficiency", "efficiency_min_pct": 92.0, "vin_v": 24.0, "iout_a": 2.0},
    {
        "about": "efficiency-curve",
        "points": [
            {"iout_a": 1.0, "efficiency_pct": 90.0},
            {"iout_a": 2.0, "efficiency_pct": 92.0},
        ],
    },
    {"about": "load-regulation", "regulation_max_pct": 0.5, "denominator": "vout-nominal"},
    {
        "about": "line-regulation",
        "regulation_max_pct": 0.5,
        "denominator": "vout-at-nominal-line",
        "vin_from_v": 20.0,
        "vin_to_v": 30.0,
    },
    {"about": "output-accuracy", "vout_tolerance_pct": 2.0},
    {"about": "no-load-current", "iin_max_a": 0.008},
    {"about": "current-limit", "iout_min_a": 4.5, "iout_max_a": 6.0, "behaviour": "hiccup"},
    {"about": "temperature-rise", "rise_max_k": 45.0, "part": "case", "ambient_temp_c": 40.0},
    {"about": "average-efficiency", "efficiency_min_pct": 90.0, "method": "four-point-mean"},
]
FULL = {key: value for key, value in DEMO.items() if key != "twin"} | {
    "protection": {"kind": "fuse-and-clamp", "fuse_a": 5.0, "clamp": {"emission": 1.2}},
    "claims": [claim | {"source": "label, 2026-05"} for claim in CLAIMS],
    "twin": {"topology": "buck"},
}
"""The demo module with a claim of every kind."""


def load(folder: Path, table: dict[str, Any]) -> ModuleFile:
    path = folder / "module.toml"
    path.write_text(toml_text(table), encoding="utf-8")
    return load_module_file(path)


def refusal(folder: Path, table: dict[str, Any]) -> str:
    with pytest.raises(BadInput) as caught:
        load(folder, table)
    message = str(caught.value)
    assert message.startswith(f"{folder / 'module.toml'}: ")
    return message


def test_the_shipped_module_and_the_starter_are_right() -> None:
    demo = load_module_file("demo")
    assert {claim.about for claim in demo.claims} == set(KINDS)  # one of every kind is claimed
    assert demo.twin["topology"] == "buck"
    assert (demo.vout_least_v, demo.vout_most_v) == pytest.approx((8.73, 9.27))  # 9.0 V, 3 %
    load_module_file(resolve("demo", "module").with_name("starter_module.toml"))


def test_the_shipped_curve_is_the_one_that_the_shipped_module_claims(tmp_path: Path) -> None:
    demo = load_module_file("demo")
    (claimed,) = [claim for claim in demo.claims if isinstance(claim, EfficiencyCurve)]
    csv = claimed.model_copy(update={"points": (), "curve_csv": "demo_curve.csv"})
    read = read_curve(csv, resolve("demo", "module"), 2)
    assert read.points == claimed.points and len(read.points) == 8


def test_every_kind_of_claim_survives_json(tmp_path: Path) -> None:
    module = load(tmp_path, FULL)
    assert [claim.about for claim in module.claims] == [claim["about"] for claim in CLAIMS]
    plain = json.dumps(module.model_dump(mode="json"), allow_nan=False)
    assert ModuleFile.model_validate_json(plain) == module


@settings(
    max_examples=1500, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(case=spoilt(FULL))
def test_a_spoilt_module_file_is_right_or_bad_input_that_names_it(
    tmp_path: Path, case: Spoilt
) -> None:
    path = tmp_path / "module.toml"
    path.write_text(toml_text(case.table), encoding="utf-8")
    try:
        module = load_module_file(path)
    except BadInput as error:
        message = str(error)
        assert message.startswith(f"{path}: ")
        assert any(dotted([name]) in message for name in case.names)
    else:
        json.dumps(module.model_dump(mode="json"), allow_nan=False)
        assert module.line_min_v <= module.line_nominal_v <= module.line_max_v


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (
            changed(FULL, ("line_min_v",), 25.0),
            "line_min_v: found 25.0; allowed: at most line_nominal_v, which is 24.0",
        ),
        (
            changed(FULL, ("line_max_v",), 36.0),
            "line_max_v: found 36.0; allowed: at most limits.line_abs_max_v, which is 35.0",
        ),
        (
            changed(FULL, ("iout_rated_a",), 6.0),
            "iout_rated_a: found 6.0; allowed: at most limits.iout_max_a, which is 5.5",
        ),
        (
            changed(FULL, ("limits", "case_max_temp_c"), 120.0),
            "limits.case_max_temp_c: found 120.0; allowed: at most limits.hot_spot_max_temp_c",
        ),
        (
            changed(FULL, ("limits", "derating_from_c"), 50.0),
            "limits.derating_to_zero_c: found nothing; allowed: a temperature in °C",
        ),
        (
            changed(
                changed(FULL, ("limits", "derating_from_c"), 85.0),
                ("limits", "derating_to_zero_c"),
                85.0,
            ),
            "limits.derating_from_c: found 85.0; allowed: below limits.derating_to_zero_c",
        ),
        (changed(FULL, ("airflow",), "gale"), "airflow: found 'gale'; allowed: one of"),
        (changed(FULL, ("mounting",), "nailed"), "mounting: found 'nailed'; allowed: one of"),
        (changed(FULL, ("vout_tolerance_pct",), 30), "found 30; allowed: a number in %, above 0"),
        (changed(FULL, ("vout_set_mv",), 9000), "this file writes it in V: vout_set_v = 9.0"),
        (renamed(FULL, ("limits",), "limit"), "limits: found no such key; allowed: a table with"),
        (
            changed(FULL, ("protection", "kind"), "schotky"),
            "protection.kind: found 'schotky'; allowed: one of",
        ),
        (
            changed(FULL, ("protection", "p_channel_ohm"), 0.03),
            "protection.p_channel_ohm: found the unknown key p_channel_ohm = 0.03; allowed: the "
            "keys kind, fuse_ohm",
        ),
        (
            changed(FULL, ("protection", "clamp", "emission"), "x"),
            "protection.clamp.emission: found 'x'; allowed: a number, above 0",
        ),
        (
            changed(FULL, ("claims", 1, "about"), "eficiency"),
            "claims[1].about: found 'eficiency'; allowed: one of",
        ),
        (without(FULL, ("claims", 1, "source")), "claims[1].source: found no such key"),
        (
            changed(FULL, ("claims", 1, "efficiency_min_pct"), 920),
            "claims[1].efficiency_min_pct: found 920; allowed: a number in %, above 0, at most 100",
        ),
        (
            changed(FULL, ("claims", 1, "efficiency"), 92.0),
            "claims[1].efficiency: found the unknown key efficiency = 92.0",
        ),
        (
            changed(FULL, ("claims", 2, "points", 1, "iout_ma"), 2000),
            "claims[2].points[1].iout_ma: found the unknown key iout_ma = 2000",
        ),
        (
            changed(FULL, ("claims", 2, "points", 1, "iout_a"), 0.5),
            "claims[2].points[1].iout_a: found 0.5; allowed: above 1.0",
        ),
        (
            changed(FULL, ("claims", 2, "curve_csv"), "curve.csv"),
            "claims[2].curve_csv: found both it and points",
        ),
        (
            without(FULL, ("claims", 2, "points")),
            "claims[2].curve_csv: found neither it nor points",
        ),
        (
            changed(FULL, ("claims", 3, "denominator"), "nominal"),
            "claims[3].denominator: found 'nominal'; allowed: one of \"vout-at-full-load\"",
        ),
        (
            changed(FULL, ("claims", 4, "vin_from_v"), 30.0),
            "claims[4].vin_from_v: found 30.0; allowed: below vin_to_v, which is 30.0",
        ),
        (
            changed(FULL, ("claims", 7), {"about": "current-limit", "source": "label"}),
            "claims[7].iout_min_a: found no such key; allowed: at least one of",
        ),
        (changed(FULL, ("claims",), {"about": "efficiency"}), "put it in a list: claims = [{"),
        (changed(FULL, ("claims",), [7]), "claims[0]: found 7; allowed: a table"),
    ],
)
def test_a_mistake_is_named_with_what_to_do(
    tmp_path: Path, table: dict[str, Any], says: str
) -> None:
    assert says in refusal(tmp_path, table)


CURVE_AT = ("claims", 2)
CURVE = {"about": "efficiency-curve", "curve_csv": "curve.csv", "source": "seller's page"}


def test_a_curve_is_read_from_the_csv_beside_the_module_file(tmp_path: Path) -> None:
    (tmp_path / "curve.csv").write_text(
        "# seller's page\niout_a, efficiency_pct\n0.5,85\n\n4.0, 91.5\n", encoding="utf-8"
    )
    claim = load(tmp_path, changed(FULL, CURVE_AT, CURVE)).claims[2]
    assert isinstance(claim, EfficiencyCurve)
    assert [(point.iout_a, point.efficiency_pct) for point in claim.points] == [
        (0.5, 85.0),
        (4.0, 91.5),
    ]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "curve.csv: found the first line ''; allowed: iout_a,efficiency_pct"),
        (b"load,eff\n1,90\n", "curve.csv: found the first line 'load,eff'"),
        (b"iout_a,efficiency_pct\n1,90\n", "curve.csv: points: found 1 point; allowed: at least"),
        (b"iout_a,efficiency_pct\n1,90\n1,91\n", "curve.csv: points[1].iout_a: found 1.0"),
        (
            b"iout_a,efficiency_pct\n1,0.90\n2,0.91\n",
            "points[0].efficiency_pct: found 0.9; allowed: percent: write 90",
        ),
        (b"iout_a,efficiency_pct\n1,90\n\n2;91\n", "curve.csv: line 4: found '2;91'"),
        (b"iout_a,efficiency_pct\n1,90\n2,nan\n", "curve.csv: line 3: found '2,nan'"),
        (b"iout_a,efficiency_pct\n1,90\n1_0,91\n", "curve.csv: line 3: found '1_0,91'"),
        (b"iout_a,efficiency_pct\n1,90\n2,0.91,\n", "curve.csv: line 3: found '2,0.91,'"),
        (b"iout_a,efficiency_pct\n1,9\xff\n", "claims[2].curve_csv: found 'curve.csv', which"),
        (None, "claims[2].curve_csv: found 'curve.csv', which cannot be read (No such file"),
    ],
)
def test_a_spoilt_curve_is_bad_input_with_its_line(
    tmp_path: Path, data: bytes | None, says: str
) -> None:
    if data is not None:
        (tmp_path / "curve.csv").write_bytes(data)
    with pytest.raises(BadInput) as caught:
        load(tmp_path, changed(FULL, CURVE_AT, CURVE))
    assert says in str(caught.value)
