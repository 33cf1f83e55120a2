"""The page in a real browser, headless Chromium: a live run, Stop, a phone.

Skipped where Chromium and its driver are not installed (Debian: chromium, chromium-driver).
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver
from selenium.webdriver.support.ui import WebDriverWait

from runner.attention import STOP_FILE
from tests.runner.following.journals import short, write
from tests.runner.following.served_page import serve
from tests.runner.live import Live
from tests.runner.test_served_run import AMPWORTH, bench, outputs

__all__ = ["bench"]

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
pytestmark = pytest.mark.skipif(
    not (CHROMIUM and DRIVER), reason="chromium and chromedriver are not installed"
)
WIDE, PHONE = (1200, 1000), (360, 740)
TARGET_PX = 44
"""Least size of what a finger has to hit: WCAG 2.1, success criterion 2.5.5."""

SLOW_SWEEP = """
from runner import Draw, PowerUp, Read, Setup, Steps

def sequence(setup: Setup) -> Steps:
    yield PowerUp(24.0)
    for k in range(400):
        yield Draw(0.5 + 0.005 * k)
        yield Read(samples=3, every_s=0.1)
"""
OVERLAPS = """
const shown = (box) => box.width && box.height;
const out = [];
for (const svg of document.querySelectorAll('figure svg')) {
  const frame = svg.getBoundingClientRect();
  const boxes = [...svg.querySelectorAll('text')].map((t) => [t, t.getBoundingClientRect()]);
  boxes.forEach(([text, a], k) => {
    if (a.left < frame.left - 1 || a.right > frame.right + 1 || a.top < frame.top - 1
        || a.bottom > frame.bottom + 1) out.push(text.textContent + ' leaves the plot');
    boxes.slice(k + 1).forEach(([other, b]) => {
      if (a.left < b.right && b.left < a.right && a.top + 2 < b.bottom && b.top + 2 < a.bottom)
        out.push(text.textContent + ' on ' + other.textContent);
    });
  });
}
return out;
"""


@contextmanager
def browser(size: tuple[int, int]) -> Iterator[WebDriver]:
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM or ""
    for argument in ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.add_argument(f"--window-size={size[0]},{size[1]}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    if size == PHONE:
        metrics = {"width": size[0], "height": size[1], "pixelRatio": 2}
        options.add_experimental_option("mobileEmulation", {"deviceMetrics": metrics})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    try:
        yield driver
        entries = driver.get_log("browser")  # type: ignore[no-untyped-call]
        complaints = [one["message"] for one in entries if one["level"] in ("WARNING", "SEVERE")]
        assert complaints == []  # a breach of the content policy would be here
    finally:
        driver.quit()


@contextmanager
def ended_in_any_case(run: subprocess.Popen[bytes]) -> Iterator[None]:
    try:
        yield
    except BaseException:
        run.terminate()
        raise


def marks(driver: WebDriver) -> int:
    """Marks drawn in the first plot: each begins with a move."""
    paths = driver.find_elements(By.CSS_SELECTOR, "figure:first-child path[fill='#FFFFFF']")
    return sum((path.get_attribute("d") or "").count("M") for path in paths)


def test_a_live_run_grows_on_the_page_and_is_stopped_from_it(bench: Path, tmp_path: Path) -> None:
    archive = tmp_path / "archive"
    archive.mkdir()
    own = tmp_path / "own.py"
    own.write_text(SLOW_SWEEP, "utf-8")
    command = [*AMPWORTH, "run", str(own), "--bench", str(bench), "--out", str(archive / "night")]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL) as run, serve(archive) as page:
        with ended_in_any_case(run), browser(PHONE) as driver:
            wait = WebDriverWait(driver, 30)
            driver.get(f"http://{page.host}/")
            wait.until(lambda d: d.find_elements(By.CSS_SELECTOR, ".phase.running"))
            driver.find_element(By.CSS_SELECTOR, ".runs a").click()
            wait.until(lambda d: marks(d) >= 3)
            before = marks(driver)
            driver.execute_script("window.sameDocument = true")
            wait.until(lambda d: marks(d) >= before + 3)
            assert driver.execute_script("return window.sameDocument")  # swapped, not reloaded
            driver.find_element(By.CSS_SELECTOR, ".control summary").click()
            driver.find_element(By.CSS_SELECTOR, ".control button").click()
            wait.until(lambda d: "Safe state reached" in d.page_source)
            assert "stopped by request of the page" in driver.page_source
        run.wait(30)
    assert run.returncode == 5
    assert (archive / "night" / STOP_FILE).exists()
    assert outputs(bench) == ["0", "0"]


@pytest.fixture
def ended(live: Live) -> Path:
    """An archive with a whole run, judged, and a short one."""
    live.run("load_sweep", points="12")
    run = live.folder / "run"
    (run / "verdicts.csv").write_text("claim,source,verdict\nefficiency,label,fail\n", "utf-8")
    archive = live.folder / "archive"
    archive.mkdir()
    run.rename(archive / "a_rather_long_name_of_a_run_folder_2026-06-21_040000")
    write(archive / "short", *short())
    return archive


@pytest.mark.parametrize("size", [WIDE, PHONE])
def test_nothing_overlaps_or_sticks_out(size: tuple[int, int], ended: Path) -> None:
    with serve(ended) as page, browser(size) as driver:
        paths = ["/", *(f"/runs/{folder.name}" for folder in ended.iterdir())]
        for path in paths:
            driver.get(f"http://{page.host}{path}")
            wide = driver.execute_script("return document.documentElement.scrollWidth")
            assert wide <= size[0]
            assert driver.execute_script(OVERLAPS) == []


def test_stop_is_large_enough_for_a_finger_and_asks_once_more(tmp_path: Path) -> None:
    write(tmp_path / "going", *short()[:-2])
    with serve(tmp_path) as page, browser(PHONE) as driver:
        driver.get(f"http://{page.host}/runs/going")
        button = driver.find_element(By.CSS_SELECTOR, ".control button")
        assert not button.is_displayed()
        stop = driver.find_element(By.CSS_SELECTOR, ".control summary")
        assert stop.size["height"] >= TARGET_PX and stop.size["width"] >= TARGET_PX
        stop.click()
        assert button.is_displayed() and button.size["height"] >= TARGET_PX


def test_a_page_without_an_answer_says_that_it_is_old(tmp_path: Path) -> None:
    write(tmp_path / "going", *short()[:-2])
    with serve(tmp_path) as page:
        lost = pytest.raises(AssertionError, match="ERR_CONNECTION_REFUSED")  # said in its log
        with lost, browser(WIDE) as shown:
            shown.get(f"http://{page.host}/runs/going")
            assert not shown.find_element(By.ID, "lost").is_displayed()
            page.end()
            WebDriverWait(shown, 15).until(lambda d: d.find_element(By.ID, "lost").is_displayed())


def test_the_token_is_given_in_a_form(tmp_path: Path) -> None:
    write(tmp_path / "going", *short()[:-2])
    with serve(tmp_path, "lakeside-weather-mast-24") as page, browser(WIDE) as driver:
        driver.get(f"http://{page.host}/runs/going")
        assert driver.current_url.endswith("/login")
        driver.find_element(By.NAME, "token").send_keys("lakeside-weather-mast-24")
        driver.find_element(By.TAG_NAME, "button").click()
        WebDriverWait(driver, 10).until(lambda d: "mast regulator" in d.page_source)
        assert "token" not in driver.current_url
