"""Readings typed at the machine: by thumb and by keyboard, twice, wrong, and pasted from a spreadsheet."""

from __future__ import annotations

import re
from typing import Any

import pytest

from at_the_machine import Person, begin, example, keep, simulated
from browsing import PHONE
from processes import wait_for

STATIONS: list[tuple[float, float]] = [
    (10, 10), (490, 10), (490, 490), (10, 490), (250, 250), (130, 130), (370, 130), (370, 370), (130, 370), (250, 20),
    (480, 250), (250, 480),
]  # fmt: skip


@pytest.fixture
def person(visits) -> Person:
    """At the first of twelve stations on a machine out of true, on a phone."""
    machine = example("tilted-bed")
    simulation = simulated(machine, {"front-left": 0.3, "front-right": -0.2, "rear": 0.1})
    # The browser itself writes to its console that the service refused something.
    page = visits(viewport=PHONE, has_touch=True, allowed=("status of 422",)).open("/bench")
    begin(page, machine, STATIONS)
    return Person(page, simulation)


def readings(person: Person) -> list[tuple[float, float, Any]]:
    return [(one["x"], one["y"], one["value"]) for one in person.job()["entries"] if one["do"] == "read"]


@pytest.mark.parametrize(
    ("keys", "value"),
    [("0.12", 0.12), (".12", 0.12), ("-0.12", -0.12), ("0.12-", -0.12), ("-0.12-", 0.12), ("0,12", 0.12), ("-5", -5)],
)
def test_the_keyboard_types_a_reading(person, keys, value) -> None:
    person.page.keyboard.type(keys)
    person.page.keyboard.press("Enter")
    assert [one for *_, one in readings(person)] == [value]


def test_the_sign_is_one_tap_at_any_time(person) -> None:
    for key in ("1", "+/−", "2"):
        person.page.locator(".keys button", has_text=re.compile(f"^{re.escape(key)}$")).click()
    assert person.page.locator("#reading").input_value() == "−12"
    person.page.locator(".keys .sign").click()
    assert person.page.locator("#reading").input_value() == "12"


@pytest.mark.parametrize("typed", ["", "-", "1.2.3", "abc", "1e999"])
def test_what_is_no_number_is_said_and_not_taken(person, typed) -> None:
    person.page.keyboard.type(typed)
    person.page.keyboard.press("Enter")
    assert person.page.locator("#reading-wrong").inner_text()
    assert readings(person) == []


def test_targets_are_large_enough_for_a_thumb(person) -> None:
    for target in person.page.locator("button:visible, a:visible, summary:visible").all():
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 48, target.inner_text()


def test_a_station_is_read_again_without_moving_the_dial(person) -> None:
    spot = person.spot()
    person.type(0.12)
    person.press(re.compile("once more"))
    assert person.spot() == spot
    person.type(0.13)
    assert readings(person) == [(*spot, 0.12), (*spot, 0.13)]
    assert person.spot() != spot


def test_undo_takes_back_one_entry_at_a_time(person) -> None:
    first = person.spot()
    person.type(0.1)
    second = person.spot()
    person.type(0.2)
    person.press("Undo")
    assert person.spot() == second
    person.page.keyboard.press("Control+z")
    assert person.spot() == first
    assert readings(person) == []


def test_a_slip_is_asked_for_again_while_the_dial_is_still_there(person) -> None:
    for _ in range(8):
        person.one_screen()
    spot = person.spot()
    right = person.machine.read(*spot)
    person.type(right + 1.0)
    person.until("suspect")
    assert person.spot() == spot
    said = person.page.get_by_role("alert").first.inner_text()
    assert f"{spot[0]:g}" in said
    assert "again" in said
    person.type(right)
    assert person.until("read", "care")
    assert readings(person)[-1] == (*spot, right)


def test_a_reading_that_was_right_is_kept_with_its_repeat(person) -> None:
    for _ in range(8):
        person.one_screen()
    spot = person.spot()
    high = person.machine.read(*spot) + 1.0
    person.type(high)
    person.until("suspect")
    person.press(re.compile("It still says"))
    person.page.wait_for_selector("#screen[data-screen^='read']")
    assert readings(person)[-2:] == [(*spot, pytest.approx(high)), (*spot, pytest.approx(high))]


def test_what_the_service_refuses_is_said_in_its_words(person) -> None:
    for value in (0.1, 0.2, 1e9):
        person.type(value)
    said = person.page.locator("#screen .wrong", has_text=re.compile("1000"))
    said.wait_for()
    person.press("Undo")
    assert person.page.locator("#screen div.wrong").count() == 0


TABLES = {
    "tabs and decimal commas": "x\ty\tWert\n20\t20\t0,1\n480\t20\t0,2\n480\t480\t-0,3\n20\t480\t0,05\n",
    "semicolons": "20;20;0,1\n480;20;0,2\n480;480;-0,3\n20;480;0,05",
    "commas": "x,y,value\n20,20,0.1\n480,20,0.2\n480,480,-0.3\n20,480,0.05\n",
    "spaces and a real minus": "20 20 0,1\n480 20 0,2\n480 480 −0,3\n20 480 0,05\n",
    "a grid": "\t20\t480\n20\t0,1\t0,2\n480\t0,05\t-0,3\n",
}


@pytest.mark.parametrize("table", TABLES.values(), ids=[*TABLES])
def test_a_table_is_pasted_from_a_spreadsheet(person, table) -> None:
    person.page.evaluate(
        """text => {
            const clipboardData = new DataTransfer();
            clipboardData.setData("text/plain", text);
            const pasted = new ClipboardEvent("paste", { clipboardData, bubbles: true, cancelable: true });
            document.activeElement.dispatchEvent(pasted);
        }""",
        table,
    )
    person.press("Take this table")
    person.page.wait_for_selector("#screen:not([data-screen^='paste'])")
    (entry,) = [one for one in person.job()["entries"] if one["do"] == "pasted"]
    found = {(one["x"], one["y"]): one["value"] for one in entry["readings"]}
    assert found == {(20, 20): 0.1, (480, 20): 0.2, (480, 480): -0.3, (20, 480): 0.05}


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("", "no readings"),
        ("x,y,value", "no readings"),
        ("20,20,0.1\n480,20,hello", "Line 2: hello is no number."),
        ("20;20;0,1\n480;20", "Line 2 is no row"),
        ("\t20\t480\n20\t0,1\t0,2x\n", "Line 2: 0,2x is no number."),
        ("words", "Line 1 is no row"),
        ("20\t20\t0,1 mm", "Line 1: 0,1 mm is no number."),
    ],
)
def test_a_table_that_cannot_be_read_says_which_line(person, table, said) -> None:
    person.press("Paste a table")
    person.page.fill("#table", table)
    person.press("Take this table")
    assert said in person.page.locator("#screen .wrong").inner_text()
    assert not [one for one in person.job()["entries"] if one["do"] == "pasted"]


def test_stations_of_ones_own(person) -> None:
    person.press("Undo")
    person.press("Stations of your own")
    own = [(30, 30), (400, 40), (250, 450), (60, 400)]
    for x, y in own:
        person.page.fill("#own-x", str(x))
        person.page.fill("#own-y", str(y))
        person.press("Add")
    person.press(re.compile("Read these stations: 4"))
    asked = []
    for _ in range(5):
        asked.append(person.spot())
        person.one_screen()
    assert asked == [*own, own[0]]


def test_a_slip_in_a_pasted_table_is_read_again_before_anything_is_moved(person) -> None:
    right = {spot: person.machine.read(*spot) for spot in STATIONS}
    wrong = right | {(130, 130): right[130, 130] + 0.5}
    person.press("Paste a table")
    person.page.fill("#table", "\n".join(f"{x}\t{y}\t{value:.6f}" for (x, y), value in wrong.items()))
    person.press("Take this table")
    person.until("more")
    assert "130" in person.page.locator(".says").inner_text()
    person.one_screen()
    assert person.spot() == (130, 130)
    person.one_screen()
    person.until("step")
    assert readings(person) == [(130, 130, right[130, 130])]


def test_the_keys_are_within_reach_without_scrolling(person) -> None:
    for _ in range(2):
        take = person.page.locator(".take").bounding_box()
        assert take is not None
        assert take["y"] + take["height"] <= PHONE["height"]
        person.type(0.1)


def test_stations_in_a_row_get_an_answer_in_the_words_of_the_service(person) -> None:
    person.press("Undo")
    person.press("Paste a table")
    person.page.fill("#table", "100\t100\t0.1\n200\t100\t0.2\n300\t100\t0.3\n")
    person.press("Take this table")
    screen = person.until("refused", "more")
    assert person.page.locator("#screen").inner_text().count(".") > 0
    person.press("Undo")
    assert not person.settled().startswith(screen)


def test_a_map_is_asked_for_only_when_the_one_before_is_there(person) -> None:
    held = []

    def asked(route: Any) -> None:
        held.append(route) if "svg" in route.request.headers["accept"] else route.continue_()

    person.page.route("**/v1/corrections", asked)
    for _ in range(4):
        person.one_screen()
    wait_for(lambda: person.page.evaluate("1") == 1 and len(held) == 1)
    for _ in range(3):
        person.one_screen()
        person.page.wait_for_timeout(400)  # longer than a map waits to be asked for
    assert len(held) == 1
    held[0].continue_()
    person.page.wait_for_selector("#beside .map img")
    wait_for(lambda: person.page.evaluate("1") == 1 and len(held) == 2)
    assert len(held[1].request.post_data_json["survey"]["readings"]) == 7


def test_a_key_held_down_does_not_go_past_what_was_not_read(person) -> None:
    person.until("care")
    drawn = person.page.locator("#screen").get_attribute("data-drawn")
    for _ in range(6):
        person.page.keyboard.down("Enter")
    person.page.keyboard.up("Enter")
    person.page.wait_for_selector(f"#screen:not([data-drawn='{drawn}'])")
    assert person.settled().startswith("step")
    assert person.page.get_by_role("button", name="It is done").is_visible()


def tap(person, name: str | re.Pattern[str], count: int) -> None:
    """Tap a button, as the first or second of two taps; the browser counts them by time, and here they come late."""
    box = person.page.get_by_role("button", name=name).first.bounding_box()
    person.page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    person.page.mouse.down(click_count=count)
    person.page.mouse.up(click_count=count)


def test_the_second_tap_of_two_is_not_for_the_screen_in_between(person) -> None:
    person.until("care")
    tap(person, "I have taken care of it", 1)
    person.page.wait_for_selector("#screen[data-screen^='step']")
    tap(person, "It is done", 2)
    assert person.page.get_by_role("button", name="It is done").is_visible()
    person.press("It is done")
    person.page.locator(".keys button", has_text=re.compile("^1$")).dblclick()
    assert person.page.locator("#reading").input_value() == "11"


def test_a_job_without_a_time_is_listed_with_the_others(person) -> None:
    person.press("Close")  # what began it here kept no time
    assert person.page.get_by_role("button", name=re.compile("^kestrel-01.*0 readings$")).is_visible()


def test_nor_does_it_send_a_form(visits) -> None:
    page = visits(viewport=PHONE).open("/bench")
    keep(page, example("tilted-bed"))
    person = Person(page, simulated(example("tilted-bed"), {}))
    tap(person, re.compile("^What moved"), 1)
    person.page.wait_for_selector("#screen[data-screen^='about']")
    tap(person, "Start reading", 2)
    assert person.settled().startswith("about")
    person.press("Start reading")
    assert person.settled().startswith("where")


def test_enter_held_down_is_lines_in_a_table(person) -> None:
    person.press("Paste a table")
    person.page.locator("#table").focus()
    for _ in range(3):
        person.page.keyboard.down("Enter")
    person.page.keyboard.up("Enter")
    assert person.page.locator("#table").input_value() == "\n\n\n"
