"""Every screen of the bench page: no violation that axe-core finds, nothing beyond the edge, text that stays text."""

from __future__ import annotations

import re

import pytest

from at_the_machine import Person, begin, example, keep, simulated
from browsing import AXE, DESKTOP, PHONE, violations

STATIONS: list[tuple[float, float]] = [(10, 10), (490, 10), (490, 490), (10, 490), (250, 250)]
HEIGHTS = {"front-left": 0.3, "front-right": -0.2, "rear": 0.1}
NAME = "<script>alert(1)</script>"
LARGEST = 60 * 1024
"""Bytes of the page with all that it loads, compressed."""

sizes = pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])


@pytest.fixture
def named() -> dict:
    """A machine called by a script, and so are its adjusters."""
    machine = example("tilted-bed")
    machine["id"] = NAME
    for support in machine["supports"]:
        support["id"] = f"{NAME} {support['id']}"
    return machine


def every_screen(page, machine):
    """Yield the name of each screen on the way through a job, while it is shown."""
    page.goto("/bench")
    yield "empty"
    keep(page, machine)
    yield "start"
    heights = dict(zip([one["id"] for one in machine["supports"]], HEIGHTS.values(), strict=True))
    person = Person(page, simulated(machine, heights))
    person.press(re.compile("^What moved"))
    yield "about"
    person.press("Start reading")
    person.until("where")
    page.locator("#screen .main").wait_for()
    yield "where"
    person.press("Stations of your own")
    yield "own"
    begin(page, machine, STATIONS)
    person.one_screen()
    yield "read"
    page.keyboard.press("Enter")
    yield "wrong"
    person.press("Paste a table")
    yield "paste"
    person.press("Undo")
    person.until("care")
    yield "care"
    person.until("step")
    page.get_by_text("Take care").click()
    yield "step"
    person.one_screen()
    yield "says"


@pytest.mark.skipif(not AXE.is_file(), reason="needs `npm install` in tests/pages")
@sizes
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_screen_violates_the_accessibility_rules(size, scheme, visits) -> None:
    page = visits(viewport=size, color_scheme=scheme).page
    found = {screen: violations(page) for screen in every_screen(page, example("tilted-bed"))}
    assert {screen: said for screen, said in found.items() if said} == {}
    assert len(found) == 11


@sizes
def test_a_name_is_text_on_every_screen_and_nothing_stands_beyond_the_edge(size, visits, named) -> None:
    page = visits(viewport=size).page
    page.on("dialog", lambda dialog: pytest.fail(f"a name was run: {dialog.message}"))
    for screen in every_screen(page, named):
        assert page.locator("main script, #screen script").count() == 0, screen
        assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], screen
        if screen not in ("empty", "wrong"):
            assert NAME in page.locator("body").inner_text(), screen


def test_what_the_page_loads_is_small(visits, server) -> None:
    visit = visits(viewport=PHONE)
    devtools = visit.context.new_cdp_session(visit.page)
    devtools.send("Network.enable")
    loaded: list[float] = []
    devtools.on("Network.loadingFinished", lambda one: loaded.append(one["encodedDataLength"]))
    visit.open("/bench")
    visit.page.wait_for_load_state("networkidle")
    assert len(loaded) > 5
    assert sum(loaded) < LARGEST


def test_every_word_of_the_page_is_there_in_every_language(visits) -> None:
    """What is said is looked up by key: a key that is missing fails here, not at the machine."""
    page = visits(viewport=PHONE, locale="de").page
    for _ in every_screen_in_german(page):
        assert "undefined" not in page.locator("body").inner_text()


def every_screen_in_german(page):
    page.goto("/bench")
    yield
    keep(page, example("tilted-bed"))
    assert page.get_by_role("button", name=re.compile("^Ausrichten")).is_visible()
    yield
    begin(page, example("tilted-bed"), STATIONS)
    yield
    page.keyboard.type("0,5")
    page.keyboard.press("Enter")
    assert "+0,500" in page.locator("#screen").inner_text()
    yield
