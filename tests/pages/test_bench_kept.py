"""What was typed at the machine stays: over a reload, without a connection, and when the service is killed."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from at_the_machine import Person, begin, example, keep, simulated
from browsing import MACHINE, PHONE, settled
from processes import PATIENCE, free_port, listens, started, wait_for

HEIGHTS = {"front-left": 0.3, "front-right": -0.2, "rear": 0.1}
LOST = ("net::ERR",)
"""What the browser itself writes to its console while there is no connection."""


WRITTEN = "localStorage.getItem('tramwright.job.' + localStorage.getItem('tramwright.current.job'))"
FULL = "() => { Storage.prototype.setItem = () => { throw new DOMException('full', 'QuotaExceededError'); }; }"


PICTURES = """async (machine) => {
  const { Beside } = await import("/bench/assets/beside.js");
  const [beside, asked, ends] = [new Beside(document.getElementById("beside")), [], []];
  window.fetch = (path, { body }) => new Promise((...end) => { asked.push(JSON.parse(body)); ends.push(end); });
  const survey = { stations: [], readings: [], wanted: [], enough: true };
  const draw = (body) => beside.draw(
    { machine, entries: [], answers: [body && {}] }, { survey, surveys: [] }, { path: "/v1/corrections", body }, null);
  const pause = (ms) => new Promise((go) => setTimeout(go, ms));
  const comes = (number) => { ends[number][0](new Response("<svg/>")); return pause(0); };
  const lost = (number) => { ends[number][1](new TypeError("lost")); return pause(0); };
  const quiet = () => pause(600);
  draw(1);
  await quiet();
  draw(2);
  await lost(0);
  await lost(1);
  draw(null);
  await quiet();
  draw(3);
  await quiet();
  draw(null);
  draw(3);
  await lost(2);
  draw(null);
  await quiet();
  draw(4);
  await quiet();
  draw(5);
  await lost(3);
  await comes(4);
  await quiet();
  return asked;
}"""
"""Asks for pictures. Of four each is lost: while the next one waits to be asked for, and while the same one does."""


class Killed:
    """A service that can be killed and started again at the same address."""

    def __init__(self) -> None:
        self.port = free_port()
        self.start()

    def start(self) -> None:
        self.process = started(self.port)
        wait_for(lambda: listens(self.port))

    def kill(self) -> None:
        self.process.kill()
        self.process.wait(PATIENCE)


@pytest.fixture(scope="module")
def service() -> Iterator[Killed]:
    one = Killed()
    try:
        yield one
    finally:
        one.kill()


@pytest.fixture(scope="module")
def server(service) -> str:
    return f"http://127.0.0.1:{service.port}"


@pytest.fixture
def person(visits) -> Person:
    machine = example("tilted-bed")
    visit = visits(viewport=PHONE, allowed=LOST)
    page = visit.open("/bench")
    keep(page, machine)
    person = Person(page, simulated(machine, HEIGHTS))
    person.press(re.compile("^Tram it"))
    person.until("read")
    return person


def reload(person: Person) -> None:
    person.page.reload()
    person.page.wait_for_selector("html[data-ready]", state="attached")


def status(person: Person, says: str) -> None:
    person.page.locator("#state", has_text=says).wait_for()


def test_a_reload_in_the_middle_loses_nothing_not_even_half_a_number(person) -> None:
    for _ in range(4):
        person.one_screen()
    spot, entries = person.spot(), person.job()["entries"]
    person.page.keyboard.type("0.1")
    reload(person)
    assert person.spot() == spot
    assert person.job()["entries"] == entries
    assert person.page.locator("#reading").input_value() == "0.1"
    person.page.keyboard.type("5")
    person.page.keyboard.press("Enter")
    assert person.job()["entries"][-1]["value"] == 0.15


def test_typing_goes_on_without_a_connection_and_the_answer_comes_when_it_is_back(person) -> None:
    for _ in range(4):
        person.one_screen()
    person.page.context.set_offline(True)
    status(person, "Not connected. Nothing is lost.")
    while person.settled().startswith("read"):
        person.type(person.machine.read(*person.spot()))
        if person.page.locator("#screen[data-screen^='waiting true']").count():
            break
    person.page.get_by_text("all that you typed is kept").wait_for()
    assert len([one for one in person.job()["entries"] if one["do"] == "read"]) == 13
    person.page.context.set_offline(False)
    person.until("care")
    status(person, "Kept in this browser")


def test_the_service_is_killed_and_started_again_in_the_middle(person, service) -> None:
    for _ in range(4):
        person.one_screen()
    service.kill()
    for _ in range(3):
        person.type(person.machine.read(*person.spot()))
    status(person, "Not connected. Nothing is lost.")
    service.start()
    status(person, "Kept in this browser")
    person.until("step")
    reload(person)
    assert person.settled().startswith("step")


def test_a_picture_that_was_lost_is_let_go_of_and_none_is_asked_for_twice(visits) -> None:
    visit = visits()
    assert visit.open("/bench").evaluate(PICTURES, example("tilted-bed")) == [1, 2, 3, 4, 5]
    assert not visit.wrong


def test_a_job_that_was_closed_is_gone_on_with(person) -> None:
    person.one_screen()
    spot = person.spot()
    person.press("Close")
    person.page.get_by_role("button", name=re.compile("kestrel-01.*1 readings")).click()
    assert person.spot() == spot


def test_a_job_is_deleted_only_when_that_is_confirmed(person) -> None:
    person.one_screen()
    person.press("Close")
    for sure, left in ((False, 1), (True, 0)):
        person.page.once("dialog", lambda dialog, sure=sure: dialog.accept() if sure else dialog.dismiss())
        person.press("Delete")
        assert person.page.locator(".jobs li").count() == left


def test_stations_of_ones_own_outlast_a_reload(person) -> None:
    person.press("Undo")
    person.press("Undo")
    person.press("Stations of your own")
    person.page.fill("#own-x", "30")
    person.page.fill("#own-y", "40")
    person.press("Add")
    reload(person)
    person.press("Stations of your own")
    assert person.page.locator(".stations li").all_inner_texts() == ["x 30, y 40"]


def test_two_tabs_of_one_job_show_the_same(person) -> None:
    other = person.page.context.new_page()
    other.goto("/bench")
    person.one_screen()
    number = person.settled().split()[3]
    other.wait_for_selector(f"#screen[data-screen^='read '][data-screen*=' {number} ']")
    person.page.wait_for_timeout(500)
    written = person.page.evaluate(WRITTEN)
    person.page.wait_for_timeout(500)
    assert person.page.evaluate(WRITTEN) == written  # the tabs do not answer each other for ever


def test_what_a_newer_page_wrote_is_left_alone(person) -> None:
    person.page.evaluate(
        "localStorage.setItem('tramwright.job.newer', JSON.stringify({version: 99, changed: '', content: {}}))"
    )
    person.page.evaluate("localStorage.setItem('tramwright.current.job', 'newer')")
    reload(person)
    assert person.page.get_by_role("heading", name="Go on with a job").is_visible()
    assert '"version":99' in person.page.evaluate("localStorage.getItem('tramwright.job.newer')")


def test_it_says_so_where_the_browser_keeps_nothing_more(person) -> None:
    person.page.evaluate(FULL)
    person.type(0.1)
    status(person, "This browser keeps nothing more")
    with person.page.expect_event("dialog") as left:
        person.page.close(run_before_unload=True)
    assert left.value.type == "beforeunload"
    left.value.dismiss()
    for sure in (False, True):
        person.page.once("dialog", lambda dialog, sure=sure: dialog.accept() if sure else dialog.dismiss())
        person.press("Close")
        assert person.page.get_by_role("heading", name="Go on with a job").is_visible() is sure


def test_it_says_so_where_a_person_lets_pages_keep_nothing(visits) -> None:
    visit = visits()
    visit.page.add_init_script("Object.defineProperty(window, 'localStorage', {get() { throw new Error('denied'); }})")
    assert visit.open("/bench").get_by_text("No machine is described").is_visible()
    page = visit.open(MACHINE)
    assert "keeps nothing more" in page.locator("#trouble").inner_text()
    assert settled(page)


def test_a_choice_on_the_first_screen_stays_in_hand_and_in_sight(visits) -> None:
    page = visits(viewport={"width": 390, "height": 500}).open("/bench")
    keep(page, example("tilted-bed"))
    inches = page.get_by_role("button", name="inches")
    inches.focus()
    page.evaluate("scrollTo(0, 120)")
    page.keyboard.press("Enter")
    assert inches.get_attribute("aria-pressed") == "true"
    assert inches.evaluate("button => button === document.activeElement")
    assert page.evaluate("scrollY") > 0


def test_a_sheet_that_cannot_be_drawn_now_is_asked_for_again(visits) -> None:
    visit = visits(allowed=("status of 503",))
    page = visit.open("/bench")
    stations = [(x, y) for x in (20.0, 250.0, 480.0) for y in (20.0, 250.0, 480.0)]
    readings = [{"do": "read", "x": x, "y": y, "value": 0.0} for x, y in (*stations, stations[0])]
    begin(page, example("tilted-bed"), stations, *readings)
    page.wait_for_selector("#screen[data-screen^=end]")
    busy = {"title": "busy", "status": 503, "detail": "All places are taken."}

    sheets = []

    def once(route) -> None:
        if "text/html" in route.request.headers["accept"]:
            sheets.append(route)
        if len(sheets) == 1 and sheets[0] is route:
            route.fulfill(status=503, headers={"retry-after": "1"}, json=busy)
        else:
            route.continue_()

    visit.context.route("**/v1/corrections", once)
    with page.expect_download():
        page.get_by_role("button", name="Save the sheet").click()


def test_what_the_service_says_is_marked_as_english_on_a_german_page(visits) -> None:
    page = visits(locale="de-DE").open("/bench")
    stations = [(x, y) for x in (20.0, 250.0, 480.0) for y in (20.0, 250.0, 480.0)]
    tilted = [{"do": "read", "x": x, "y": y, "value": 0.001 * x} for x, y in (*stations, stations[0])]
    begin(page, example("tilted-bed"), stations, *tilted)
    for words in (".cautions li", ".says"):
        page.wait_for_selector(words)
        assert page.locator(words).first.evaluate("words => words.closest('[lang]').lang") == "en"
        assert page.locator("h2").first.evaluate("words => words.closest('[lang]').lang") == "de"
        page.locator("#screen .main").first.click()
