"""What holds of every page: no violation that axe-core finds, by light and in the dark, on a phone and on a desk."""

from __future__ import annotations

from typing import Any

import pytest

from browsing import AXE, DESKTOP, PHONE, Visits, violations
from tramwright_service.pages.render import PAGES

needs_axe = pytest.mark.skipif(not AXE.is_file(), reason="needs `npm install` in tests/pages")


@needs_axe
@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_violation_of_the_accessibility_rules(path: str, size: Any, scheme: str, visits: Visits) -> None:
    assert violations(visits(viewport=size, color_scheme=scheme).open(path)) == []


@pytest.mark.parametrize("path", PAGES)
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_nothing_stands_beyond_the_edge(path: str, size: Any, language: str, visits: Visits) -> None:
    page = visits(viewport=size, locale=language).open(path)
    assert page.evaluate("document.documentElement.lang") == language
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]


@pytest.mark.parametrize("path", PAGES)
def test_what_is_tapped_is_large_enough_for_a_thumb(path: str, visits: Visits) -> None:
    # WCAG 2.2, 2.5.5 (AAA): 44 by 44 CSS pixels; a box to tick or choose is tapped by its label
    page = visits(viewport=PHONE).open(path)
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, input, a, summary, label.button, .tick, .card")]
        .filter((one) => one.checkVisibility() && !one.matches("[type=radio], [type=checkbox], .away"))
        .filter((one) => one.getBoundingClientRect().height < 44)
        .map((one) => one.outerHTML)"""
    )
    assert small == []


@pytest.mark.parametrize("path", PAGES)
def test_the_language_chosen_on_a_page_is_kept(path: str, visits: Visits) -> None:
    page = visits().open(path)
    page.get_by_role("link", name="Deutsch").click()
    page.wait_for_selector("html[lang=de][data-ready]", state="attached")
    page.goto(path)
    assert page.evaluate("document.documentElement.lang") == "de"


@pytest.mark.parametrize("path", PAGES)
def test_a_page_can_neither_ask_another_host_nor_run_what_is_written_into_it(path: str, visits: Visits) -> None:
    visit = visits(allowed=("Content Security Policy",))
    page = visit.open(path)
    assert page.evaluate("fetch('http://127.0.0.2:9/').then(() => 'answered', () => 'refused')") == "refused"
    page.evaluate(
        """() => {
        document.body.append(Object.assign(document.createElement("script"), {textContent: "window.ran = true"}));
        document.body.insertAdjacentHTML("beforeend", "<p onclick='window.ran = true' id=trap>trap</p>");
        document.getElementById("trap").click();
        }"""
    )
    assert page.evaluate("window.ran === undefined")
    assert sum("Content Security Policy" in text for text in visit.wrong) >= 3
