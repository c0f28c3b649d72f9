"""The report in a real browser: silent console, no request, narrow screen, paper."""

from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from harness.cli import main
from harness.record.result import Verdict
from tests.report.made_record import MARK, a_question, a_run, a_trip

playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
READ = ("22 01 01", "62 01 01 0A BE")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="chromium is not installed")
ARGUMENTS = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A real browser with an empty profile of its own."""
    with playwright.sync_playwright() as driver:
        program = driver.chromium.launch(executable_path=CHROMIUM, args=list(ARGUMENTS))
        yield program
        program.close()


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Address of the report of a run with 60 steps, some of which failed, two with waveforms."""
    folder = tmp_path_factory.mktemp("browser") / "run"
    trips = [a_trip("early", Verdict.FAIL, 14.78), a_trip("right", Verdict.PASS, 17.0)]
    a_run(folder, *trips, *(a_question(f"a_step_with_a_long_name_{number}", "close", READ) for number in range(60)))
    assert CliRunner().invoke(main, ["report", str(folder)]).exit_code == 0
    return (folder / "report.html").as_uri()


@pytest.fixture
def shown(browser: Any, written: str) -> Iterator[tuple[Any, list[str]]]:
    """The page, and what the console said or the page asked for besides itself."""
    page, heard = browser.new_page(viewport={"width": 1280, "height": 800}), []
    page.on("console", lambda message: heard.append(message.text))
    page.on("pageerror", lambda error: heard.append(str(error)))
    page.on("request", lambda request: heard.append(request.url) if request.url not in (written, "data:,") else None)
    page.goto(written)
    yield page, heard
    page.close()


def test_nothing_is_said_on_the_console_and_nothing_is_fetched(shown: tuple[Any, list[str]]) -> None:
    page, heard = shown
    for _ in range(40):
        page.keyboard.press("Tab")
    page.locator(".point").last.hover()
    page.locator("figure svg").last.hover()

    assert heard == []


def test_element_ids_are_unique(shown: tuple[Any, list[str]]) -> None:
    ids = shown[0].eval_on_selector_all("[id]", "all => all.map(each => each.id)")

    assert len(ids) > 10
    assert sorted(ids) == sorted(set(ids))


def test_a_screen_of_320_pixels_does_not_scroll_sideways(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown
    page.set_viewport_size({"width": 320, "height": 640})

    assert page.evaluate("document.documentElement.scrollWidth") <= 320


def test_the_first_screen_holds_what_a_reader_needs_first(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown

    for text in (
        MARK,
        "fail",
        "serial number 0001",
        "too early by 1.62 s",
        "does not isolate",
        "injector: calibration",
    ):
        box = page.get_by_text(text).first.bounding_box()
        assert box is not None, text
        assert box["y"] + box["height"] <= 800, text


def test_hovering_shows_the_point(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown
    figure = page.locator("#tcc-1")

    figure.locator(".point").last.hover()  # both lie in one place: the worse is on top

    assert figure.get_by_role("status").inner_text() == (
        "plan/early: fail, overload, 55 A in 14.78 s (limits 16.4 s to 17.7 s), cold start"
    )


def test_hovering_reads_a_waveform(shown: tuple[Any, list[str]]) -> None:
    """The recording rises by 1 V each 0.1 s from 0 to 4 s: in the middle of the panel it is 20 V at 2 s."""
    page, _ = shown
    room = page.locator("rect.room").first
    room.scroll_into_view_if_needed()
    box = room.bounding_box()

    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    words = page.locator("figure:has(rect.room)").first.get_by_role("status").inner_text()
    found = re.fullmatch(r"at ([\d.]+) s: gate ([\d.]+) V", words)
    assert found is not None, words
    assert float(found[1]) == pytest.approx(2.0, abs=0.01)
    assert float(found[2]) == pytest.approx(20.0, abs=0.51)


def test_by_keyboard_alone_a_point_is_reached_and_a_picture_enlarged(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.classList.contains('point')"):
            break
    figure = page.locator("#tcc-1")
    before = figure.locator("svg").get_attribute("viewBox")

    assert figure.get_by_role("status").inner_text().startswith("plan/right: pass")
    page.keyboard.press("+")
    enlarged = figure.locator("svg").get_attribute("viewBox")
    page.keyboard.press("0")

    assert float(enlarged.split()[2]) == pytest.approx(float(before.split()[2]) / 2)
    assert figure.locator("svg").get_attribute("viewBox") == before


def test_by_keyboard_alone_a_waveform_is_read_and_exchanges_are_opened(shown: tuple[Any, list[str]]) -> None:
    page, _ = shown
    figure = page.locator("figure:has(rect.room)").first
    figure.locator("svg").focus()
    first = figure.get_by_role("status").inner_text()
    page.keyboard.press("ArrowRight")

    assert figure.get_by_role("status").inner_text() != first
    page.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert page.get_by_text("read overload_pickup: overload_pickup = 27.5 A").first.is_visible()


def test_without_scripts_it_says_the_same(browser: Any, written: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(written)

    assert page.locator("button").count() == 0
    assert page.locator(".point title").last.text_content().startswith("plan/early: fail, overload, 55 A in 14.78 s")
    assert page.locator("figure svg").count() == 3
    context.close()


def test_every_printed_page_bears_the_mark_and_the_caution(shown: tuple[Any, list[str]], tmp_path: Path) -> None:
    if shutil.which("pdftotext") is None:
        pytest.skip("pdftotext is not installed")
    (tmp_path / "report.pdf").write_bytes(shown[0].pdf(prefer_css_page_size=True))
    text = subprocess.run(
        ["pdftotext", tmp_path / "report.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = text.rstrip("\f").split("\f")

    assert len(pages) >= 4
    assert [number for number, each in enumerate(pages) if MARK not in each] == []
    assert [number for number, each in enumerate(pages) if "does not isolate" not in each] == []


def test_it_prints_on_more_than_one_page(shown: tuple[Any, list[str]]) -> None:
    paper = shown[0].pdf(format="A4", prefer_css_page_size=True)

    assert paper.startswith(b"%PDF")
    assert paper.count(b"/Type /Page\n") >= 2
