"""The whole job at the machine, from an empty browser to a bed within its limit, in a real browser on a real server."""

from __future__ import annotations

import re

import pytest

from at_the_machine import Person, example, keep, simulated
from browsing import DESKTOP, PHONE

MM = 1.0
INCH = 1 / 25.4
MACHINES = {
    # invented: by how much each adjuster is out of true, in mm
    "tilted-bed": {"front-left": 0.3, "front-right": -0.2, "rear": 0.1},
    "twisted-frame": {"front-left": 0.3, "front-right": -0.2, "left-rear": 0.25, "right-front": -0.1},
    "four-screws": {},
    "three-vees": {"a": 0.2, "b": -0.15, "c": 0.05},
    "shimmed-rails": {"front-left": 0.2, "rear-right": -0.2},
}


def at(visit, machine: dict, heights: dict[str, float], *, keyboard: bool = False) -> Person:
    page = visit.open("/bench")
    assert page.get_by_text("No machine is described").is_visible()
    keep(page, machine)
    person = Person(page, simulated(machine, heights), keyboard=keyboard)
    person.press(re.compile("^Tram it"))
    return person


def to_the_end(person: Person, limit: float) -> None:
    """Follow the page to its last screen, and hold that against the machine itself."""
    person.until("end")
    assert person.page.locator(".verdict").inner_text() == "Within the limit"
    job = person.job()
    stations = [(one["x"], one["y"]) for one in job["entries"][1]["stations"]]
    assert person.machine.total(stations) < limit
    assert any(screen.startswith("step") for screen in person.seen)
    assert any(screen.startswith("closing") for screen in person.seen)


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_from_an_empty_browser_to_within(size, visits) -> None:
    person = at(visits(viewport=size), example("twisted-frame"), MACHINES["twisted-frame"])
    person.share = 0.8
    to_the_end(person, 0.1)
    with person.page.expect_download() as saved:
        person.press("Save the sheet")
    assert "kingfisher-02" in saved.value.path().read_text()


@pytest.mark.parametrize("name", [name for name in MACHINES if name != "twisted-frame"])
def test_every_kind_of_support(name, visits) -> None:
    machine = example(name)
    heights = MACHINES[name] or {one["id"]: 0.001 * one["x"] - 0.0007 * one["y"] for one in machine["supports"]}
    to_the_end(at(visits(viewport=PHONE), machine, heights), machine["limit"]["total"])


def test_in_inches_on_a_machine_described_in_millimetres(visits) -> None:
    person = at(visits(viewport=PHONE), example("tilted-bed"), {})
    person.press("Close")
    person.press("inches")
    person.press(re.compile("^Tram it"))
    machine = person.job()["machine"]
    assert machine["bed"]["x"][1] == pytest.approx(500 / 25.4)
    person.machine = simulated(machine, {name: height / 25.4 for name, height in MACHINES["tilted-bed"].items()})
    to_the_end(person, 0.1 / 25.4)
    assert " in" in person.page.locator(".total").inner_text()


def test_by_the_keyboard_alone(visits) -> None:
    person = at(visits(viewport=DESKTOP), example("tilted-bed"), MACHINES["tilted-bed"], keyboard=True)
    to_the_end(person, 0.1)


def test_an_adjuster_that_does_not_do_what_it_is_told_stops_the_work(visits) -> None:
    person = at(visits(viewport=PHONE), example("tilted-bed"), MACHINES["tilted-bed"])
    person.until("step")
    person.share = -1.0
    person.until("stop")
    said = person.page.get_by_role("alert").inner_text()
    assert "stop" in said.lower() or "told" in said
    person.share = 2.0  # put right: it makes up for what it did
    person.press("Do this step again")
    person.share = 2.0
    person.until("step", "closing")


def test_a_reload_between_two_steps_shows_the_same_step(visits) -> None:
    person = at(visits(viewport=PHONE), example("twisted-frame"), MACHINES["twisted-frame"])
    person.until("step")
    person.one_screen()
    person.one_screen()
    shown = person.until("step")
    person.page.reload()
    assert person.settled() == shown
