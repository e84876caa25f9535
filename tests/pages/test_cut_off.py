"""Answers that are cut off on their way are asked for again, or the person is told; the page has no error."""

from __future__ import annotations

import re
from collections.abc import Iterator

import httpx
import pytest

from at_the_machine import Person, begin, example, opened, simulated
from browsing import MACHINE, Visits
from cutting_off import CuttingOff, cutting_off
from farm_payloads import OUTSIDE, machine, survey
from processes import served, wait_for

CUT = ("net::ERR",)
"""What the browser itself writes to its console where an answer ends too early."""
STATIONS = [(x, y) for x in (20.0, 250.0, 480.0) for y in (20.0, 250.0, 480.0)]


@pytest.fixture(scope="module")
def way(tmp_path_factory: pytest.TempPathFactory) -> Iterator[CuttingOff]:
    with served(store=str(tmp_path_factory.mktemp("farm") / "farm.db")) as port, cutting_off(port) as way:
        yield way


@pytest.fixture(scope="module")
def server(way: CuttingOff) -> str:
    return f"http://127.0.0.1:{way.port}"


def test_a_correction_is_asked_for_again(way: CuttingOff, visits: Visits) -> None:
    page = visits(allowed=CUT).open("/bench")
    readings = [{"do": "read", "x": x, "y": y, "value": 0.001 * x} for x, y in (*STATIONS, STATIONS[0])]
    way.cut("POST /v1/corrections", "accept: application/json", 2)
    begin(page, example("tilted-bed"), STATIONS, *readings)
    Person(page, simulated(example("tilted-bed"), {})).until("step")
    assert not way.left


def test_whoever_asks_for_a_text_or_a_sheet_is_told(way: CuttingOff, visits: Visits) -> None:
    page = visits(allowed=CUT).open("/bench")
    opened(page, example("tilted-bed"), "plan", [])
    Person(page, simulated(example("tilted-bed"), {})).until("answer")
    way.cut("POST /v1/survey-plans", "accept: text/plain", 1)
    page.get_by_text("The whole answer").click()
    page.locator(".wrong", has_text="does not answer").wait_for()
    page.get_by_text("The whole answer").click()
    page.get_by_text("The whole answer").click()
    page.locator("pre", has_text="stations").wait_for()
    assert page.locator(".wrong", has_text="does not answer").count() == 0

    readings = [{"do": "read", "x": x, "y": y, "value": 0.0} for x, y in (*STATIONS, STATIONS[0])]
    begin(page, example("tilted-bed"), STATIONS, *readings)
    way.cut("POST /v1/corrections", "accept: text/html", 1)
    page.get_by_role("button", name="Save the sheet").click()
    page.locator(".wrong", has_text="does not answer").wait_for()
    with page.expect_download():
        page.get_by_role("button", name="Save the sheet").click()


def stored(server: str, name: str, *values: float) -> None:
    httpx.put(f"{server}/v1/machines/{name}", json=machine()).raise_for_status()
    for value in values:
        httpx.post(f"{server}/v1/machines/{name}/surveys", json=survey(value)).raise_for_status()


@pytest.mark.parametrize(("name", "what"), [("heron", "fleet"), ("siskin", "machines/siskin/standing")])
def test_the_farm_is_looked_at_again(name: str, what: str, way: CuttingOff, server: str, visits: Visits) -> None:
    stored(server, name, OUTSIDE)
    way.cut(f"GET /v1/{what}", "", 1)
    page = visits(allowed=CUT).open(f"/farm?machine={name}")
    page.locator("#chosen .stands").wait_for()
    assert not way.left


def test_a_small_map_is_asked_for_again_when_the_farm_has_changed(way: CuttingOff, server: str, visits: Visits) -> None:
    stored(server, "plover", OUTSIDE)
    way.cut("GET /v1/machines/plover/surveys/1/thumbnail", "", 1)
    page = visits(allowed=CUT).open("/farm")
    wait_for(lambda: page.locator("#machines li").count() > 0 and not way.left)
    stored(server, "dunlin", OUTSIDE)
    page.locator("#machines li", has_text="plover").locator("img[src^=blob]").wait_for()


def test_a_machine_of_the_farm_is_opened_at_the_second_try(way: CuttingOff, server: str, visits: Visits) -> None:
    stored(server, "wren")
    way.cut("GET /v1/machines/wren", "", 1)
    page = visits(allowed=CUT).open("/bench?machine=wren")
    page.locator(".wrong", has_text="does not answer").wait_for()
    page.get_by_role("button", name="Open", exact=True).click()
    page.get_by_role("button", name=re.compile("^wren")).wait_for()


def test_a_machine_whose_storing_was_not_answered_is_no_conflict(way: CuttingOff, server: str, visits: Visits) -> None:
    stored(server, "smew")
    page = visits(allowed=(*CUT, "status of 412")).open(f"{MACHINE}?machine=smew")
    for version, size in ((2, "450"), (3, "460")):
        page.wait_for_selector(f"#stored-state:has-text('Stored, version {version - 1}')")
        page.locator('[data-at="/bed/x/1"]').fill(size)
        way.cut("PUT /v1/machines/smew", "", 1)
        page.click("#store")
        page.wait_for_selector("#trouble:has-text('does not answer')")
        page.click("#store")
    page.wait_for_selector("#stored-state:has-text('Stored, version 3')")
    assert page.locator("#conflict").is_hidden()
