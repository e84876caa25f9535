"""Every screen of the bench page: no violation that axe-core finds, nothing beyond the edge, text that stays text."""

from __future__ import annotations

import re

import pytest

from at_the_machine import Person, begin, example, keep, opened, simulated
from browsing import AXE, DESKTOP, PHONE, violations

STATIONS: list[tuple[float, float]] = [(10, 10), (490, 10), (490, 490), (10, 490), (250, 250)]
HEIGHTS = {"front-left": 0.3, "front-right": -0.2, "rear": 0.1}
TWELVE = [*STATIONS, (130, 130), (370, 130), (370, 370), (130, 370), (250, 20), (480, 250), (250, 480)]
SLIP = 1.0
EXPECTED = ("status of 422", "ERR_INTERNET_DISCONNECTED")
"""What the browser says of its own accord where the service refuses a survey, and where it is out of reach."""
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


def every_outcome(page, machine):
    """Yield the name of each screen that says what came of a survey or of a step, while it is shown."""
    page.goto("/bench")
    keep(page, machine)
    heights = dict(zip([one["id"] for one in machine["supports"]], HEIGHTS.values(), strict=True))

    def read(heights, spots=TWELVE, slip=0.0):
        values = [simulated(machine, heights).read(x, y) for x, y in spots]
        values[-1] += slip
        return [{"x": x, "y": y, "value": value} for (x, y), value in zip(spots, values, strict=True)]

    def person(*entries):
        begin(page, machine, TWELVE, *entries)
        return Person(page, simulated(machine, heights))

    person(*({"do": "read", **one} for one in read(heights, TWELVE[:9], SLIP))).until("suspect")
    yield "suspect"
    person({"do": "pasted", "readings": read(heights, slip=SLIP)}).until("more")
    yield "more"
    person({"do": "pasted", "readings": read(heights, slip=1e9)}).until("refused")
    yield "refused"
    for share, screen in ((-1.0, "stop"), (1.5, "step"), (1.0, "closing")):
        found = person({"do": "pasted", "readings": read(heights)})
        found.until("step")
        found.share = share
        found.one_screen()
        found.one_screen()
        found.until(screen)
        yield {"step": "turn back"}.get(screen, screen)
    found = person({"do": "pasted", "readings": read(heights)})
    found.until("step")
    found.one_screen()
    page.context.set_offline(True)
    found.type(0.1)
    page.get_by_role("button", name="Ask again now").wait_for()
    yield "away"
    page.context.set_offline(False)
    person({"do": "pasted", "readings": read({})}).until("end")
    yield "end"
    tilted = [
        {"do": "pasted", "readings": read(each)} for each in (heights, {**heights, machine["supports"][2]["id"]: 0.5})
    ]
    about = {"comparison": "bed_temperature", "reversal": "turned", "height": "height"}
    for question, asked in about.items():
        surveys = [{"do": "survey", "about": {asked: value}} for value in ((0, 90) if asked == "turned" else (20, 45))]
        opened(page, machine, question, [entry for pair in zip(surveys, tilted, strict=True) for entry in pair])
        Person(page, simulated(machine, heights)).until("answer")
        page.get_by_text("The whole answer").click()
        page.locator("pre", has_text=machine["id"]).wait_for()
        yield question
    opened(page, machine, "plan", [])
    Person(page, simulated(machine, heights)).until("answer")
    yield "plan"


journeys = pytest.mark.parametrize(("journey", "screens"), [(every_screen, 11), (every_outcome, 12)])


@pytest.mark.skipif(not AXE.is_file(), reason="needs `npm install` in tests/pages")
@sizes
@journeys
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_screen_violates_the_accessibility_rules(size, scheme, journey, screens, visits) -> None:
    page = visits(viewport=size, color_scheme=scheme, allowed=EXPECTED).page
    found = {screen: violations(page) for screen in journey(page, example("tilted-bed"))}
    assert {screen: said for screen, said in found.items() if said} == {}
    assert len(found) == screens


@sizes
@journeys
def test_a_name_is_text_on_every_screen_and_nothing_stands_beyond_the_edge(
    size, journey, screens, visits, named
) -> None:
    page = visits(viewport=size, allowed=EXPECTED).page
    page.on("dialog", lambda dialog: pytest.fail(f"a name was run: {dialog.message}"))
    for screen in journey(page, named):
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


def test_a_step_tells_what_to_turn_large_after_the_cautions_and_all_in_sight(visits) -> None:
    page = visits(viewport=PHONE).open("/bench")
    machine = example("tilted-bed")
    begin(page, machine, STATIONS)
    person = Person(page, simulated(machine, HEIGHTS))
    person.until("step")
    turn = page.locator(".says strong")
    assert re.fullmatch(r"Turn [\w-]+ (anti)?clockwise, seen from below, by \d+\.\d°", turn.inner_text())
    care, large, done = (
        one.bounding_box() for one in (page.get_by_text("Take care"), turn, page.locator(".main.wide"))
    )
    assert care["y"] < large["y"] < done["y"]
    assert done["y"] + done["height"] <= PHONE["height"]
