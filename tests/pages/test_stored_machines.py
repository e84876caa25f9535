"""The bench pages at machines of the farm: opened, stored, changed by two; nothing is lost or stored twice."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from at_the_machine import Person, example, simulated
from browsing import DESKTOP, MACHINE, PHONE, Visits, field, kept, settled
from processes import served

BED = "/bed/x/1"
CHANGED = ("status of 412",)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with served(store=str(tmp_path_factory.mktemp("farm") / "farm.db")) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def api(server: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=f"{server}/v1/machines/") as client:
        yield client


def stored(api: httpx.Client, name: str) -> dict[str, Any]:
    """Store a machine of an example; return its description."""
    described = example("tilted-bed") | {"id": name}
    entry = {"machine": described, "site": "hall 1", "tags": ["mill"], "check_every": 30}
    api.put(name, json=entry).raise_for_status()
    return described


def said(node: Any) -> Any:
    """A description as the store has it, without what it does not say."""
    if isinstance(node, list):
        return [said(one) for one in node]
    if isinstance(node, dict):
        return {name: said(value) for name, value in node.items() if value is not None and value != {}}
    return node


def state(page: Any) -> str:
    """How the machine stands to the farm, once the service has answered."""
    page.wait_for_selector("#store:not([disabled])")
    return str(page.locator("#stored-state").inner_text())


def test_a_machine_is_opened_changed_and_stored_with_what_else_is_kept_of_it(api: httpx.Client, visits: Visits) -> None:
    described = stored(api, "ruff")
    page = visits().open(MACHINE)
    page.fill("#farm-name", "ruff")
    page.keyboard.press("Enter")
    page.wait_for_selector("#title-id:has-text('ruff')")
    assert kept(page) == said(api.get("ruff").json()["machine"])
    assert [one["id"] for one in kept(page)["supports"]] == [one["id"] for one in described["supports"]]
    assert state(page) == "Stored, version 1"
    field(page, BED).fill("450")
    assert state(page) == "Changed here since version 1"
    page.click("#store")
    page.wait_for_selector("#stored-state:has-text('Stored, version 2')")
    now = api.get("ruff").json()
    assert (now["machine"]["bed"]["x"][1], now["site"], now["tags"], now["check_every"]) == (
        450,
        "hall 1",
        ["mill"],
        30,
    )
    page.reload()
    page.wait_for_selector("#stored-state:has-text('Stored, version 2')")
    page.goto(f"{MACHINE}?machine=ruff")  # again from the farm: it is not there twice
    page.wait_for_selector("#stored-state:has-text('Stored, version 2')")
    assert page.locator("#kept option", has_text="ruff").count() == 1


def test_a_new_machine_is_stored_under_its_name_and_over_no_other(api: httpx.Client, visits: Visits) -> None:
    page = visits(allowed=CHANGED).open(MACHINE)
    page.click("#store")
    page.wait_for_selector("#trouble:has-text('name first')")
    field(page, "/id").fill("teal")
    page.click("#store")
    page.wait_for_selector("#stored-state:has-text('Stored, version 1')")
    assert api.get("teal").json()["machine"]["id"] == "teal"
    stored(api, "wigeon")
    field(page, "/id").fill("wigeon")
    assert state(page) == "Not in the farm"
    page.click("#store")
    page.wait_for_selector("#conflict:has-text('There is a machine wigeon')")
    assert api.get("wigeon").json()["version"] == 1
    assert kept(page)["id"] == "wigeon"


def test_two_who_change_one_machine_are_told_and_neither_loses_anything(api: httpx.Client, visits: Visits) -> None:
    stored(api, "smew")
    page = visits(allowed=CHANGED).open(f"{MACHINE}?machine=smew")
    page.wait_for_selector("#stored-state:has-text('version 1')")
    field(page, BED).fill("450")
    theirs = {"machine": {"bed": {"x": [0, 490]}}, "site": "hall 2"}
    api.patch("smew", json=theirs).raise_for_status()
    page.click("#store")
    page.wait_for_selector("#conflict:has-text('Nothing is lost')")
    assert api.get("smew").json()["version"] == 2
    assert kept(page)["bed"]["x"][1] == 450
    page.get_by_role("button", name="Open theirs beside mine").click()
    page.wait_for_selector("#stored-state:has-text('Stored, version 2')")
    assert kept(page)["bed"]["x"][1] == 490
    names = page.locator("#kept option", has_text="smew")
    assert names.count() == 2
    page.select_option("#kept", value=names.nth(1).get_attribute("value"))
    assert kept(page)["bed"]["x"][1] == 450
    page.click("#store")
    page.get_by_role("button", name="Store mine over it").click()
    page.wait_for_selector("#stored-state:has-text('Stored, version 3')")
    now = api.get("smew").json()
    assert (now["machine"]["bed"]["x"][1], now["site"]) == (
        450,
        "hall 2",
    )  # of theirs stays what this page does not show


def test_what_the_store_refuses_is_said_and_kept(api: httpx.Client, visits: Visits) -> None:
    page = visits(allowed=("status of 422", "status of 404", "ERR_INTERNET_DISCONNECTED")).open(MACHINE)
    page.fill("#farm-name", "no-such")
    page.keyboard.press("Enter")
    page.wait_for_selector("#trouble:has-text('no machine no-such')")
    field(page, "/id").fill("scaup")
    field(page, BED).fill("wide")
    assert settled(page).startswith("To be put right")
    page.click("#store")
    page.wait_for_selector("#trouble:has-text('Expected a number')")
    assert api.get("scaup").status_code == 404
    page.context.set_offline(True)
    page.click("#store")
    page.wait_for_selector("#trouble:has-text('Nothing is lost')")
    page.context.set_offline(False)


def person_at(page: Any, name: str, dial: str = "millimetres") -> Person:
    """Somebody who begins to tram a stored machine, whose dial reads in these units; it is 0.21 mm out of true."""
    page.goto(f"/bench?machine={name}")
    page.wait_for_selector(f".choices b:text('{name}')")
    page.get_by_role("button", name=dial, exact=True).click()
    page.get_by_role("button", name="Tram it").click()
    page.wait_for_selector("#screen[data-screen^='where']")
    person = Person(page, None, keyboard=True)  # type: ignore[arg-type]  # its machine is in the page only now
    described = person.job()["machine"]
    mm = 1.0 if described["units"] == "mm" else 1 / 25.4
    heights = zip([one["id"] for one in described["supports"]], (0.0, 0.21 * mm, -0.12 * mm), strict=True)
    person.machine = simulated(described, dict(heights))
    return person


@pytest.mark.parametrize("dial", ["millimetres", "inches"])
def test_a_job_stores_its_surveys_and_the_moves_really_made(dial: str, api: httpx.Client, visits: Visits) -> None:
    name = f"eider-{dial}"
    stored(api, name)
    page = visits(viewport=PHONE).page
    person = person_at(page, name, dial)
    person.until("store")
    assert api.get(f"{name}/surveys").json()["surveys"] == []
    person.press("Store this survey")
    page.wait_for_selector("#state:has-text('Stored as survey 1')")
    person.until("store")  # the closing survey, after every step
    first = api.get(f"{name}/surveys/1").json()
    assert first["answer"]["verdict"]["as_found"] == "outside"
    moves = api.get(f"{name}/surveys/1/moves").json()["moves"]
    made = {move["adjuster"]: move["travel"] for move in moves}
    asked = {move["adjuster"]: move["travel"] for move in first["answer"]["moves"]}
    assert made.keys() == asked.keys()
    for adjuster, travel in made.items():
        assert travel == pytest.approx(asked[adjuster], abs=0.03)
    person.press("Store this survey")
    page.wait_for_selector("#state:has-text('Stored as survey 2')")
    person.until("end")
    second = api.get(f"{name}/surveys/2").json()
    assert second["answer"]["verdict"]["as_found"] == "within"
    assert second["learnt_from"] == [1]
    assert api.get(f"{name}/standing").json()["standing"] == "within"


def test_a_survey_whose_answer_was_lost_is_stored_once(api: httpx.Client, visits: Visits) -> None:
    stored(api, "merganser")
    visit = visits(allowed=("ERR_FAILED", "ERR_INTERNET_DISCONNECTED"))
    page = visit.page
    lost: list[str] = []

    def losing(route: Any) -> None:
        lost.append(route.request.headers["idempotency-key"])
        if len(lost) < 3:
            route.fetch()  # it comes to the service, and its answer to nobody
            route.abort()
        else:
            route.continue_()

    visit.context.route("**/surveys", losing)
    person = person_at(page, "merganser")
    person.until("store")
    person.press("Store this survey")
    page.wait_for_selector("#state:has-text('To be stored')")
    assert person.settled().split()[0] in ("care", "step")  # work goes on meanwhile
    page.reload()
    page.wait_for_selector("#state:has-text('Stored as survey 1')")
    assert len(set(lost)) == 1
    assert len(api.get("merganser/surveys").json()["surveys"]) == 1


def test_whoever_does_not_store_goes_on_as_without_a_store(api: httpx.Client, visits: Visits) -> None:
    stored(api, "grebe")
    person = person_at(visits(viewport=DESKTOP).page, "grebe")
    person.until("store")
    person.press("Go on without storing")
    person.until("closing")
    assert api.get("grebe/surveys").json()["surveys"] == []


def test_a_machine_that_is_not_there_is_said_to_be_missing(visits: Visits) -> None:
    page = visits(allowed=("status of 404",)).open("/bench?machine=no-such")
    page.wait_for_selector(".wrong:has-text('no machine no-such')")


def test_a_key_that_may_not_do_it_is_told_and_the_survey_waits(api: httpx.Client, visits: Visits) -> None:
    stored(api, "garganey")
    visit = visits(allowed=("status of 403",))
    problem = {"title": "Scope", "status": 403, "detail": "The key `wall` has the scope `read`.", "errors": []}
    refusing = [True]

    def guard(route: Any) -> None:
        if refusing[0] and route.request.method == "POST":
            route.fulfill(status=403, content_type="application/problem+json", json=problem)
        else:
            route.continue_()

    visit.context.route("**/v1/**", guard)
    page = visit.page
    page.goto("/bench?machine=garganey")
    page.wait_for_selector(".choices b")
    page.get_by_role("button", name="Tram it").click()
    page.wait_for_selector("#state:has-text('Another access key')")
    refusing[0] = False
    page.reload()
    page.wait_for_selector("#screen[data-screen^='where']")
    person = Person(page, None, keyboard=True)  # type: ignore[arg-type]  # its machine is in the page only now
    described = person.job()["machine"]
    person.machine = simulated(described, {one["id"]: 0.1 * n for n, one in enumerate(described["supports"])})
    person.until("store")
    refusing[0] = True
    person.press("Store this survey")
    page.wait_for_selector("#state:has-text('Not stored: The key `wall`')")
    refusing[0] = False
    page.reload()
    page.wait_for_selector("#state:has-text('Stored as survey 1')")
