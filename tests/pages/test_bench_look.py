"""Every screen of the bench page: no violation that axe-core finds, nothing beyond the edge, text that stays text."""

from __future__ import annotations

import re

import pytest

from at_the_machine import Person, begin, example, keep, simulated
from browsing import AXE, DESKTOP, PHONE, violations

STATIONS: list[tuple[float, float]] = [(10, 10), (490, 10), (490, 490), (10, 490), (250, 250)]
HEIGHTS = {"front-left": 0.3, "front-right": -0.2, "rear": 0.1}
NAME = "<script>alert(1)</script>"

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


def test_numbers_are_read_and_shown_with_the_decimal_sign_of_the_language(visits) -> None:
    page = visits(viewport=PHONE, locale="de").open("/bench")
    begin(page, example("tilted-bed"), STATIONS)
    page.get_by_role("button", name=",", exact=True).click()
    page.keyboard.type("5")
    page.keyboard.press("Enter")
    assert "+0,500 bei x 10, y 10" in page.locator("#screen").inner_text()
