"""The history of stored machines, on SQLite and on PostgreSQL."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import msgspec
import pytest

from farm_client import KESTREL, Client, refused, serving
from farm_payloads import OUTSIDE, PLACES, machine, survey
from tramwright_service.farm import events
from tramwright_service.farm.store import store_of
from tramwright_solvers.mechanisms.registry import Registry

HISTORY = f"{KESTREL}/history"
FIRST = datetime(2026, 1, 5, 9, 30, tzinfo=UTC)
LAST = 9


def day(weeks: float) -> str:
    return (FIRST + timedelta(weeks=weeks)).isoformat().replace("+00:00", "Z")


def twisted(week: int, twist: float, unit: float = 1.0) -> dict[str, Any]:
    """A survey of the machine twisted by so many mm over the stations, with a dial that scatters by a micrometre."""
    readings = [
        {
            "x": x * unit,
            "y": y * unit,
            "value": unit * (twist * (x - 250.0) * (y - 250.0) / 105_800.0 + 0.001 * ((week * 7 + at * 5) % 3 - 1)),
        }
        for at, (x, y) in enumerate(PLACES)
    ]
    return {"survey": {"readings": readings, "taken_at": day(week)}}


def post(client: Client, sent: dict[str, Any], name: str = KESTREL) -> int:
    answer = client.post(f"{name}/surveys", json=sent)
    assert answer.status_code == 201, answer.text
    number: int = answer.json()["number"]
    return number


def history(client: Client, query: str = "", name: str = KESTREL) -> dict[str, Any]:
    answer = client.get(f"{name}/history{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def series(found: dict[str, Any], term: str) -> dict[str, Any]:
    (one,) = (one for one in found["series"] if one["term"] == term)
    return dict(one)


@pytest.fixture
def drifting(kestrel: Client) -> Client:
    """A machine whose twist grows by 6 µm every three weeks, with no check interval."""
    kestrel.patch(KESTREL, json={"check_every": None})
    for week in range(0, 3 * LAST, 3):
        post(kestrel, twisted(week, 0.01 + 0.002 * week))
    return kestrel


def test_a_machine_without_surveys_has_an_empty_history(kestrel: Client) -> None:
    found = history(kestrel)
    assert (found["points"], found["series"], found["jumps"], found["drift"]) == ([], [], [], None)
    assert (found["limit"], found["next_check"]["why"], found["next_check"]["at"]) == (None, "too-few", None)
    refused(kestrel.get("/v1/machines/nobody/history"), 404, "not-found")


def test_a_drift_is_warned_of_before_the_limit_is_passed_wherever_it_is_asked_for(drifting: Client) -> None:
    found = history(drifting)
    warned, total, twist = found["drift"], series(found, "total"), series(found, "twist")
    assert warned["term"] == "twist"
    assert (twist["state"], total["state"], series(found, "bow-x")["state"]) == ("drifting", "drifting", "steady")
    # over the bed twist is a little more than over the stations: 500² to 460²
    assert warned["rate_per_day"] == pytest.approx(0.002 / 7.0 * (500.0 / 460.0) ** 2, rel=0.03)
    assert day(3 * LAST) < warned["earliest"] < warned["at"] < (warned["latest"] or "9")
    assert warned["at"][:4] == "2026"
    crosses = {"limit": 0.1, **{name: warned[name] for name in ("at", "earliest", "latest")}}
    assert total["crosses"] == crosses
    assert twist["crosses"] is None
    assert found["next_check"]["at"] == warned["earliest"]
    assert found["next_check"]["why"] == "drift"
    for row in (
        drifting.get(f"{KESTREL}/standing").json(),
        drifting.get("/v1/fleet").json()["machines"][0],
        drifting.get("/v1/machines").json()["machines"][0],
    ):
        assert (row["drift"], row["next_check"]) == (warned, found["next_check"])
    limits = twist["ewma"]["points"]
    assert [one["number"] for one in limits] == list(range(1, LAST + 1))
    assert all(one["lower"] <= limits[0]["level"] <= one["upper"] for one in limits)
    assert (twist["ewma"]["lambda"], twist["surveys"]) == (0.3, LAST)


def test_a_drift_of_less_than_a_year_may_be_the_season_and_one_of_more_is_not(kestrel: Client) -> None:
    kestrel.patch(KESTREL, json={"check_every": None})
    told = dict[int, str]()
    for week in range(0, 60, 6):
        post(kestrel, twisted(week - 60, 0.01 + 0.001 * week))
        said = history(kestrel)
        if said["drift"] is not None:
            assert "(at least 95 %: between" in said["says"]
            told[week] = said["says"]
    assert {week: "may also be the season" in says for week, says in told.items()} == {
        week: week < 365 / 7 for week in told
    }
    assert {48, 54} <= told.keys()


def test_every_term_total_and_move_is_there_for_every_survey(drifting: Client) -> None:
    drifting.put(f"{KESTREL}/surveys/4/moves", json={"moves": [{"adjuster": "left", "travel": 0.01}]})
    drifting.put(f"{KESTREL}/surveys/4/moves", json={"moves": [{"adjuster": "left", "travel": 0.02}]})
    found = history(drifting)["points"]
    for number, one in enumerate(found, 1):
        stored = drifting.get(f"{KESTREL}/surveys/{number}").json()
        whole = drifting.get(f"{KESTREL}/surveys/{number}/correction").json()
        as_found = stored["answer"]["as_found"]
        assert (one["number"], one["total"], one["u"]) == (number, as_found["total"], as_found["u"])
        assert one["as_found"] == stored["answer"]["verdict"]["as_found"]
        terms = {part["term"]: part for part in whole["breakdown"]}
        assert set(one["terms"]) == set(terms) - {"offset"}
        for name, told in one["terms"].items():
            part = terms[name]
            value, u = ("range", "u") if name == "remainder" else ("over_bed", "over_bed_u")
            assert (told["value"], told["u"]) == (part[value], part[u])
            if name != "remainder":  # over the bed or over the stations, it is one term
                assert abs(told["value"]) * part["u"] == pytest.approx(part["range"] * told["u"])
    assert [one["moves"] for one in found] == [{"left": 0.02} if number == 4 else None for number in range(1, LAST + 1)]


def test_pages_and_times_take_what_they_name_and_lose_nothing(drifting: Client) -> None:
    whole = history(drifting)["points"]
    assert [one["number"] for one in whole] == list(range(1, LAST + 1))
    found, path = [], f"{HISTORY}?limit=4"
    while path:
        page = drifting.get(path)
        found += page.json()["points"]
        assert page.json()["drift"] is not None  # of the latest surveys, whatever the page
        path = page.links["next"]["url"] if "next" in page.links else ""
    assert found == whole
    some = history(drifting, f"?since={day(6)}&until={day(12)}")["points"]
    assert [one["number"] for one in some] == [3, 4]
    for query in ("since=yesterday", "until=2026-01-01", "cursor=nonsense", "limit=0", "limit=x"):
        refused(drifting.get(f"{HISTORY}?{query}"), 400, "bad-request")


def test_forms(drifting: Client) -> None:
    packed = drifting.get(HISTORY, headers={"accept": "application/msgpack"})
    told = {name: value for name, value in msgspec.msgpack.decode(packed.content).items() if name != "as_of"}
    assert told == {name: value for name, value in history(drifting).items() if name != "as_of"}
    text = drifting.get(HISTORY, headers={"accept": "text/plain"}).text
    assert text.startswith("kestrel: Twist drifts by +0.0")
    assert "is expected to pass its" in text
    assert max(map(len, text.splitlines())) <= 100
    refused(drifting.get(HISTORY, headers={"accept": "image/png"}), 406, "not-acceptable")


def test_moves_begin_anew_and_only_a_closing_survey_tells_where_it_stands(drifting: Client) -> None:
    drifting.put(f"{KESTREL}/surveys/{LAST}/moves", json={"moves": [{"adjuster": "rear", "travel": -0.03}]})
    found = history(drifting)
    assert (found["drift"], found["next_check"]["why"]) == (None, "moved-since")
    assert drifting.get(f"{KESTREL}/standing").json()["drift"] is None
    post(drifting, twisted(3 * LAST, 0.0))
    found = history(drifting)
    assert found["jumps"] == []
    assert found["drift"]["term"] == "twist"  # it drifts on from where it was brought
    assert [one["number"] for one in series(found, "twist")["ewma"]["points"]] == [LAST + 1]
    # moves taken back are moves all the same; none recorded are none
    drifting.put(f"{KESTREL}/surveys/{LAST}/moves", json={"moves": []})
    assert history(drifting)["jumps"][0]["before"] == LAST


def test_a_jump_is_named_between_its_surveys_and_points_to_their_comparison(kestrel: Client) -> None:
    for week in range(5):
        post(kestrel, twisted(week, 0.02 if week < 4 else -0.06))
    found = history(kestrel)
    (jump,) = found["jumps"]
    assert (jump["before"], jump["after"]) == (4, 5)
    assert (jump["earliest"][:10], jump["latest"][:10]) == (day(3)[:10], day(4)[:10])
    (twist,) = (one for one in jump["terms"] if one["term"] == "twist")
    compared = kestrel.get(jump["comparison"])
    assert compared.status_code == 200
    (theirs,) = (one for one in compared.json()["terms"] if one["term"] == "twist")
    assert twist["change"] == pytest.approx(theirs["change"], abs=2.0 * twist["u"])
    assert (found["drift"], found["next_check"]["why"], series(found, "twist")["state"]) == (None, "changed", "jumped")
    assert "between survey 4" in found["says"]


def test_surveys_sent_in_any_order_and_in_batches_tell_the_same(drifting: Client) -> None:
    def told(name: str) -> list[Any]:
        found = history(drifting, name=name)
        points = [{key: one[key] for key in one if key not in ("number", "version")} for one in found["points"]]
        states = [
            [one["state"], one["since"], one["rate_per_day"], [point["level"] for point in one["ewma"]["points"]]]
            for one in found["series"]
        ]
        return [points, states, found["drift"], drifting.get(f"{name}/standing").json()["drift"]]

    drifting.put("/v1/machines/heron", json=machine())
    for at in (5, 0, 8, 3, 1, 7, 2, 6, 4):
        post(drifting, twisted(3 * at, 0.01 + 0.006 * at), "/v1/machines/heron")
    plover = {**machine()["machine"], "id": "plover"}
    lines = [{"machine": plover, **twisted(3 * at, 0.01 + 0.006 * at)} for at in range(LAST)]
    body = b"\n".join(map(msgspec.json.encode, lines))
    sent = drifting.post(
        "/v1/corrections/batch?store=true", content=body, headers={"content-type": "application/x-ndjson"}
    )
    assert sent.status_code == 200
    assert told(KESTREL) == told("/v1/machines/heron") == told("/v1/machines/plover")


def test_a_machine_described_anew_goes_on_in_its_new_unit_and_begins_anew_on_another_bed(drifting: Client) -> None:
    before, inch = history(drifting), 25.4
    described = machine()["machine"]
    screw = {"lead": 1 / inch}
    supports = [{**one, "x": one["x"] / inch, "y": one["y"] / inch, "screw": screw} for one in described["supports"]]
    bed = {"x": [0, 500 / inch], "y": [0, 500 / inch]}
    changed = {"machine": {"units": "inch", "bed": bed, "supports": supports, "limit": {"total": 0.1 / inch}}}
    assert drifting.put(KESTREL, json=changed).status_code == 200
    post(drifting, twisted(3 * LAST, 0.01 + 0.006 * LAST, 1.0 / inch))
    found = history(drifting)
    assert (found["units"], found["limit"]) == ("inch", pytest.approx(0.1 / inch))
    for one, earlier in zip(found["points"], before["points"], strict=False):
        assert one["total"] * inch == pytest.approx(earlier["total"])
        assert one["terms"]["twist"]["value"] * inch == pytest.approx(earlier["terms"]["twist"]["value"])


def test_the_check_interval_is_kept_where_it_ends_before(kestrel: Client) -> None:
    kestrel.patch(KESTREL, json={"check_every": 10})
    for week in range(8):
        post(kestrel, twisted(week, 0.02))
    found = history(kestrel)["next_check"]
    assert (found["why"], found["days"]) == ("check-interval", 10.0)
    assert kestrel.get(f"{KESTREL}/standing").json()["next_check"] == found
    kestrel.patch(KESTREL, json={"check_every": 300})
    found = history(kestrel)["next_check"]
    assert (found["why"], found["days"]) == ("no-drift", 49.0)
    post(kestrel, survey(OUTSIDE, day(8)))
    assert history(kestrel)["next_check"]["why"] == "outside"


def warnings(where: str) -> list[Any]:
    """The events that tell of warnings."""

    async def whole() -> list[Any]:
        store = store_of(where)
        wanted = events.Filter(frozenset({"tramwright.drift.warned"}))
        page = await store.read(lambda connection: events.read(connection, 0, wanted))
        await store.close()
        return [msgspec.json.decode(one.body) for one in page.events]

    return asyncio.run(whole())


def test_a_new_warning_is_an_event_once(running: tuple[Client, str], farm: Client) -> None:
    where = running[1]
    farm.put(KESTREL, json=machine())
    for at in range(LAST):
        post(farm, twisted(3 * at, 0.01 + 0.006 * at))
    found = history(farm)["drift"]
    told = warnings(where)
    assert [(one["source"], one["subject"]) for one in told] == [("/v1/machines/kestrel", "history")]
    assert told[0]["data"]["term"] == found["term"] == "twist"
    farm.put(f"{KESTREL}/surveys/{LAST}/moves", json={"moves": [{"adjuster": "rear", "travel": -0.03}]})
    post(farm, twisted(3 * LAST, 0.03))  # warned of again, once it is known where it stands
    assert len(warnings(where)) == 2


def test_what_is_kept_is_what_all_surveys_and_moves_tell_whoever_wrote_them(
    running: tuple[Client, str], drifting: Client, registry: Registry
) -> None:
    other, week = serving(running[1], registry), 3 * LAST

    def kept() -> None:
        standing, found = drifting.get(f"{KESTREL}/standing").json(), history(drifting)
        assert (standing["drift"], standing["next_check"]) == (found["drift"], found["next_check"])

    with other:
        kept()
        for client in (drifting, other, other, drifting, drifting):
            week += 3
            post(client, twisted(week, 0.01 + 0.002 * week))
            kept()
        other.put(f"{KESTREL}/surveys/{LAST + 1}/moves", json={"moves": [{"adjuster": "rear", "travel": 0.01}]})
        kept()
        post(drifting, twisted(week + 3, 0.01 + 0.002 * week))
        kept()
        post(drifting, twisted(week - 1, 0.01 + 0.002 * week))  # taken before those that are there
        kept()
        drifting.patch(KESTREL, json={"machine": {"bed": {"x": [0.0, 510.0]}}})
        for later in range(week + 6, week + 20, 3):
            post(drifting, twisted(later, 0.03))
            kept()
    assert history(drifting)["points"][-1]["number"] == LAST + 12


def test_times_that_are_the_same_and_readings_that_are_the_same_are_taken(kestrel: Client) -> None:
    kestrel.patch(KESTREL, json={"check_every": None})
    for _ in range(6):
        post(kestrel, twisted(1, 0.02))
    found = history(kestrel)
    assert (found["drift"], found["next_check"]["why"]) == (None, "too-few")
    assert all(one <= other for one, other in pairwise(point["number"] for point in found["points"]))
