"""The farm page in a browser: order, filters, one machine closely, what strangers write, a thousand machines."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import httpx
import pytest

from browsing import AXE, DESKTOP, PHONE, Visit, Visits, violations
from farm_payloads import OUTSIDE, UNDECIDED, WITHIN, machine, survey
from processes import served

MANY = 1000
SCRIPT, PICTURE = "<script>alert(1)", "<img src=x onerror=alert(1)>"
WORST_FIRST = ["heron", "plover", "dunlin", "siskin", "wren"]
NO_EVENTS = ("status of 404",)
"""What the browser says of its own accord where a service has no events, or a machine no history."""


def put(api: httpx.Client, name: str, *surveys: dict[str, Any], **more: Any) -> None:
    """Store an invented machine with surveys."""
    path = f"/v1/machines/{quote(name, safe='')}"
    assert api.put(path, json=machine(**more)).status_code in (200, 201)
    for one in surveys:
        assert api.post(f"{path}/surveys", json=one).status_code == 201


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """A service with a small farm: one machine of each standing."""
    with served(store=str(tmp_path_factory.mktemp("farm") / "farm.db")) as port:
        with httpx.Client(base_url=f"http://127.0.0.1:{port}") as api:
            put(api, "wren", survey(WITHIN), site="hall 1", tags=["mill"])
            put(api, "heron", survey(0.2), survey(OUTSIDE), site="hall 2", tags=["laser", "mill"])
            put(api, "dunlin", site="hall 1")
            put(api, "siskin", survey(WITHIN, "2024-05-04T09:30:00Z"), check_every=30, site="hall 2")
            put(api, "plover", survey(UNDECIDED), tags=["mill"])
            note = {"text": "The left screw binds.\nNew grease."}
            assert api.post("/v1/machines/heron/notes", json=note).status_code == 201
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def api(server: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server) as client:
        yield client


def farm(visits: Visits, query: str = "", **options: Any) -> Visit:
    """The page, once the farm has been seen."""
    visit = visits(allowed=NO_EVENTS, **options)
    visit.open(f"/farm{query}").wait_for_selector("#farm:not([hidden])")
    return visit


def counted(page: Any, selector: str, number: int) -> None:
    """Wait until there are so many."""
    from playwright.sync_api import expect

    expect(page.locator(selector)).to_have_count(number, timeout=30_000)


def names(page: Any) -> list[str]:
    shown: list[str] = page.locator("#machines .name").all_inner_texts()
    return shown


def test_the_worst_stands_first_and_says_what_the_visit_takes(visits: Visits) -> None:
    page = farm(visits).page
    assert names(page) == WORST_FIRST
    assert page.locator("#counts b").all_inner_texts() == ["1", "1", "1", "1", "1"]
    heron = page.locator("#machines li").first.inner_text()
    for said in ("Outside", "limit 0.100 mm", "hall 2 · laser · mill"):
        assert said in heron
    assert "Move 1: right" in heron or "Move 2: " in heron
    assert page.locator("#machines li", has_text="dunlin").locator(".visit").inner_text() == "Survey it"


def test_all_maps_are_drawn_on_the_one_scale_that_the_legend_tells(visits: Visits) -> None:
    visit = visits(allowed=NO_EVENTS)
    asked: list[str] = []
    visit.context.on("request", lambda request: "/thumbnail?" in request.url and asked.append(request.url))
    page = visit.open("/farm")
    counted(page, "#machines img[src]", 4)
    # half the limit of 0.1 mm, which all of them have
    assert page.locator(".ends span").all_inner_texts() == ["−0.05 mm", "0", "+0.05 mm"]
    assert page.locator(".bands span").count() == 10
    assert sorted(url.partition("?")[2] for url in asked) == ["scale=0.05"] * 4
    page.select_option("[name=scale]", "0.5")
    counted(page, "#machines img[data-map$='scale=0.5']", 4)
    assert "scale=0.5" in page.url
    page.reload()
    page.wait_for_selector(".ends span:has-text('+0.5 mm')")


def test_filters_stand_in_the_address(visits: Visits) -> None:
    page = farm(visits).page
    page.fill("[name=tag]", "mill")
    page.keyboard.press("Enter")
    counted(page, "#machines li", 3)
    assert names(page) == ["heron", "plover", "wren"]
    page.get_by_role("button", name="Within").click()
    counted(page, "#machines li", 1)
    assert page.locator("#counts b").all_inner_texts() == ["1", "1", "0", "0", "1"]
    assert page.url.endswith("/farm?tag=mill&standing=within")
    page.reload()
    page.wait_for_selector("#machines li")
    assert names(page) == ["wren"]
    page.go_back()
    counted(page, "#machines li", 3)
    page.fill("[name=site]", "nowhere")
    page.keyboard.press("Tab")
    page.wait_for_selector("#none:has-text('No machine is so filtered')")


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_one_machine_closely_by_keyboard_alone(size: Any, visits: Visits) -> None:
    page = farm(visits, viewport=size).page
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.querySelector('.name')?.textContent === 'plover'"):
            break
    page.keyboard.press("Enter")
    page.wait_for_selector("#chosen .stands")
    assert page.url.endswith("?machine=plover")
    assert page.evaluate("document.activeElement.id") == "name"
    assert "Undecided" in page.locator("#chosen").inner_text()
    assert page.get_by_role("link", name="At the machine").get_attribute("href") == "/bench?machine=plover"
    assert page.locator(".all").is_visible() is (size == DESKTOP)
    page.keyboard.press("Escape")
    assert page.locator("#chosen").is_hidden()
    assert page.evaluate("document.activeElement.querySelector('.name').textContent") == "plover"


def test_a_check_that_is_due_is_due_now(visits: Visits) -> None:
    page = farm(visits, "?machine=heron").page
    page.wait_for_selector("#chosen p:has-text('Next check: now. It is outside its limit')")


def test_another_language_shows_the_same_machine(visits: Visits) -> None:
    page = farm(visits, "?tag=mill&machine=heron").page
    page.get_by_role("link", name="Deutsch").click()
    page.wait_for_selector("#chosen .stands:has-text('Außerhalb')")
    assert names(page) == ["heron", "plover", "wren"]


def test_a_card_follows_its_surroundings_into_the_dark(visits: Visits) -> None:
    page = visits().open("/farm/machines/heron/card")
    said = page.locator("main").inner_text()
    page.emulate_media(color_scheme="dark")
    page.wait_for_selector("img[data-map$='theme=dark'][src]")
    assert page.locator("main").inner_text() == said


def test_notes_are_there_and_a_machine_that_is_not_is_said_to_be_gone(visits: Visits) -> None:
    page = farm(visits, "?machine=heron").page
    page.wait_for_selector(".notes")
    assert page.locator(".notes span").inner_text() == "The left screw binds.\nNew grease."
    page.goto("/farm?machine=no-such")
    page.wait_for_selector("#chosen .notice:has-text('no machine no-such')")


def test_what_strangers_write_is_text_everywhere(api: httpx.Client, visits: Visits) -> None:
    path = f"/v1/machines/{quote(SCRIPT, safe='')}"
    supports = machine()["machine"]["supports"]
    supports[1] = {**supports[1], "id": PICTURE}
    described = {**machine()["machine"], "supports": supports}
    assert api.put(path, json={"machine": described, "site": PICTURE, "tags": [SCRIPT, PICTURE]}).status_code == 201
    try:
        assert api.post(f"{path}/surveys", json=survey(OUTSIDE, note=PICTURE)).status_code == 201
        assert api.post(f"{path}/notes", json={"text": f"{SCRIPT}{PICTURE}"}).status_code == 201
        visit = farm(visits)
        page = visit.page
        said: list[str] = []
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
        row = page.locator("#machines li", has_text=SCRIPT)
        assert PICTURE in row.inner_text()
        row.locator("a").click()
        page.wait_for_selector(".notes")
        closely = page.locator("#chosen").inner_text()
        for text in (SCRIPT, PICTURE, f"{SCRIPT}{PICTURE}"):
            assert text in closely
        page.wait_for_selector("#chosen img[src]")
        assert page.evaluate("document.querySelectorAll('main script, main img:not([data-map])').length") == 0
        page.get_by_role("link", name="Card to embed").click()
        page.wait_for_selector("h1:has-text('alert')")
        assert page.title() == SCRIPT
        for where, shown in (("/bench?machine=", ".choices b"), ("/bench/machine?machine=", "#title-id")):
            page.goto(where + quote(SCRIPT, safe=""))
            page.wait_for_selector(f"{shown}:text('{SCRIPT}')")
        assert said == []
    finally:
        api.delete(path)


AXES = pytest.mark.skipif(not AXE.is_file(), reason="needs `npm install` in tests/pages")


@AXES
@pytest.mark.parametrize("path", ["/farm", "/farm?machine=heron", "/farm/machines/heron/card"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_violation_of_the_accessibility_rules(path: str, size: Any, scheme: str, visits: Visits) -> None:
    page = visits(allowed=NO_EVENTS, viewport=size, color_scheme=scheme).open(path)
    page.wait_for_selector("img[src]")
    assert violations(page) == []


@pytest.mark.parametrize("path", ["/farm", "/farm?machine=heron"])
@pytest.mark.parametrize("language", ["en", "de"])
def test_on_a_phone_nothing_stands_beyond_the_edge_and_all_is_large_enough(
    path: str, language: str, visits: Visits
) -> None:
    page = visits(allowed=NO_EVENTS, viewport=PHONE, locale=language).open(path)
    page.wait_for_selector("#chosen .stands" if "?" in path else "#machines li")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    small = page.evaluate(
        """() => [...document.querySelectorAll("button, select, input, a, summary")]
        .filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 44)
        .map((one) => one.outerHTML)"""
    )
    assert small == []


def test_a_thousand_machines_come_by_pages_and_their_maps_as_they_are_seen(
    tmp_path: Path, browser: Any, server: str
) -> None:
    with served(store=str(tmp_path / "many.db")) as port:
        here = f"http://127.0.0.1:{port}"
        lines = "".join(
            httpx.Request(
                "POST",
                here,
                json={"id": str(n), "machine": {**machine()["machine"], "id": f"dunlin-{n:04d}"}, **survey(0.0004 * n)},
            ).content.decode()
            + "\n"
            for n in range(MANY)
        )
        sent = {"content-type": "application/x-ndjson"}
        stored = httpx.post(
            f"{here}/v1/corrections/batch?store=true&detail=moves", content=lines, headers=sent, timeout=300
        )
        assert stored.text.splitlines()[-1].startswith('{"summary"'), stored.text[-500:]
        visit = Visit(browser, here, {"viewport": DESKTOP})
        maps: list[str] = []
        visit.context.on("request", lambda request: "/thumbnail?" in request.url and maps.append(request.url))
        page = visit.open("/farm")
        page.wait_for_selector("#machines li")
        assert page.locator("#shown").inner_text() == f"48 of {MANY}"
        page.locator("#machines img[src]").nth(7).wait_for()
        assert len(maps) < 48
        page.click("#more")
        counted(page, "#machines li", 96)
        assert names(page)[0] == f"dunlin-{MANY - 1:04d}"
        visit.context.close()


def history(drift: dict[str, Any] | None) -> dict[str, Any]:
    """A history as the service answers it; invented."""
    points = [
        {
            "number": number, "version": 1 if number < 3 else 2, "taken_at": f"2026-0{number}-04T09:00:00Z",
            "as_found": "within", "total": 0.03 + 0.01 * number, "u": 0.004, "limit": 0.1,
            "terms": {"twist": {"value": -0.01 * number, "u": 0.003}},
            "moves": {PICTURE: -0.2} if number == 2 else None,
        }
        for number in range(1, 6)
    ]  # fmt: skip
    chart = [{"number": n, "level": 0.03 + 0.01 * n, "lower": 0.02, "upper": 0.06} for n in range(1, 6)]
    told = {"since": None, "rate_per_day": None, "u": None, "surveys": 5, "crosses": None}
    ewma = {"lambda": 0.3, "k": 3, "points": chart}
    return {
        "machine": "wren", "units": "mm", "limit": 0.1, "as_of": "2026-06-01T00:00:00Z", "says": SCRIPT, "drift": drift,
        "next_check": {"at": "2026-07-01T00:00:00Z", "days": 30.0, "why": "drift", "reason": PICTURE},
        "jumps": [{"before": 3, "after": 4, "earliest": "2026-03-04T09:00:00Z", "latest": "2026-04-04T09:00:00Z",
                   "terms": [{"term": "twist", "change": 0.05, "u": 0.004}], "comparison": "/v1"}],
        "series": [
            {"term": "total", "state": "drifting", "ewma": ewma, **told},
            {"term": "twist", "state": "steady", "ewma": None, **told},
        ],
        "points": points, "next": None,
    }  # fmt: skip


DRIFT = {
    "term": "twist", "since": "2026-01-04T09:00:00Z", "rate_per_day": 0.0003, "at": "2026-07-20T00:00:00Z",
    "earliest": "2026-07-02T00:00:00Z", "latest": "2026-09-01T00:00:00Z",
}  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("drift", [None, DRIFT], ids=["no warning", "warning"])
def test_the_history_warns_before_the_limit_and_says_all_in_figures_too(
    drift: dict[str, Any] | None, scheme: Any, visits: Visits
) -> None:
    visit = visits(allowed=NO_EVENTS, viewport=PHONE, color_scheme=scheme)
    visit.context.route("**/wren/history*", lambda route: route.fulfill(json=history(drift)))
    page = visit.open("/farm?machine=wren")
    page.wait_for_selector(".over-time .survey")
    said = page.locator("#chosen").inner_text()
    assert ("on Jul 20, 2026, with at least 95 % confidence between Jul 2, 2026 and Sep 1, 2026" in said) is (
        drift is not None
    )
    assert (SCRIPT in said) is (drift is None)
    assert f"Next check: Jul 1, 2026. {PICTURE}" in said
    assert "Between Mar 4, 2026 and Apr 4, 2026 something changed" in said
    assert "twist +0.050 mm" in said
    assert page.locator(".over-time .ahead").count() == (drift is not None)
    assert (
        page.locator(".over-time").get_attribute("aria-label")
        == "total of wren over time: 5 surveys; the last 0.080 mm"
    )
    for shape, count in ((".survey", 5), (".moves", 1), (".version", 1), (".limit", 1), (".control", 1)):
        assert page.locator(f".over-time {shape}").count() == count
    page.click("summary")
    assert page.locator("tbody tr").nth(3).inner_text().split("\t") == [
        "2 · Feb 4, 2026",
        "0.050 mm",
        "0.008 mm",
        f"{PICTURE} −0.200",
    ]
    page.select_option("#chosen select", "twist")
    assert (
        page.locator(".over-time").get_attribute("aria-label")
        == "twist of wren over time: 5 surveys; the last −0.050 mm"
    )
    assert page.locator(".over-time .limit").count() == 0
    if AXE.is_file():
        assert violations(page) == []
