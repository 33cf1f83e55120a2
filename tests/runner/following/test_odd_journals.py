"""The page and journals that are whole by their checksums, and hold what none of ours holds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.runner.following.journals import READING, RUN, going, write
from tests.runner.following.served_page import ServedPage, serve


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """One run of ours."""
    root = tmp_path / "archive"
    write(root / "going", *going())
    return root


@pytest.fixture
def page(archive: Path) -> Iterator[ServedPage]:
    with serve(archive) as served:
        yield served


ODD_VALUES = (10**400, "\ud800", [["a"]], {"a": 1}, -1, True, None, "text")


@pytest.mark.parametrize("value", ODD_VALUES, ids=lambda value: str(ascii(value))[:12])
@pytest.mark.parametrize(
    "key", ["module", "limits", "pace_planned", "points_planned", "started_utc"]
)
def test_a_journal_with_anything_in_it_takes_no_other_run_with_it(
    key: str, value: object, archive: Path, page: ServedPage
) -> None:
    write(archive / "odd", ("run", RUN | {key: value}), *going()[1:])
    listed = page.ask("/")
    assert listed.status == 200 and 'href="/runs/going"' in listed.text
    shown = page.ask("/runs/odd")
    assert shown.status in (200, 409) and str(archive) not in shown.text
    assert page.post("/runs/odd/stop").status in (303, 409)


@pytest.mark.parametrize("value", ODD_VALUES, ids=lambda value: str(ascii(value))[:12])
def test_an_ending_with_anything_in_it_is_listed(
    value: object, archive: Path, page: ServedPage
) -> None:
    write(archive / "odd", *going(), ("end", {"ending": value}))
    listed = page.ask("/")
    assert listed.status == 200 and 'href="/runs/odd"' in listed.text
    assert page.ask("/runs/odd").status in (200, 409)


def test_a_reading_greater_than_any_is_one_clear_error(archive: Path, page: ServedPage) -> None:
    write(archive / "odd", *going(), ("sample", {"index": 0, **READING, "vin_v": 10**400}))
    for answer in (page.ask("/runs/odd"), page.post("/runs/odd/stop")):
        assert answer.status == 409 and "vin_v is 1000" in answer.text
