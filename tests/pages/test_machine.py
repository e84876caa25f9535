"""The machine page, as a person uses it: by mouse, by thumb and by keys, from each template to the API's own JSON."""

from __future__ import annotations

from itertools import product
from typing import Any

import httpx
import pytest

from browsing import DESKTOP, MACHINE, PHONE, REFUSED, Visits, field, kept, settled


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize(
    ("solver", "adjusts", "pressed"),
    [
        ("three-screw", "three screws", "three screws"),
        ("four-screw", "four screws", "four screws"),
        ("many-screw", "five or more screws", "five or more"),
        ("kinematic", "kinematic mount", "a kinematic mount"),
        ("rail-shim", "three screws, rail seats", "three screws"),
    ],
)
def test_each_template_is_a_machine_that_the_service_takes(
    size: Any, solver: str, adjusts: str, pressed: str, server: str, visits: Visits
) -> None:
    page = visits(viewport=size).open(MACHINE)
    page.select_option("#template", solver)
    assert settled(page) == adjusts
    assert page.locator(".kinds [aria-pressed=true]").inner_text() == pressed
    example = httpx.get(f"{server}/v1/solvers/{solver}").json()["example"]["machine"]
    drawn = page.locator("#plan .support .name").all_text_contents()
    assert drawn == [support["id"] for support in example.get("supports", [])]
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    seats = page.locator("#plan .seat .name").all_text_contents()
    assert seats == [seat["id"] for seat in example.get("rails", {}).get("seats", [])]


def test_a_support_goes_where_it_is_dragged(visits: Visits) -> None:
    page = visits().open(MACHINE)
    before = kept(page)["supports"][0]
    box = page.locator("#plan .support circle.reach").nth(0).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    bed = page.locator("#plan .bed").bounding_box()
    scale = (bed["width"] - 2) / 500.0  # the stroke stands half outside
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y - 25, steps=5)
    page.mouse.up()
    after = kept(page)["supports"][0]
    assert after["x"] - before["x"] == pytest.approx(40 / scale, abs=2.0)  # to the grid of the drawing
    assert after["y"] - before["y"] == pytest.approx(25 / scale, abs=2.0)
    assert after["x"] == float(field(page, "/supports/0/x").input_value())


def test_a_tap_moves_nothing(visits: Visits) -> None:
    page = visits(viewport=PHONE, has_touch=True).open(MACHINE)
    before = kept(page)
    page.locator("#plan .support circle.reach").nth(1).tap()
    assert page.evaluate("document.activeElement.dataset.at") == "/supports/1/x"
    assert kept(page) == before


def test_what_is_typed_is_drawn(visits: Visits) -> None:
    page = visits().open(MACHINE)
    mark = page.locator("#plan .support").nth(0)
    before = mark.bounding_box()
    field(page, "/supports/0/x").fill("250")
    assert mark.bounding_box()["x"] > before["x"] + 50
    field(page, "/bed/x/1").fill("1000")
    assert page.locator("#plan .measure").all_text_contents() == ["1000 mm", "500 mm"]


def test_a_whole_machine_by_keys_alone(server: str, visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)

    def to(pointer: str) -> None:
        for _ in range(200):
            page.keyboard.press("Tab")
            if page.evaluate("document.activeElement.dataset.at ?? document.activeElement.id") == pointer:
                return
        pytest.fail(f"Tab never comes to {pointer}")

    def types(pointer: str, text: str) -> None:
        to(pointer)
        page.keyboard.press("Control+A")
        page.keyboard.type(text)

    # a mark on the drawing is reached and moved with the keys as well
    while page.evaluate("document.activeElement.getAttribute('class') ?? ''").find("support") < 0:
        page.keyboard.press("Tab")
    before = kept(page)["supports"][0]["x"]
    page.keyboard.press("ArrowRight")
    assert kept(page)["supports"][0]["x"] > before
    types("/id", "heron-07")
    for pointer, text in (("/bed/x/0", "-100"), ("/bed/x/1", "900"), ("/bed/y/0", "0"), ("/bed/y/1", "700")):
        types(pointer, text)
    for index, (x, y) in enumerate([("0", "50"), ("800", "50"), ("400", "650")]):
        types(f"/supports/{index}/x", x)
        types(f"/supports/{index}/y", y)
    to("add-support")
    page.keyboard.press("Enter")
    page.keyboard.type("400")  # the caret stands in its x
    page.keyboard.press("Tab")
    page.keyboard.type("50")
    types("/supports/*/screw/lead", "1.5")
    to("/supports/*/screw/turned_from")
    page.keyboard.press("ArrowUp")
    types("/limit/total", "0.08")
    settled(page)
    machine = kept(page)
    assert machine["id"] == "heron-07"
    assert machine["bed"]["x"] == [-100, 900]
    assert [(one["x"], one["y"]) for one in machine["supports"]] == [(0, 50), (800, 50), (400, 650), (400, 50)]
    assert all(one["screw"]["lead"] == 1.5 and one["screw"]["turned_from"] == "above" for one in machine["supports"])
    assert machine["limit"] == {"total": 0.08}


def test_a_support_is_placed_by_a_tap_on_the_drawing(visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)
    page.click("#add-support")
    bed = page.locator("#plan .bed").bounding_box()
    page.mouse.click(bed["x"] + bed["width"] / 2, bed["y"] + bed["height"] / 2)
    placed = kept(page)["supports"][-1]
    assert (placed["x"], placed["y"]) == (pytest.approx(250, abs=2), pytest.approx(250, abs=2))
    assert placed["id"] == "support-4"


def test_every_fault_stands_at_its_field_in_the_words_of_the_api(server: str, visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)
    page.select_option("#template", "rail-shim")
    settled(page)
    wrong = {
        "/bed/x/0": "abc",
        "/supports/1/x": "",
        "/supports/*/screw/lead": "-3",
        "/limit/total": "0",
        "/rails/seats/2/x": "1e9",
        "/rails/stock": "0.1 thick",
    }
    for pointer, text in wrong.items():
        field(page, pointer).fill(text)
    assert settled(page).startswith("To be put right")
    machine = kept(page)
    readings = [{"x": x, "y": y, "value": 0} for x in (0, 500) for y in (0, 500)]
    answer = httpx.post(f"{server}/v1/corrections", json={"machine": machine, "survey": {"readings": readings}})
    said = {one["pointer"].removeprefix("/machine"): one["detail"] for one in answer.json()["errors"]}
    assert {*said} == {
        *("/bed/x/0", "/supports/1/x", "/limit/total", "/rails/seats/2/x", "/rails/stock/1"),
        *(f"/supports/{index}/screw/lead" for index in range(3)),
    }
    for pointer in wrong:
        shown = field(page, pointer)
        assert shown.get_attribute("aria-invalid") == "true", pointer
        told = page.locator(f"#{shown.get_attribute('aria-describedby')} [lang=en]").text_content()
        first = pointer.replace("*", "0") if pointer != "/rails/stock" else "/rails/stock/1"
        assert told == said[first]
    page.locator("#to-fault").click()
    assert page.evaluate("document.activeElement.dataset.at") == "/bed/x/0"
    # what concerns no single field stands where it belongs, and all are gone once it is right
    field(page, "/bed/x/0").fill("600")
    field(page, "/supports/1/x").fill("470")
    field(page, "/supports/*/screw/lead").fill("3")
    field(page, "/limit/total").fill("0.1")
    field(page, "/rails/seats/2/x").fill("540")
    field(page, "/rails/stock").fill("")
    settled(page)
    assert "The bed's x runs from 600 to 500" in page.locator('[data-fault="/bed/x"]').text_content()
    field(page, "/bed/x/0").fill("0")
    assert settled(page) == "three screws, rail seats"
    assert page.locator(".wrong:visible").count() == 0


@pytest.mark.parametrize("build", ["lead-screw", "nut-on-frame", "nut-under-bed"])
@pytest.mark.parametrize(("hand", "side"), [*product(("right", "left"), ("above", "below"))])
def test_the_turning_picture_says_what_the_steps_of_an_answer_say(
    build: str, hand: str, side: str, server: str, visits: Visits
) -> None:
    page = visits().open(MACHINE)
    for name, value in (("build", build), ("turned_from", side), ("hand", hand)):
        page.locator(f'[data-at="/supports/*/screw/{name}"][value="{value}"]').check()
    machine = kept(page)
    for support in machine["supports"]:
        screw = {"build": "lead-screw", "hand": "right", "turned_from": "below"} | support["screw"]
        assert (screw["build"], screw["hand"], screw["turned_from"]) == (build, hand, side)
    readings = [{"x": x, "y": y, "value": -0.5} for x in (0, 250, 500) for y in (0, 250, 500)]  # the bed is low
    solve = {"offset": "keep", "aim_for": 0, "with": [{"solver": "three-screw"}]}
    body = {"machine": machine, "survey": {"readings": readings}, "solve": solve}
    moves = httpx.post(f"{server}/v1/corrections", json=body).json()["moves"]
    assert len(moves) == 3
    assert all(move["travel"] > 0 for move in moves)
    (told,) = {(move["direction"], move["seen_from"]) for move in moves}
    assert (
        page.locator("[data-turning]").inner_text() == f"{told[0].capitalize()}, seen from {told[1]}, raises the bed."
    )
    assert page.locator("[data-arrow]").get_attribute("href") == f"#turn-{told[0]}"


@pytest.mark.parametrize("tried", ["rises", "sinks"])
@pytest.mark.parametrize("build", ["lead-screw", "nut-under-bed"])
def test_who_tries_the_screw_need_not_know_its_hand(tried: str, build: str, visits: Visits) -> None:
    page = visits().open(MACHINE)
    page.locator(f'[data-at="/supports/*/screw/build"][value="{build}"]').check()
    page.get_by_role("button", name=tried).click()
    told = page.locator("[data-turning]").inner_text()
    assert told.startswith("Clockwise" if tried == "rises" else "Anticlockwise")
    assert {support["screw"]["hand"] for support in kept(page)["supports"]} <= {"right", "left"}


def test_screws_may_differ(visits: Visits) -> None:
    page = visits().open(MACHINE)
    page.locator("#alike").uncheck()
    field(page, "/supports/1/screw/lead").fill("2.5")
    assert [support["screw"]["lead"] for support in kept(page)["supports"]] != [2.5] * 3
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert not page.locator("#alike").is_checked()
    assert field(page, "/supports/1/screw/lead").input_value() == "2.5"


def test_a_thread_from_the_list_gives_its_lead(visits: Visits) -> None:
    page = visits().open(MACHINE)
    page.locator("[data-thread]").select_option(label="M8: 1.25 mm")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {1.25}
    page.locator("#units").select_option("inch")
    page.locator("[data-thread]").select_option(label="1/4-20: 0.05 in")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {0.05}
    page.locator("[data-thread]").select_option(label="no screw: travel only")
    assert not any("screw" in support for support in kept(page)["supports"])
    assert settled(page) == "three screws"


def test_inch_and_back_is_the_same_machine(visits: Visits) -> None:
    page = visits().open(MACHINE)
    page.select_option("#template", "rail-shim")
    before = kept(page)
    page.locator("#units").select_option("inch")
    inches = kept(page)
    assert inches["units"] == "inch"
    assert inches["bed"]["x"][1] == pytest.approx(500 / 25.4, rel=1e-11)
    assert inches["rails"]["seats"][2]["x"] == pytest.approx(540 / 25.4, rel=1e-11)
    assert settled(page) == "three screws, rail seats"
    page.locator("#units").select_option("mm")
    assert kept(page) == before


def test_german_numbers_have_a_comma(visits: Visits) -> None:
    page = visits(locale="de-DE").open(MACHINE)
    assert field(page, "/limit/total").input_value() == "0,1"
    field(page, "/supports/*/screw/lead").fill("1,25")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {1.25}
    assert page.locator("[data-turning]").inner_text().endswith("hebt den Tisch.")


def test_german_words_with_every_fault_shown_stay_on_a_phone(visits: Visits) -> None:
    page = visits(viewport=PHONE, locale="de-DE", allowed=(REFUSED,)).open(MACHINE)
    page.select_option("#template", "rail-shim")
    for pointer in ("/bed/x/0", "/supports/1/x", "/supports/*/screw/lead", "/rails/seats/0/y", "/limit/total"):
        field(page, pointer).fill("abc")
    assert settled(page).startswith("Zu berichtigen")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]


def test_a_support_taken_away_again_waits_for_no_place(visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)
    before = kept(page)
    page.click("#add-support")
    assert page.locator("#hint").inner_text().startswith("Tap the drawing")
    page.locator("[data-row=support]").last.get_by_role("button", name="Remove").click()
    page.click("#plan", position={"x": 60, "y": 60})
    assert kept(page) == before
    assert page.locator("#hint").inner_text().startswith("Drag a support")


def test_the_kind_that_it_is_moves_nothing(visits: Visits) -> None:
    page = visits().open(MACHINE)
    field(page, "/supports/0/x").fill("77")
    page.get_by_role("button", name="three screws").click()
    assert kept(page)["supports"][0]["x"] == 77


@pytest.mark.parametrize("status", [503, 403])
def test_a_service_that_is_busy_or_shut_finds_no_fault_in_a_machine(status: int, visits: Visits) -> None:
    visit = visits(allowed=(f"status of {status}",))
    problem = {"title": "later", "status": status, "detail": "Send it again later."}
    visit.context.route("**/v1/corrections", lambda route: route.fulfill(status=status, json=problem), times=1)
    page = visit.open(MACHINE)
    page.wait_for_selector("#standing:has-text('Send it again later.')")
    assert page.locator("[data-fault]").count() == 0
    page.wait_for_selector("#standing[data-good=true]")  # it was asked again
