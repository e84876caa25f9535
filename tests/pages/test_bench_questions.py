"""The four other questions, asked at the machine with the same keys."""

from __future__ import annotations

import re

import pytest

from at_the_machine import Person, example, keep, simulated
from browsing import PHONE

STATIONS = [(x, y) for y in (40, 200, 360) for x in (40, 200, 360)]
HEIGHTS = {"front-left": 0.1, "front-right": -0.05}


@pytest.fixture
def person(visits) -> Person:
    page = visits(viewport=PHONE).open("/bench")
    machine = example("height-checks/unequal-leads")
    keep(page, machine)
    return Person(page, simulated(machine, HEIGHTS))


def own_stations(person: Person) -> None:
    person.press("Stations of your own")
    for x, y in STATIONS:
        person.page.fill("#own-x", str(x))
        person.page.fill("#own-y", str(y))
        person.press("Add")
    person.press(re.compile("Read these stations"))


def read_all(person: Person) -> None:
    while person.settled().startswith("read"):
        person.one_screen()


def survey(person: Person, **fields: str) -> None:
    """Say how a survey is taken, and take it."""
    for name, value in fields.items():
        person.page.fill(f"#{name}", value)
    person.press("Start reading")
    if person.settled().startswith("where"):
        own_stations(person)
    read_all(person)


def asked(person: Person, path: str, press) -> dict:
    """What the service is asked once this is pressed."""
    with person.page.expect_request(lambda request: request.url.endswith(path)) as sent:
        press()
    return sent.value.post_data_json


def test_what_moved(person) -> None:
    person.press(re.compile("^What moved"))
    survey(person, bed_temperature="20")
    person.machine.move("rear", 0.4)
    payload = asked(person, "/v1/comparisons", lambda: survey(person, bed_temperature="45,5"))
    assert (payload["before"]["bed_temperature"], payload["after"]["bed_temperature"]) == (20, 45.5)
    assert len(payload["before"]["readings"]) == len(payload["after"]["readings"]) == 10
    person.page.get_by_text("rear").first.wait_for()


def test_plate_or_gantry(person) -> None:
    person.press(re.compile("^Plate or gantry"))
    survey(person)
    payload = asked(person, "/v1/reversals", lambda: survey(person))
    assert [one["turned"] for one in payload["surveys"]] == [0, 90]
    person.until("answer")
    person.press("Another survey")
    assert person.settled() == "about 3"
    person.page.keyboard.press("Control+z")
    assert person.settled().startswith("answer")


def test_height(person) -> None:
    person.press(re.compile("^Height"))
    survey(person, height="10")
    person.machine.move("rear", 0.2)
    payload = asked(person, "/v1/height-checks", lambda: survey(person, height="110"))
    assert [one["height"] for one in payload["surveys"]] == [10, 110]
    person.until("answer")


def test_a_height_is_needed(person) -> None:
    person.press(re.compile("^Height"))
    person.press("Start reading")
    assert person.page.locator("#screen .wrong").inner_text()
    assert person.job()["entries"] == []


def test_where_to_read(person) -> None:
    person.press(re.compile("^Where to read"))
    person.until("answer")
    person.page.get_by_text("The whole answer").click()
    person.page.locator("pre", has_text="stations").wait_for()
