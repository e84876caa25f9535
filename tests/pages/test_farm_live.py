"""What the farm page does when the farm changes, the service goes away or starts again, or a key is wanted."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Any

import httpx
import pytest

from browsing import DESKTOP, Visit
from farm_payloads import OUTSIDE, WITHIN, machine, survey
from keyed import bearing, of_each_scope
from processes import PATIENCE, free_port, listens, served, started, wait_for
from tramwright_service.pages.render import PAGES

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Route

EVENT = "id: {}\nevent: tramwright.survey.stored\ndata: {{}}\n\n"
KEY = "invented-key-of-a-test"
QUIET = (
    "status of 404",
    "status of 401",
    "ERR_CONNECTION_REFUSED",
    "ERR_INCOMPLETE_CHUNKED",
    "ERR_EMPTY_RESPONSE",
    "ERR_FAILED",
)


@pytest.fixture
def server(tmp_path: Path) -> Iterator[str]:
    with served(store=str(tmp_path / "farm.db")) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def visit(browser: Browser, server: str) -> Iterator[Visit]:
    """A browser at a farm of two machines, both within."""
    for name in ("kestrel", "wren"):
        httpx.put(f"{server}/v1/machines/{name}", json=machine()).raise_for_status()
        httpx.post(f"{server}/v1/machines/{name}/surveys", json=survey(WITHIN)).raise_for_status()
    visit = Visit(browser, server, {"viewport": DESKTOP, "locale": "en-GB"})
    yield visit
    visit.context.close()
    assert not visit.elsewhere
    assert not [text for text in visit.wrong if not any(part in text for part in QUIET)]


def outside(server: str, name: str) -> None:
    """Somebody surveys a machine and finds it outside."""
    httpx.post(f"{server}/v1/machines/{name}/surveys", json=survey(OUTSIDE)).raise_for_status()


def test_what_is_found_elsewhere_is_shown_and_stands_first(server: str, visit: Visit) -> None:
    page = visit.open("/farm")
    page.wait_for_selector("#machines li")
    page.locator("#machines a", has_text="kestrel").focus()
    outside(server, "wren")
    page.wait_for_selector("#machines li:first-child:has-text('wren'):has-text('Outside')")
    assert page.evaluate("document.activeElement.querySelector('.name').textContent") == "kestrel"


def test_what_is_in_hand_stays_in_hand_when_the_machine_looked_at_is_surveyed(server: str, visit: Visit) -> None:
    httpx.post(f"{server}/v1/machines/wren/surveys", json=survey(WITHIN)).raise_for_status()
    page = visit.open("/farm?machine=wren")
    page.locator("#chosen summary").focus()
    outside(server, "wren")
    page.wait_for_selector("#chosen .stands:has-text('Outside')")
    assert page.evaluate("document.activeElement.localName") == "summary"


def test_what_is_asked_for_while_the_farm_is_looked_at_is_looked_for_next(visit: Visit) -> None:
    held: list[Route] = []
    visit.context.route("**/v1/fleet?*", lambda route: route.continue_() if held else held.append(route))
    page = visit.page
    page.goto("/farm")
    wait_for(lambda: page.evaluate("1") == 1 and bool(held))
    page.evaluate("""() => {
        history.replaceState(null, '', '?tag=none');
        dispatchEvent(new PopStateEvent('popstate'));
    }""")
    held[0].continue_()
    page.wait_for_selector("#none:has-text('No machine is so filtered')")


def test_what_was_on_its_way_of_one_machine_is_not_told_of_another(server: str, visit: Visit) -> None:
    page = visit.open("/farm")
    page.wait_for_selector("#machines li")
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route)

    outside(server, "wren")
    page.wait_for_selector("#machines li:first-child:has-text('wren'):has-text('Outside')")
    visit.context.route("**/wren/standing", hold)
    page.locator("#machines a", has_text="wren").click()
    wait_for(lambda: page.evaluate("1") == 1 and bool(held))
    visit.context.route("**/v1/fleet?*", lambda route: route.abort())
    page.locator("#machines a", has_text="kestrel").click()
    held[0].continue_()
    page.wait_for_timeout(500)  # for what should not come
    assert "Outside" not in page.locator("#chosen").inner_text()


@pytest.mark.parametrize("path", ["**/v1/fleet?*", "**/kestrel/standing"])
def test_what_is_lost_once_while_events_come_is_asked_for_again(path: str, visit: Visit) -> None:
    page = visit.open("/farm")
    page.wait_for_selector("#state[data-state=live]")
    page.wait_for_timeout(1000)  # until it asks for nothing
    visit.context.route(path, lambda route: route.abort(), times=1)
    page.locator("#machines a", has_text="kestrel").click()
    page.wait_for_selector("#chosen .stands", timeout=20_000)  # within the minute after which it would look anyway


def test_a_stream_that_ends_is_taken_up_after_the_last_event(server: str, visit: Visit) -> None:
    asked: list[dict[str, str]] = []

    def events(route: Route) -> None:
        asked.append(route.request.headers)
        outside(server, "wren") if len(asked) == 2 else None
        route.fulfill(
            content_type="text/event-stream", body=": alive\n\n" + EVENT.format(6) + EVENT.format(6 + len(asked))
        )

    visit.context.route("**/v1/events", events)
    page = visit.open("/farm")
    page.wait_for_selector("#machines li:first-child:has-text('wren'):has-text('Outside')")
    wait_for(lambda: page.evaluate("1") == 1 and len(asked) >= 3)
    assert "last-event-id" not in asked[0]
    assert [headers["last-event-id"] for headers in asked[1:3]] == ["7", "8"]
    assert asked[0]["accept"] == "text/event-stream"


def test_before_the_first_answer_nothing_is_said_to_be_lost(visit: Visit) -> None:
    visit.context.route("**/v1/**", lambda route: None)  # nothing is answered
    visit.page.goto("/farm")
    visit.page.wait_for_selector("#state[data-state=asking]", state="attached")
    assert visit.page.locator("#state").inner_text() == "Asking"


def test_where_there_are_no_events_the_farm_is_asked_now_and_then(server: str, visit: Visit) -> None:
    problem = json.dumps({"title": "no such route", "status": 404})
    visit.context.route("**/v1/events", lambda route: route.fulfill(status=404, body=problem))
    page = visit.open("/farm")
    page.wait_for_selector("#state[data-state=polling]")
    assert "every 15 s" in page.locator("#state").inner_text()
    outside(server, "kestrel")
    page.wait_for_selector("#machines li:first-child:has-text('kestrel'):has-text('Outside')")


def test_a_service_that_starts_again_is_found_again_and_what_happened_meanwhile_is_shown(
    browser: Browser, tmp_path: Path
) -> None:
    port, store = free_port(), str(tmp_path / "farm.db")
    server = f"http://127.0.0.1:{port}"
    process = started(port, store=store)
    try:
        wait_for(lambda: listens(port))
        httpx.put(f"{server}/v1/machines/kestrel", json=machine()).raise_for_status()
        visit = Visit(browser, server, {"viewport": DESKTOP, "locale": "en-GB"})
        page = visit.open("/farm")
        page.wait_for_selector("#machines li:has-text('Never surveyed')")
        process.kill()
        process.wait(PATIENCE)
        page.wait_for_selector("#state[data-state=away]")
        assert page.locator("#machines li").count() == 1  # what was known stays
        process = started(port, store=store)
        wait_for(lambda: listens(port))
        outside(server, "kestrel")
        page.wait_for_selector("#machines li:has-text('Outside')")
        page.wait_for_selector("#state[data-state=live]")
        visit.context.close()
    finally:
        process.kill()
        process.wait(PATIENCE)


def guarded(visit: Visit) -> list[str]:
    """Let nothing of the API through without the key; return what was sent in its place."""
    sent: list[str] = []

    def guard(route: Route) -> None:
        given = route.request.headers.get("authorization", "")
        sent.append(given)
        if given == f"Bearer {KEY}":
            route.continue_()
            return
        problem = {"title": "No key", "status": 401, "detail": "There is no such key here.", "errors": []}
        route.fulfill(status=401, content_type="application/problem+json", body=json.dumps(problem))

    visit.context.route("**/v1/**", guard)
    return sent


def test_a_service_that_wants_a_key_gets_the_one_that_a_person_gives(visit: Visit) -> None:
    sent = guarded(visit)
    page = visit.page
    page.goto("/farm")
    page.wait_for_selector("dialog[open]")
    page.fill("#key-field", "wrong")
    page.keyboard.press("Enter")
    page.wait_for_selector("dialog[open] .wrong:has-text('no such key')")
    page.fill("#key-field", KEY)
    page.get_by_role("button", name="Use this key").click()
    page.wait_for_selector("#machines img[src]")
    assert page.locator("dialog").count() == 0
    # every page has it, none in its address, and it can be forgotten
    page.goto("/bench/machine?machine=wren")
    page.wait_for_selector("#title-id:has-text('wren')")
    assert set(sent) == {"", "Bearer wrong", f"Bearer {KEY}"}
    page.get_by_role("button", name="Access key").click()
    page.get_by_role("button", name="Forget the key").click()
    page.wait_for_selector("dialog[open]")
    assert page.evaluate("localStorage.getItem('tramwright.key')") is None


def test_whoever_has_no_key_is_asked_once_and_told_that_one_is_wanted(visit: Visit) -> None:
    guarded(visit)
    page = visit.page
    page.goto("/farm")
    page.wait_for_selector("dialog[open]")
    page.keyboard.press("Escape")
    page.wait_for_selector("#state[data-state=shut]")
    assert page.locator("dialog").count() == 0
    page.get_by_role("button", name="Access key").click()
    page.fill("#key-field", KEY)
    page.keyboard.press("Enter")
    page.wait_for_selector("#machines li")


def test_a_card_in_another_page_has_its_key_from_the_fragment_alone(visit: Visit, server: str) -> None:
    guarded(visit)
    page = visit.page
    page.goto(f"/farm/machines/kestrel/card?theme=dark#key={KEY}")
    page.wait_for_selector(".mark:has-text('Within')")
    page.wait_for_selector("img[src]")
    assert page.url == f"{server}/farm/machines/kestrel/card?theme=dark"
    assert page.evaluate("localStorage.length") == 0
    assert "theme=dark" in (page.locator("img").get_attribute("data-map") or "")
    page.goto("/farm/machines/kestrel/card")
    page.wait_for_selector(":text('A key is needed')")  # a card asks nobody
    assert page.locator("dialog").count() == 0
    page.goto(f"/farm/machines/gone/card#key={KEY}")
    page.wait_for_selector(":text('no such machine')")


def test_a_service_with_keys_of_its_own_shows_its_farm_live(browser: Browser, tmp_path: Path) -> None:
    where = str(tmp_path / "farm.db")
    with ThreadPoolExecutor(1) as thread:  # in this one the browser's event loop runs
        keys = thread.submit(of_each_scope, where).result()
    with served(store=where, access="keys") as port:
        server = f"http://127.0.0.1:{port}"
        visit = Visit(browser, server, {"viewport": DESKTOP, "locale": "en-GB"})
        page = visit.page
        page.goto("/farm")
        page.fill("#key-field", keys["read"])
        page.keyboard.press("Enter")
        page.wait_for_selector("#state[data-state=live]")
        put = httpx.put(f"{server}/v1/machines/kestrel", json=machine(), headers=bearing(keys["manage"]))
        assert put.status_code == 201
        page.wait_for_selector("#machines li:has-text('kestrel')")
        page.goto("/bench/machine?machine=kestrel")
        page.wait_for_selector("#stored-state:has-text('version 1')")
        page.click("#store")
        page.wait_for_selector("#trouble:has-text('this needs `manage`')")
        visit.context.close()


@contextmanager
def dashboard(card: str) -> Iterator[str]:
    """A page of another origin that embeds a card."""

    class Page(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(f"<iframe src='{card}'></iframe>".encode())

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    with ThreadingHTTPServer(("127.0.0.1", 0), Page) as answering:
        Thread(target=answering.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{answering.server_port}"
        answering.shutdown()


@pytest.mark.parametrize("allowed", ["none", "http://other.example", "https://a.example,{}"])
def test_only_pages_of_the_origins_set_embed_a_card(allowed: str, browser: Browser, tmp_path: Path) -> None:
    port = free_port()
    server = f"http://127.0.0.1:{port}"
    with dashboard(f"{server}/farm/machines/kestrel/card") as elsewhere:
        process = started(port, store=str(tmp_path / "farm.db"), frame_ancestors=allowed.format(elsewhere))
        try:
            wait_for(lambda: listens(port))
            httpx.put(f"{server}/v1/machines/kestrel", json=machine()).raise_for_status()
            page = browser.new_page()
            page.goto(elsewhere, wait_until="networkidle")
            shown = page.frames[1].locator("main").count() == 1
            assert shown is ("{}" in allowed)
            page.close()
            policies = [httpx.get(f"{server}{path}").headers["content-security-policy"] for path in PAGES]
            assert all(policy.endswith("frame-ancestors 'none'") for policy in policies)
        finally:
            process.kill()
            process.wait(PATIENCE)
