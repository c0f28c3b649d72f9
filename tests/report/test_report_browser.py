"""The report in a real browser: silent console, no request, narrow screen, paper."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.record.journal import Journal
from harness.record.result import Coverage, Result, Verdict, Waveform

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, list[str]]]:
    """A page with the report of one failed step, and what the console said or the page asked for besides itself."""
    folder = tmp_path_factory.mktemp("browser")
    journal = Journal(folder / "run")
    journal.about(ended="yes", mark="SIMULATED BENCH: no evidence about a real breaker")
    wave = Waveform("gate", "V", 0.0, 0.1, np.arange(40, dtype=">f4").tobytes())
    head = ("plan/a_step_with_a_long_name", "plan", "a_step_with_a_long_name", "close", "steps", "p.yaml:1:1")
    for number in range(60):
        journal.result(
            Result(
                f"{head[0]}_{number}",
                *head[1:],
                Verdict.FAIL,
                ("why",),
                (),
                Coverage.NONE,
                None,
                0,
                1,
                waveforms=(wave,) if number < 2 else (),
            )
        )
    journal.close()
    assert CliRunner().invoke(main, ["report", str(folder / "run")]).exit_code == 0
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        page, heard = browser.new_page(viewport={"width": 1280, "height": 800}), []
        page.on("console", lambda message: heard.append(message.text))
        page.on("pageerror", lambda error: heard.append(str(error)))
        url = (folder / "run" / "report.html").as_uri()
        page.on("request", lambda request: heard.append(request.url) if request.url not in (url, "data:,") else None)
        page.goto(url)
        yield page, heard
        browser.close()


def test_nothing_is_said_on_the_console_and_nothing_is_fetched(shown: tuple[Any, list[str]]) -> None:
    assert shown[1] == []


def test_element_ids_are_unique(shown: tuple[Any, list[str]]) -> None:
    ids = shown[0].eval_on_selector_all("[id]", "all => all.map(each => each.id)")

    assert len(ids) > 10
    assert sorted(ids) == sorted(set(ids))


def test_a_screen_of_320_pixels_does_not_scroll_sideways(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown
    page.set_viewport_size({"width": 320, "height": 640})

    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_it_prints_on_more_than_one_page(shown: tuple[Any, list[str]]) -> None:
    paper = shown[0].pdf(format="A4", prefer_css_page_size=True)

    assert paper.startswith(b"%PDF")
    assert paper.count(b"/Type /Page\n") >= 2
