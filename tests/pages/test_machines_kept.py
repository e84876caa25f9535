"""The machines that a browser keeps: files, reloads, other tabs, a service that is away, and what strangers write."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest

from browsing import MACHINE, REFUSED, Visits, field, kept, settled


def test_the_browser_keeps_it_and_each_machine_can_be_opened_again(visits: Visits) -> None:
    page = visits().open(MACHINE)
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
    page = visits().open(MACHINE)
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


@pytest.mark.parametrize(
    "text",
    [
        *("", "{", "[1]", '{"machine": 5}', "null", '{"bed": 5}', '{"bed": {}, "supports": "three"}'),
        *('{"bed": {}, "supports": [1]}', '{"bed": {}, "supports": null}', '{"bed": {}, "rails": {"along": "y"}}'),
    ],
)
def test_a_file_without_a_machine_is_refused_and_nothing_is_lost(text: str, visits: Visits, tmp_path: Path) -> None:
    page = visits().open(MACHINE)
    before = kept(page)
    path = tmp_path / "other.json"
    path.write_text(text)
    page.set_input_files("#file", path)
    page.wait_for_selector("#trouble:has-text('no machine')")
    assert kept(page) == before


def test_what_the_page_does_not_show_stays_in_the_file(visits: Visits, tmp_path: Path) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)
    machine = kept(page) | {"extras": {"none-such": {"a": 1}}}
    machine["supports"][0]["travel"] = [-1, 2]
    path = tmp_path / "m.json"
    path.write_text(json.dumps(machine))
    page.set_input_files("#file", path)
    page.wait_for_selector("#others:visible")
    assert settled(page) == "To be put right: 1"
    assert "none-such" in page.locator("#others .wrong").text_content()
    field(page, "/id").fill("wren-01")
    assert kept(page) == machine | {"id": "wren-01"}


def test_a_document_of_a_newer_page_is_left_as_it_is(visits: Visits) -> None:
    page = visits().open(MACHINE)
    newer = json.dumps({"version": 99, "changed": "2030-01-01T00:00:00Z", "content": {"new": True}})
    page.evaluate("(text) => localStorage.setItem('tramwright.machine.future', text)", newer)
    page.evaluate("localStorage.setItem('tramwright.current.machine', 'future')")
    page.reload()
    page.wait_for_selector("html[data-ready]", state="attached")
    assert "cannot be read" in page.locator("#trouble").inner_text()
    assert page.evaluate("localStorage.getItem('tramwright.machine.future')") == newer


def test_what_is_typed_while_the_service_is_away_is_kept_and_checked_later(visits: Visits) -> None:
    visit = visits(allowed=("ERR_INTERNET_DISCONNECTED",))
    page = visit.open(MACHINE)
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
    page = visits().open(MACHINE)
    page.evaluate(
        "() => { Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"
    )
    field(page, "/id").fill("stilt-03")
    assert "Download the file" in page.locator("#trouble").inner_text()


def test_two_tabs_on_one_machine_show_the_same(visits: Visits) -> None:
    visit = visits()
    page = visit.open(MACHINE)
    other = visit.context.new_page()
    other.goto(MACHINE)
    other.wait_for_selector("html[data-ready]", state="attached")
    field(other, "/id").fill("sandpiper-05")
    page.wait_for_selector("#title-id:has-text('sandpiper-05')")
    assert field(page, "/id").input_value() == "sandpiper-05"


def test_what_strangers_write_is_text_everywhere(visits: Visits, tmp_path: Path) -> None:
    visit = visits(allowed=(REFUSED,))
    page = visit.open(MACHINE)
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
    drawn = page.locator("#plan .support").nth(0)
    assert drawn.locator(".name").text_content() == f"{picture[:23]}…"  # cut in the drawing, whole in what it is called
    assert picture in (drawn.get_attribute("aria-label") or "")
    assert picture in page.locator("#others-list").text_content()
    assert page.evaluate("document.querySelectorAll('main script, main img').length") == 0
    assert said == []
    page.click("#remove")
    assert said == [f"Delete the machine “{script}” from this browser?"]


def test_a_file_of_any_shape_is_shown_with_its_faults(visits: Visits, tmp_path: Path) -> None:
    page = visits(allowed=(REFUSED,)).open(MACHINE)
    odd = {
        "id": 5,
        "units": "cm",
        "bed": {"x": 5, "y": [0, None], "thickness": [1]},
        "supports": [{"screw": 3, "mount": "vee"}, {"id": "a", "x": "1", "travel": 7, "screw": {"pitch": 2}}, {}],
        "rails": {"seats": [{"stock": 5, "fitted": [{"thickness": "x"}]}]},
        "indicator": None,
        "limit": 4,
    }
    path = tmp_path / "m.json"
    path.write_text(json.dumps(odd))
    page.set_input_files("#file", path)
    page.wait_for_selector(".wrong:visible")
    assert settled(page).startswith("To be put right")
    assert page.locator("[data-faults='/units'] .wrong").count() == 1
    assert kept(page) == odd
    page.select_option("#template", "three-screw")
    assert settled(page) == "three screws"
