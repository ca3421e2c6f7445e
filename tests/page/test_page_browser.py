"""The pages in a real browser: how they fit, what the slider does, paper, requests, axe."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.page.pages import CHROMIUM, FLAGS, needs_browser, small_page, written

pytestmark = needs_browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as started:
        chromium = started.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    return written(tmp_path_factory.mktemp("page"), small_page()[0])


def opened(browser: Any, address: str, wide: int = 1280, **more: Any) -> tuple[Any, list[str]]:
    """The page at a width, and what went wrong or left it."""
    page = browser.new_page(viewport={"width": wide, "height": 900}, **more)
    wrong: list[str] = []
    page.on("console", lambda said: wrong.append(said.text))
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    page.on(
        "request",
        lambda asked: (
            None
            if asked.url == address or asked.url.startswith("data:")
            else wrong.append(asked.url)
        ),
    )
    page.goto(address)
    return page, wrong


def violations(page: Any) -> list[tuple[str, str]]:
    """Of axe-core's rules for WCAG 2.2 A and AA and its best practices."""
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page).response
    assert len(found["passes"]) > 15
    return [(one["id"], one["nodes"][0]["html"][:200]) for one in found["violations"]]


def sheets(page: Any) -> int:
    """A4 pages of the PDF, by the count its page tree states (ISO 32000-1, 7.7.3)."""
    pdf = page.pdf(prefer_css_page_size=True, print_background=True)
    box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    assert box is not None
    assert [float(side) for side in box.groups()] == pytest.approx([595, 842], abs=1.5)  # A4
    return max(int(count) for count in re.findall(rb"/Count (\d+)", pdf))


@pytest.mark.parametrize("wide", [1280, 390])
def test_page_fits_its_width_and_asks_for_nothing(browser: Any, address: str, wide: int) -> None:
    page, wrong = opened(browser, address, wide)
    assert page.evaluate("document.documentElement.scrollWidth") <= wide
    assert page.evaluate("[...document.images].every(one => one.naturalWidth > 0)")
    assert wrong == []
    page.close()


def test_slider_changes_picture_words_and_the_mark_on_the_growth(
    browser: Any, address: str
) -> None:
    from playwright.sync_api import expect

    page, wrong = opened(browser, address)
    view, said = page.locator("#view"), page.locator("#controls output")

    def seen() -> tuple[str | None, ...]:
        return (
            view.get_attribute("src"),
            said.inner_text(),
            page.locator("#mark").get_attribute("d"),
        )

    slider = page.locator("#frame")
    slider.focus()
    slider.press("Home")
    first = seen()
    assert first[1].startswith("Frame 1 of 29: layer 2, 1.00 mm")
    slider.press("ArrowRight")
    second = seen()
    assert second[1].startswith("Frame 2 of 29: layer 3, 1.50 mm")
    assert all(a != b for a, b in zip(first, second, strict=True))
    assert slider.get_attribute("aria-valuetext") == second[1]
    slider.press("End")
    assert "finished" in said.inner_text()
    page.locator("#strip li").nth(4).click()
    assert said.inner_text().startswith("Frame 5 of 29")
    page.get_by_role("button", name="Play").click()
    expect(said).not_to_have_text(re.compile("^Frame 5 "))  # nothing evaluated: the page forbids it
    page.get_by_role("button", name="Pause").click()
    assert page.get_by_role("button", name="Play").is_visible()
    assert wrong == []
    page.close()


def test_without_script_all_pictures_are_there(browser: Any, address: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(address)
    assert page.locator("#strip img").count() == small_page()[1]
    assert page.locator("#view").is_visible() and not page.locator("#controls").is_visible()
    context.close()


def test_page_prints_on_two_sheets_at_most(browser: Any, address: str) -> None:
    page, _ = opened(browser, address)
    assert sheets(page) <= 2
    page.close()


@pytest.mark.parametrize(("wide", "scheme"), [(1280, "light"), (390, "dark")])
def test_axe_finds_nothing(browser: Any, address: str, scheme: str, wide: int) -> None:
    # the page's own policy keeps a checker's script out as it does any other
    page, _ = opened(browser, address, wide, color_scheme=scheme, bypass_csp=True)
    assert violations(page) == []
    page.close()


def test_script_in_a_name_does_not_run(browser: Any, tmp_path: Path) -> None:
    from tests.page.pages import page_of, posed

    name = "<img src=x onerror=document.title='run'><script>document.title='run'<|script>.gcode"
    page, wrong = opened(browser, written(tmp_path, page_of(posed(name, layers=4), [])))
    assert page.title() != "run" and wrong == []
    assert page.locator("h1").inner_text() == name
    page.close()


def test_resin_page_fits_scrubs_prints_and_axe_finds_nothing(browser: Any, tmp_path: Path) -> None:
    """Of a job with poses of its own; a sensor's has the same parts."""
    from tests.page.pages import resin_shoot_page

    content, count = resin_shoot_page()
    where = written(tmp_path, content)
    for wide, scheme in ((1280, "light"), (390, "dark")):
        page, wrong = opened(browser, where, wide, color_scheme=scheme, bypass_csp=True)
        assert page.evaluate("document.documentElement.scrollWidth") <= wide
        assert page.evaluate("[...document.images].every(one => one.naturalWidth > 0)")
        found = violations(page)
        assert found == [] and wrong == []
        if wide == 1280:
            slider, said = page.locator("#frame"), page.locator("#controls output")
            slider.focus()
            slider.press("Home")
            assert said.inner_text().startswith(f"Frame 1 of {count}: layer 2, 1.33 mm")
            assert page.locator("#mark").get_attribute("d") != "M0 0"
            assert sheets(page) == 1
        page.close()


def test_report_fits_a_phone_and_axe_finds_nothing(browser: Any, tmp_path: Path) -> None:
    """In the dark: the timeline's own colours are those of light."""
    from capturehook.page.after import audit_page
    from tests.page.pages import audited

    card = tmp_path / "card"
    card.mkdir()
    with audited(card) as (audit, thumbs):
        address = written(tmp_path, audit_page(audit, thumbs))
    page, wrong = opened(browser, address, 390, color_scheme="dark", bypass_csp=True)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390 and wrong == []
    assert violations(page) == []
    page.close()
