"""The machine page, as a person uses it: by mouse, by thumb and by keys, from each template to the API's own JSON."""

from __future__ import annotations

import json
from itertools import product
from pathlib import Path
from typing import Any

import httpx
import pytest

from browsing import DESKTOP, PHONE, Visits

PAGE = "/bench/machine"
REFUSED = "status of 422"
"""What the browser says of its own accord when the service refuses a machine, as these tests make it do."""


def field(page: Any, pointer: str) -> Any:
    return page.locator(f'[data-at="{pointer}"]')


def kept(page: Any) -> dict[str, Any]:
    """The machine that is open, as the browser keeps it."""
    text = page.evaluate(
        "localStorage.getItem('tramwright.machine.' + localStorage.getItem('tramwright.current.machine'))"
    )
    document: dict[str, Any] = json.loads(text)
    assert document["version"] == 1
    machine: dict[str, Any] = document["content"]
    return machine


def settled(page: Any) -> str:
    """What the service says of the machine, once it has been asked of it as it is now."""
    page.wait_for_selector("#standing[data-asked=false]", state="attached")
    return str(page.locator("#standing").inner_text())


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
    page = visits(viewport=size).open(PAGE)
    page.select_option("#template", solver)
    assert settled(page) == adjusts
    assert page.locator(".kinds [aria-pressed=true]").inner_text() == pressed
    example = httpx.get(f"{server}/v1/solvers/{solver}").json()["example"]["machine"]
    drawn = page.locator("#plan .support .name").all_text_contents()
    assert drawn == [support["id"] for support in example.get("supports", [])]
    seats = page.locator("#plan .seat .name").all_text_contents()
    assert seats == [seat["id"] for seat in example.get("rails", {}).get("seats", [])]


def test_a_support_goes_where_it_is_dragged(visits: Visits) -> None:
    page = visits().open(PAGE)
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
    page = visits(viewport=PHONE, has_touch=True).open(PAGE)
    before = kept(page)
    page.locator("#plan .support circle.reach").nth(1).tap()
    assert page.evaluate("document.activeElement.dataset.at") == "/supports/1/x"
    assert kept(page) == before


def test_what_is_typed_is_drawn(visits: Visits) -> None:
    page = visits().open(PAGE)
    mark = page.locator("#plan .support").nth(0)
    before = mark.bounding_box()
    field(page, "/supports/0/x").fill("250")
    assert mark.bounding_box()["x"] > before["x"] + 50
    field(page, "/bed/x/1").fill("1000")
    assert page.locator("#plan .measure").all_text_contents() == ["1000 mm", "500 mm"]


def test_a_whole_machine_by_keys_alone(server: str, visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(PAGE)

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
    page = visits(allowed=(REFUSED,)).open(PAGE)
    page.click("#add-support")
    bed = page.locator("#plan .bed").bounding_box()
    page.mouse.click(bed["x"] + bed["width"] / 2, bed["y"] + bed["height"] / 2)
    placed = kept(page)["supports"][-1]
    assert (placed["x"], placed["y"]) == (pytest.approx(250, abs=2), pytest.approx(250, abs=2))
    assert placed["id"] == "support-4"


def test_every_fault_stands_at_its_field_in_the_words_of_the_api(server: str, visits: Visits) -> None:
    page = visits(allowed=(REFUSED,)).open(PAGE)
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
        told = page.locator(f"#{shown.get_attribute('aria-describedby')} [lang=en]").inner_text()
        first = pointer.replace("*", "0") if pointer != "/rails/stock" else "/rails/stock/1"
        assert told == said[first]
    # what concerns no single field stands where it belongs, and all are gone once it is right
    field(page, "/bed/x/0").fill("600")
    field(page, "/supports/1/x").fill("470")
    field(page, "/supports/*/screw/lead").fill("3")
    field(page, "/limit/total").fill("0.1")
    field(page, "/rails/seats/2/x").fill("540")
    field(page, "/rails/stock").fill("")
    settled(page)
    assert "The bed's x runs from 600 to 500" in page.locator('[data-fault="/bed/x"]').inner_text()
    field(page, "/bed/x/0").fill("0")
    assert settled(page) == "three screws, rail seats"
    assert page.locator(".wrong:visible").count() == 0


@pytest.mark.parametrize("build", ["lead-screw", "nut-on-frame", "nut-under-bed"])
@pytest.mark.parametrize(("hand", "side"), [*product(("right", "left"), ("above", "below"))])
def test_the_turning_picture_says_what_the_steps_of_an_answer_say(
    build: str, hand: str, side: str, server: str, visits: Visits
) -> None:
    page = visits().open(PAGE)
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
    page = visits().open(PAGE)
    page.locator(f'[data-at="/supports/*/screw/build"][value="{build}"]').check()
    page.get_by_role("button", name=tried).click()
    told = page.locator("[data-turning]").inner_text()
    assert told.startswith("Clockwise" if tried == "rises" else "Anticlockwise")
    assert {support["screw"]["hand"] for support in kept(page)["supports"]} <= {"right", "left"}


def test_screws_may_differ(visits: Visits) -> None:
    page = visits().open(PAGE)
    page.locator("#alike").uncheck()
    field(page, "/supports/1/screw/lead").fill("2.5")
    assert [support["screw"]["lead"] for support in kept(page)["supports"]] != [2.5] * 3
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert not page.locator("#alike").is_checked()
    assert field(page, "/supports/1/screw/lead").input_value() == "2.5"


def test_a_thread_from_the_list_gives_its_lead(visits: Visits) -> None:
    page = visits().open(PAGE)
    page.locator("[data-thread]").select_option(label="M8: 1.25 mm")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {1.25}
    page.locator("#units").select_option("inch")
    page.locator("[data-thread]").select_option(label="1/4-20: 0.05 in")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {0.05}
    page.locator("[data-thread]").select_option(label="no screw: travel only")
    assert not any("screw" in support for support in kept(page)["supports"])
    assert settled(page) == "three screws"


def test_inch_and_back_is_the_same_machine(visits: Visits) -> None:
    page = visits().open(PAGE)
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


def test_the_browser_keeps_it_and_each_machine_can_be_opened_again(visits: Visits) -> None:
    page = visits().open(PAGE)
    field(page, "/id").fill("avocet-11")
    page.select_option("#template", "kinematic")
    field(page, "/id").fill("lapwing-12")
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert field(page, "/id").input_value() == "lapwing-12"
    page.select_option("#kept", label="avocet-11")
    assert field(page, "/id").input_value() == "avocet-11"
    assert page.locator(".kinds [aria-pressed=true]").inner_text() == "three screws"
    page.once("dialog", lambda dialog: dialog.accept())
    page.click("#remove")
    assert page.locator("#kept option").all_inner_texts() == ["lapwing-12"]


def test_what_is_downloaded_is_what_the_api_takes_and_opens_again(
    server: str, examples: Path, visits: Visits, tmp_path: Path
) -> None:
    page = visits().open(PAGE)
    whole = json.loads((examples / "shimmed-rails.json").read_text())
    page.set_input_files("#file", examples / "shimmed-rails.json")  # a request: the machine is taken out of it
    page.wait_for_selector(f"#title-id:has-text('{whole['machine']['id']}')")
    assert settled(page) == "rail seats"
    with page.expect_download() as download:
        page.click("#download")
    saved = tmp_path / download.value.suggested_filename
    download.value.save_as(saved)
    assert saved.name == f"{whole['machine']['id']}.json"
    assert json.loads(saved.read_text()) == whole["machine"]
    assert httpx.post(f"{server}/v1/survey-plans", json={"machine": json.loads(saved.read_text())}).status_code == 200
    page.set_input_files("#file", saved)
    page.wait_for_selector("#kept option:nth-child(3)", state="attached")
    assert kept(page) == whole["machine"]


@pytest.mark.parametrize("text", ["", "{", "[1]", '{"machine": 5}', "null"])
def test_a_file_without_a_machine_is_refused_and_nothing_is_lost(text: str, visits: Visits, tmp_path: Path) -> None:
    page = visits().open(PAGE)
    before = kept(page)
    path = tmp_path / "other.json"
    path.write_text(text)
    page.set_input_files("#file", path)
    page.wait_for_selector("#trouble:has-text('no machine')")
    assert kept(page) == before


def test_what_the_page_does_not_show_stays_in_the_file(visits: Visits, tmp_path: Path) -> None:
    page = visits(allowed=(REFUSED,)).open(PAGE)
    machine = kept(page) | {"extras": {"none-such": {"a": 1}}}
    machine["supports"][0]["travel"] = [-1, 2]
    path = tmp_path / "m.json"
    path.write_text(json.dumps(machine))
    page.set_input_files("#file", path)
    page.wait_for_selector("#others:visible")
    assert settled(page) == "To be put right: 1"
    assert "none-such" in page.locator("#others .wrong").inner_text()
    field(page, "/id").fill("wren-01")
    assert kept(page) == machine | {"id": "wren-01"}


def test_a_document_of_a_newer_page_is_left_as_it_is(visits: Visits) -> None:
    page = visits().open(PAGE)
    newer = json.dumps({"version": 99, "changed": "2030-01-01T00:00:00Z", "content": {"new": True}})
    page.evaluate("(text) => localStorage.setItem('tramwright.machine.future', text)", newer)
    page.evaluate("localStorage.setItem('tramwright.current.machine', 'future')")
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert "cannot be read" in page.locator("#trouble").inner_text()
    assert page.evaluate("localStorage.getItem('tramwright.machine.future')") == newer


def test_what_is_typed_while_the_service_is_away_is_kept_and_checked_later(visits: Visits) -> None:
    visit = visits(allowed=("ERR_INTERNET_DISCONNECTED",))
    page = visit.open(PAGE)
    assert settled(page) == "three screws"
    visit.context.set_offline(True)
    field(page, "/id").fill("dipper-02")
    page.wait_for_selector("#standing:has-text('does not answer')")
    visit.context.set_offline(False)
    page.wait_for_selector("#standing:has-text('three screws')")  # asked again of its own accord
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert field(page, "/id").input_value() == "dipper-02"


def test_a_browser_that_keeps_nothing_is_told_of(visits: Visits) -> None:
    page = visits().open(PAGE)
    page.evaluate(
        "() => { Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
    )
    field(page, "/id").fill("stilt-03")
    assert "Download the file" in page.locator("#trouble").inner_text()


def test_two_tabs_on_one_machine_show_the_same(visits: Visits) -> None:
    visit = visits()
    page = visit.open(PAGE)
    other = visit.context.new_page()
    other.goto(PAGE)
    other.wait_for_selector("html[data-ready]", state="attached")
    field(other, "/id").fill("sandpiper-05")
    page.wait_for_selector("#title-id:has-text('sandpiper-05')")
    assert field(page, "/id").input_value() == "sandpiper-05"


def test_what_strangers_write_is_text_everywhere(visits: Visits, tmp_path: Path) -> None:
    visit = visits(allowed=(REFUSED,))
    page = visit.open(PAGE)
    said: list[str] = []
    page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
    script = "<script>alert(1)</script>"
    picture = "<img src=x onerror=alert(1)>"
    machine = kept(page) | {"id": script, picture: 1}
    machine["supports"][0]["id"] = picture
    machine["bed"]["material"] = script
    path = tmp_path / "m.json"
    path.write_text(json.dumps(machine))
    page.set_input_files("#file", path)
    page.wait_for_selector(".wrong:visible")
    assert page.locator("#title-id").inner_text() == script
    assert page.locator("#kept option:checked").inner_text() == script
    assert page.locator("#plan .support .name").nth(0).text_content() == picture
    assert picture in page.locator("#others-list").inner_text()
    assert page.evaluate("document.querySelectorAll('main script, main img').length") == 0
    assert said == []
    page.click("#remove")
    assert said == [f"Delete the machine “{script}” from this browser?"]


def test_german_numbers_have_a_comma(visits: Visits) -> None:
    page = visits(locale="de-DE").open(PAGE)
    assert field(page, "/limit/total").input_value() == "0,1"
    field(page, "/supports/*/screw/lead").fill("1,25")
    assert {support["screw"]["lead"] for support in kept(page)["supports"]} == {1.25}
    assert page.locator("[data-turning]").inner_text().endswith("hebt den Tisch.")
