"""The stored farm over HTTP, on SQLite and on PostgreSQL: machines, surveys, moves, notes, standings."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

import stores
from farm_payloads import BIRDS, OUTSIDE, UNDECIDED, WITHIN, machine, survey
from tramwright_service.catalogue import examples
from tramwright_service.farm import times
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

KESTREL = "/v1/machines/kestrel"
PATCH = {"content-type": "application/merge-patch+json"}
Client = TestClient[Any]


@pytest.fixture(scope="module", params=stores.KINDS)
def running(
    request: pytest.FixtureRequest, registry: Registry, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Client, str]]:
    """A service with a store, and where that is."""
    where = stores.fresh(request.param, tmp_path_factory.mktemp("farm"))
    with serving(where, registry) as client:
        yield client, where


@pytest.fixture
def farm(running: tuple[Client, str]) -> Client:
    """The service, its store emptied."""
    client, where = running
    stores.empty(where)
    return client


def serving(where: str, registry: Registry) -> Client:
    return TestClient(create_app(Settings(log_level="error", store=where), registry), raise_server_exceptions=False)


@pytest.fixture
def kestrel(farm: Client) -> Client:
    """The same with one machine in it."""
    assert farm.put(KESTREL, json=machine(site="hall 1", tags=["mill"], check_every=30)).status_code == 201
    return farm


def refused(answer: Any, status: int, kind: str) -> dict[str, Any]:
    """The problem of a refusal."""
    problem: dict[str, Any] = answer.json()
    assert (answer.status_code, problem["type"].rpartition("#")[2]) == (status, kind), answer.text
    return problem


def test_without_a_store_the_routes_of_the_farm_say_so_and_nothing_of_a_store_is_loaded(client: Client) -> None:
    for path in ("/v1/fleet", "/v1/machines", KESTREL, f"{KESTREL}/surveys/1/correction", f"{KESTREL}/notes"):
        assert "--store" in refused(client.get(path), 404, "no-store")["detail"]
    refused(client.put(KESTREL, json=machine()), 404, "no-store")
    refused(client.post(f"{KESTREL}/surveys", json=survey()), 404, "no-store")
    refused(client.delete(KESTREL), 404, "no-store")


def test_a_machine_is_stored_read_changed_and_deleted(farm: Client) -> None:
    made = farm.put(KESTREL, json=machine(site="hall 1"))
    assert (made.status_code, made.headers["location"], made.headers["etag"]) == (201, KESTREL, '"1"')
    assert made.json()["machine"]["id"] == "kestrel"
    again = farm.put(KESTREL, json=machine(site="hall 1"))
    assert (again.status_code, again.headers["etag"]) == (200, '"1"')
    assert again.content == made.content
    other = farm.put(KESTREL, json=machine(site="hall 2"))
    assert (other.status_code, other.headers["etag"], other.json()["site"]) == (200, '"2"', "hall 2")
    assert farm.get(KESTREL).content == other.content
    assert farm.get(f"{KESTREL}/versions/1").content == made.content
    refused(farm.get(f"{KESTREL}/versions/3"), 404, "not-found")
    assert farm.delete(KESTREL).status_code == 204
    for path in (KESTREL, f"{KESTREL}/standing", f"{KESTREL}/surveys", f"{KESTREL}/notes"):
        refused(farm.get(path), 404, "not-found")
    assert farm.get("/v1/fleet").json()["machines"] == farm.get("/v1/machines").json()["machines"] == []
    refused(farm.delete(KESTREL), 404, "not-found")


def test_a_machine_that_was_deleted_has_its_surveys_when_it_is_there_again(kestrel: Client) -> None:
    assert kestrel.post(f"{KESTREL}/surveys", json=survey()).status_code == 201
    kestrel.delete(KESTREL)
    refused(kestrel.post(f"{KESTREL}/surveys", json=survey()), 404, "not-found")
    back = kestrel.put(KESTREL, json=machine())
    # another number than any it had: who still has an old one changes nothing with it
    assert (back.status_code, back.headers["etag"]) == (201, '"2"')
    assert kestrel.get(f"{KESTREL}/surveys/1").status_code == 200


def test_a_read_machine_need_not_be_sent_again(kestrel: Client) -> None:
    plain = {"accept-encoding": "identity"}
    tag = kestrel.get(KESTREL, headers=plain).headers["etag"]
    assert kestrel.get(KESTREL, headers={**plain, "if-none-match": tag}).status_code == 304
    zipped = kestrel.get(KESTREL).headers["etag"]
    assert kestrel.get(KESTREL, headers={"if-none-match": zipped}).status_code == 304
    kestrel.patch(KESTREL, content=b'{"site":"hall 2"}', headers={**PATCH, "if-match": zipped})
    assert kestrel.get(KESTREL, headers={**plain, "if-none-match": tag}).status_code == 200


def test_a_change_of_what_is_no_longer_there_is_refused(kestrel: Client) -> None:
    one, two = {"if-match": '"1"'}, {"if-match": '"7", "2"'}
    assert kestrel.put(KESTREL, json=machine(site="hall 2"), headers=one).headers["etag"] == '"2"'
    refused(kestrel.put(KESTREL, json=machine(site="hall 3"), headers=one), 412, "changed")
    refused(kestrel.patch(KESTREL, content=b"{}", headers={**PATCH, **one}), 412, "changed")
    refused(kestrel.delete(KESTREL, headers=one), 412, "changed")
    assert kestrel.get(KESTREL).json()["site"] == "hall 2"
    refused(kestrel.put(KESTREL, json=machine(), headers={"if-none-match": "*"}), 412, "changed")
    refused(kestrel.put("/v1/machines/wren", json=machine(), headers={"if-match": "*"}), 412, "changed")
    refused(kestrel.put("/v1/machines/wren", json=machine(), headers={"if-match": "1"}), 412, "changed")
    assert kestrel.put("/v1/machines/wren", json=machine(), headers={"if-none-match": "*"}).status_code == 201
    assert kestrel.delete(KESTREL, headers=two).status_code == 204


def test_of_two_writers_with_the_same_tag_exactly_one_wins(kestrel: Client) -> None:
    def change(hall: int) -> int:
        tag = f'"{1 + hall // 8}"'
        return kestrel.patch(KESTREL, json={"site": f"hall {hall}"}, headers={"if-match": tag}).status_code

    for race in range(5):
        with ThreadPoolExecutor(8) as pool:
            assert sorted(pool.map(change, range(8 * race, 8 * race + 8))) == [200] + [412] * 7


def test_a_merge_patch_changes_what_it_names_and_null_takes_it_away(kestrel: Client) -> None:
    patch = {"site": None, "machine": {"limit": {"total": 0.05}}, "tags": ["lathe", "mill", "lathe"]}
    changed = kestrel.patch(KESTREL, content=json.dumps(patch), headers=PATCH).json()
    assert (changed["site"], changed["tags"], changed["check_every"]) == (None, ["lathe", "mill"], 30.0)
    assert changed["machine"]["limit"] == {"total": 0.05}
    assert len(changed["machine"]["supports"]) == 3
    problem = refused(
        kestrel.patch(KESTREL, json={"machine": {"limit": {"total": -1}, "colour": "red"}}), 422, "invalid"
    )
    assert {fault["pointer"] for fault in problem["errors"]} == {"/machine/limit/total", "/machine/colour"}
    refused(kestrel.patch(KESTREL, json=[1]), 422, "invalid")
    refused(kestrel.patch(KESTREL, content=b"{", headers=PATCH), 400, "unreadable")
    refused(kestrel.patch(KESTREL, content=b'{"site":"a","site":"b"}', headers=PATCH), 422, "invalid")
    refused(
        kestrel.patch(KESTREL, content=b"{}", headers={"content-type": "text/plain"}), 415, "unsupported-media-type"
    )
    refused(kestrel.patch("/v1/machines/wren", json={}), 404, "not-found")


def test_what_is_put_is_checked_as_everywhere_with_pointers(farm: Client) -> None:
    wrong = machine(tags=["x" * 65], check_every=0)
    wrong["machine"]["supports"] = "none"
    problem = refused(farm.put(KESTREL, json=wrong), 422, "invalid")
    assert {fault["pointer"] for fault in problem["errors"]} == {"/machine/supports", "/tags/0", "/check_every"}
    named = machine()
    named["machine"] = {**named["machine"], "id": "wren"}
    assert refused(farm.put(KESTREL, json=named), 422, "invalid")["errors"][0]["pointer"] == "/machine/id"
    for name in ("%00", "a%0Ab", "x" * 65):
        refused(farm.put(f"/v1/machines/{name}", json=machine()), 404, "not-found")
        refused(farm.get(f"/v1/machines/{name}/surveys/1"), 404, "not-found")


@pytest.mark.parametrize("name", ["kestrel 1", "Turmfalke-ä", "鳶", "a%25b", "a?b#c"])
def test_a_machine_may_have_any_printed_name(farm: Client, name: str) -> None:
    path = "/v1/machines/" + name.replace("%25", "%2525").replace("?", "%3F").replace("#", "%23").replace(" ", "%20")
    made = farm.put(path, json=machine())
    assert made.status_code == 201
    assert farm.get(made.headers["location"]).json()["id"] == made.json()["id"]
    assert farm.post(f"{path}/surveys", json=survey()).status_code == 201


def test_messagepack_goes_in_and_out(kestrel: Client) -> None:
    form = {"content-type": "application/msgpack", "accept": "application/msgpack"}
    sent = msgspec.msgpack.encode(survey(OUTSIDE, "2026-03-01T08:00:00+01:00"))
    stored = msgspec.msgpack.decode(kestrel.post(f"{KESTREL}/surveys", content=sent, headers=form).content)
    assert stored == kestrel.get(f"{KESTREL}/surveys/1").json()
    tag = kestrel.get(KESTREL, headers={"accept": "application/msgpack", "accept-encoding": "identity"}).headers["etag"]
    assert tag not in (kestrel.get(KESTREL, headers={"accept-encoding": "identity"}).headers["etag"], "")
    assert kestrel.delete(KESTREL, headers={"if-match": tag}).status_code == 204


def test_a_stored_survey_has_the_correction_that_it_would_have_alone(kestrel: Client) -> None:
    stored = kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE, "2026-03-01T08:00:00Z", note="after a crash"))
    assert (stored.status_code, stored.headers["location"]) == (201, f"{KESTREL}/surveys/1")
    assert kestrel.get(f"{KESTREL}/surveys/1").content == stored.content
    record = stored.json()
    assert (record["number"], record["version"], record["note"]) == (1, 1, "after a crash")
    asked = {
        "machine": {**machine()["machine"], "id": "kestrel"},
        "survey": survey(OUTSIDE, "2026-03-01T08:00:00Z")["survey"],
    }
    alone = kestrel.post("/v1/corrections", json=asked)
    assert kestrel.get(f"{KESTREL}/surveys/1/correction").content == alone.content
    whole = alone.json()
    assert record["answer"] == {
        name: whole[name] if name != "predicted" else record["answer"][name] for name in record["answer"]
    }
    text = kestrel.get(f"{KESTREL}/surveys/1/correction", headers={"accept": "text/plain"})
    assert text.text == kestrel.post("/v1/corrections", json=asked, headers={"accept": "text/plain"}).text


def test_a_survey_keeps_the_description_and_the_options_that_it_was_solved_with(kestrel: Client) -> None:
    solve = {"criterion": "minimum-zone", "with": [{"solver": "three-screw", "hold": ["rear"]}]}
    stored = kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE, solve=solve)).json()
    before = kestrel.get(f"{KESTREL}/surveys/1/correction").content
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 1.0}}, "solve": {"most_moves": 1}})
    assert kestrel.get(f"{KESTREL}/surveys/1/correction").content == before
    assert kestrel.get(f"{KESTREL}/surveys/1").json() == stored
    assert stored["solve"]["criterion"] == "minimum-zone"
    later = kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).json()
    assert (later["version"], later["solve"]["most_moves"], later["answer"]["verdict"]["limit"]) == (2, 1, 1.0)
    assert later["input"] != stored["input"]


def test_a_survey_that_cannot_be_corrected_is_refused_and_not_stored(kestrel: Client) -> None:
    few = survey()
    few["survey"]["readings"] = few["survey"]["readings"][:2]
    assert (
        refused(kestrel.post(f"{KESTREL}/surveys", json=few), 422, "invalid")["errors"][0]["pointer"]
        == "/survey/readings"
    )
    assert refused(kestrel.post(f"{KESTREL}/surveys", json=survey(taken_at="noon")), 422, "invalid")
    unknown = survey(solve={"with": [{"solver": "no-such"}]})
    assert refused(kestrel.post(f"{KESTREL}/surveys", json=unknown), 422, "invalid")
    refused(kestrel.post("/v1/machines/wren/surveys", json=survey()), 404, "not-found")
    assert kestrel.get(f"{KESTREL}/surveys").json() == {"surveys": [], "next": None}


def test_a_key_stores_a_survey_once(kestrel: Client) -> None:
    key = {"idempotency-key": '"spring-service"'}
    first = kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE), headers=key)
    kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [{"adjuster": "left", "travel": 0.1}]})
    again = kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE), headers={"idempotency-key": "spring-service"})
    assert (again.status_code, again.content) == (201, first.content)
    problem = refused(kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN), headers=key), 422, "invalid")
    assert "spring-service" in problem["detail"]
    assert kestrel.put("/v1/machines/wren", json=machine()).status_code == 201
    assert kestrel.post("/v1/machines/wren/surveys", json=survey(WITHIN), headers=key).json()["number"] == 1
    for wrong in ("ä", "x" * 256, '""'):
        bad = [(b"idempotency-key", wrong.encode("latin-1"))]
        refused(kestrel.post(f"{KESTREL}/surveys", json=survey(), headers=bad), 400, "bad-request")
    assert len(kestrel.get(f"{KESTREL}/surveys").json()["surveys"]) == 1


def test_a_hundred_parallel_posts_of_one_key_are_one_survey(kestrel: Client) -> None:
    with ThreadPoolExecutor(100) as pool:
        answers = list(
            pool.map(
                lambda _: kestrel.post(f"{KESTREL}/surveys", json=survey(), headers={"idempotency-key": "once"}),
                range(100),
            )
        )
    assert {(answer.status_code, answer.content) for answer in answers} == {(201, answers[0].content)}
    assert kestrel.get(f"{KESTREL}/standing").json()["surveys"] == 1


def test_parallel_posts_without_a_key_are_numbered_each(kestrel: Client) -> None:
    with ThreadPoolExecutor(20) as pool:
        answers = pool.map(
            lambda n: kestrel.post(f"{KESTREL}/surveys", json=survey(n / 100)).json()["number"], range(60)
        )
        assert sorted(answers) == list(range(1, 61))


def test_lists_come_in_pages_with_a_link_to_the_next(farm: Client) -> None:
    names = sorted([*BIRDS, "Amsel", "Ärpel"])
    for name in names:
        assert farm.put(f"/v1/machines/{name}", json=machine(tags=["mill"])).status_code == 201
    found, path, pages = [], "/v1/machines?limit=5&tag=mill", 0
    while path:
        page = farm.get(path)
        found += [row["id"] for row in page.json()["machines"]]
        path = page.links["next"]["url"] if "next" in page.links else ""
        assert bool(path) == (page.json()["next"] is not None)
        pages += 1
    assert (found, pages) == (names, 3)
    for number in range(5):
        farm.post("/v1/machines/wren/surveys", json=survey(number / 10))
        farm.post("/v1/machines/wren/notes", json={"text": f"note {number}"})
    first = farm.get("/v1/machines/wren/surveys?limit=3")
    second = farm.get(first.links["next"]["url"])
    assert [row["number"] for row in first.json()["surveys"] + second.json()["surveys"]] == [5, 4, 3, 2, 1]
    assert second.json()["next"] is None
    first = farm.get("/v1/machines/wren/notes?limit=2").json()
    assert [one["text"] for one in first["notes"]] == ["note 4", "note 3"]
    for wrong in ("cursor=%%%", "cursor=AAAA", "limit=0", "limit=1001", "limit=a", "standing=bad", "tag=%00", "site="):
        for path in ("/v1/machines", "/v1/fleet"):
            refused(farm.get(f"{path}?{wrong}"), 400, "bad-request")


def test_a_standing_is_that_of_the_survey_taken_last_and_says_what_a_visit_takes(kestrel: Client) -> None:
    def standing() -> dict[str, Any]:
        found: dict[str, Any] = kestrel.get(f"{KESTREL}/standing").json()
        assert kestrel.get("/v1/fleet").json()["machines"] == [found] == kestrel.get("/v1/machines").json()["machines"]
        return found

    never = standing()
    assert (never["standing"], never["total"], never["visit"]["do"]) == ("never-surveyed", None, "survey")
    today = times.shown(times.now())
    for tilt, expected in ((UNDECIDED, "undecided"), (WITHIN, "within"), (OUTSIDE, "outside")):
        stored = kestrel.post(f"{KESTREL}/surveys", json=survey(tilt, today)).json()
        now = standing()
        assert (now["standing"], now["survey"]) == (expected, stored["number"])
        assert now["total"] == stored["answer"]["as_found"]["total"]
    moved = [move["adjuster"] for move in stored["answer"]["moves"]]
    assert now["visit"] == {"do": "move", "adjusters": moved, "moves": len(moved)}
    assert now["stale_at"] is None
    # a survey of last year, posted late, does not tell how the machine stands
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, "2025-01-01T00:00:00Z"))
    assert standing()["standing"] == "outside"
    # once it has been moved, only another survey tells more
    kestrel.put(f"{KESTREL}/surveys/3/moves", json={"moves": [{"adjuster": moved[0], "travel": 0.1}]})
    assert standing()["visit"] == {"do": "survey", "adjusters": [], "moves": 0}


def test_a_survey_becomes_stale_by_age_and_by_another_description(kestrel: Client) -> None:
    def standing() -> Any:
        return kestrel.get(f"{KESTREL}/standing").json()["standing"]

    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, times.shown(times.now() - 20 * times.DAY)))
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"check_every": 19})
    assert standing() == "stale"
    assert kestrel.get("/v1/fleet").json()["counts"]["stale"] == 1
    assert kestrel.get("/v1/machines?standing=within").json()["machines"] == []
    kestrel.patch(KESTREL, json={"check_every": None})
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"tags": ["lathe"]})
    assert standing() == "within"
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 0.02}}})
    assert standing() == "stale"
    kestrel.patch(KESTREL, json={"machine": {"limit": {"total": 0.1}}})
    assert standing() == "within"
    # a clock that is ahead makes nothing fresh for longer
    kestrel.patch(KESTREL, json={"check_every": 1})
    kestrel.post(f"{KESTREL}/surveys", json=survey(WITHIN, "2099-01-01T00:00:00Z"))
    assert times.read(kestrel.get(f"{KESTREL}/standing").json()["stale_at"]) <= times.now() + times.DAY


def test_the_fleet_is_listed_worst_first_with_counts_and_filters(farm: Client) -> None:
    now, old = times.shown(times.now()), "2025-01-01T00:00:00Z"
    planned = {
        "avocet": ("outside", survey(OUTSIDE, now), {}),
        "curlew": ("outside", survey(2 * OUTSIDE, old), {}),
        "dunlin": ("undecided", survey(UNDECIDED, now), {"tags": ["mill"]}),
        "gannet": ("never-surveyed", None, {"site": "hall 2"}),
        "heron": ("stale", survey(WITHIN, "2025-02-01T00:00:00Z"), {"check_every": 10}),
        "kestrel": ("stale", survey(WITHIN, old), {"check_every": 10, "site": "hall 2"}),
        "linnet": ("within", survey(WITHIN, now), {"tags": ["mill"], "site": "hall 2"}),
        "plover": ("within", survey(0.02, now), {}),
    }
    for name, (_, sent, more) in planned.items():
        assert farm.put(f"/v1/machines/{name}", json=machine(**more)).status_code == 201
        if sent is not None:
            assert farm.post(f"/v1/machines/{name}/surveys", json=sent).status_code == 201
    order = ["curlew", "avocet", "dunlin", "gannet", "kestrel", "heron", "plover", "linnet"]
    whole = farm.get("/v1/fleet").json()
    assert [row["id"] for row in whole["machines"]] == order
    assert {row["id"]: row["standing"] for row in whole["machines"]} == {name: one[0] for name, one in planned.items()}
    assert whole["counts"] == {"outside": 2, "undecided": 1, "never_surveyed": 1, "stale": 2, "within": 2}
    for size in (1, 2, 3, 5):
        found, path = [], f"/v1/fleet?limit={size}"
        while path:
            page = farm.get(path)
            found += [row["id"] for row in page.json()["machines"]]
            path = page.links["next"]["url"] if "next" in page.links else ""
        assert found == order
    for query, names in (
        ("standing=stale", ["kestrel", "heron"]),
        ("site=hall 2", ["gannet", "kestrel", "linnet"]),
        ("tag=mill", ["dunlin", "linnet"]),
        ("tag=mill&site=hall 2&standing=within", ["linnet"]),
        ("tag=none", []),
    ):
        page = farm.get(f"/v1/fleet?{query}").json()
        assert [row["id"] for row in page["machines"]] == names
        assert sum(page["counts"].values()) == len(names)
        assert {row["id"] for row in farm.get(f"/v1/machines?{query}").json()["machines"]} == set(names)


def test_the_next_survey_learns_from_the_moves_recorded_as_if_they_had_been_sent(farm: Client) -> None:
    shipped = examples.corrections()["second-pass"]
    described = {**shipped["machine"], "id": "kestrel"}
    previous = shipped["survey"]["previous"]
    last = {name: value for name, value in shipped["survey"].items() if name != "previous"}
    farm.put(KESTREL, json={"machine": described})
    first = farm.post(
        f"{KESTREL}/surveys", json={"survey": {"readings": previous["readings"], "taken_at": "2026-05-01T08:00:00Z"}}
    )
    assert first.json()["learnt_from"] == []
    refused(farm.get(f"{KESTREL}/surveys/1/moves"), 404, "not-found")
    wrong = [{"adjuster": "no-such", "travel": 1}]
    assert (
        refused(farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": wrong}), 422, "invalid")["errors"][0]["pointer"]
        == "/moves/0/adjuster"
    )
    mistyped = [{**move, "travel": -move["travel"]} for move in previous["moves"]]
    assert farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": mistyped}).json()["entry"] == 1
    recorded = farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": previous["moves"], "note": "by hand"}).json()
    assert (recorded["entry"], recorded["moves"], recorded["note"]) == (2, previous["moves"], "by hand")
    assert farm.get(f"{KESTREL}/surveys/1/moves").json() == recorded
    second = farm.post(f"{KESTREL}/surveys", json={"survey": last}).json()
    assert second["learnt_from"] == [1]
    alone = farm.post("/v1/corrections", json={"machine": described, "survey": shipped["survey"]}).content
    assert farm.get(f"{KESTREL}/surveys/2/correction").content == alone
    # what is recorded later does not change what was answered
    farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": []})
    assert farm.get(f"{KESTREL}/surveys/2/correction").content == alone
    # a third pass learns from both; one whose passes come with it does not look into the store
    farm.put(f"{KESTREL}/surveys/1/moves", json={"moves": previous["moves"]})
    farm.put(f"{KESTREL}/surveys/2/moves", json={"moves": [{"adjuster": "rear", "travel": 0.05}]})
    assert farm.post(f"{KESTREL}/surveys", json={"survey": last}).json()["learnt_from"] == [1, 2]
    assert farm.post(f"{KESTREL}/surveys", json={"survey": shipped["survey"]}).json()["learnt_from"] == []
    assert farm.get(f"{KESTREL}/surveys").json()["surveys"][2]["moved"] is True


def test_moves_of_another_description_are_not_learnt_from(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE))
    kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [{"adjuster": "left", "travel": 0.2}]})
    kestrel.patch(KESTREL, json={"machine": {"units": "inch"}})
    assert kestrel.post(f"{KESTREL}/surveys", json=survey(OUTSIDE)).json()["learnt_from"] == []
    assert [row["units"] for row in kestrel.get(f"{KESTREL}/surveys").json()["surveys"]] == ["inch", "mm"]
    twice = [{"adjuster": "left", "travel": 0.2}, {"adjuster": "left", "travel": 0.1}]
    refused(kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": twice}), 422, "invalid")
    refused(kestrel.put(f"{KESTREL}/surveys/1/moves", json={"moves": [], "made_at": "noon"}), 422, "invalid")
    refused(kestrel.put(f"{KESTREL}/surveys/9/moves", json={"moves": []}), 404, "not-found")


def test_any_two_surveys_are_compared_as_if_they_had_been_sent(kestrel: Client) -> None:
    tilts = (0.0, 0.1, 0.3)
    for tilt in tilts:
        kestrel.post(f"{KESTREL}/surveys", json=survey(tilt))
    described = {**machine()["machine"], "id": "kestrel"}
    for number, before, query in (
        (2, 1, ""),
        (3, 1, "?before=1"),
        (1, 3, "?before=3&offset=keep&indicator_error=common"),
    ):
        options = {"offset": "keep", "indicator_error": "common"} if "keep" in query else {}
        asked = {
            "machine": described,
            "before": survey(tilts[before - 1])["survey"],
            "after": survey(tilts[number - 1])["survey"],
            **options,
        }
        path = f"{KESTREL}/surveys/{number}/comparison{query}"
        assert kestrel.get(path).content == kestrel.post("/v1/comparisons", json=asked).content
    refused(kestrel.get(f"{KESTREL}/surveys/1/comparison"), 404, "not-found")
    refused(kestrel.get(f"{KESTREL}/surveys/2/comparison?before=7"), 404, "not-found")
    refused(kestrel.get(f"{KESTREL}/surveys/2/comparison?offset=lost"), 400, "bad-request")


def test_notes_are_kept(kestrel: Client) -> None:
    kestrel.post(f"{KESTREL}/surveys", json=survey())
    told = kestrel.post(f"{KESTREL}/notes", json={"text": "ran into the vice\nspindle checked", "survey": 1})
    assert (told.status_code, told.json()["note"], told.json()["survey"]) == (201, 1, 1)
    assert kestrel.get(f"{KESTREL}/notes").json()["notes"] == [told.json()]
    refused(kestrel.post(f"{KESTREL}/notes", json={"text": "x", "survey": 2}), 404, "not-found")
    refused(kestrel.post(f"{KESTREL}/notes", json={"text": "\u202e"}), 422, "invalid")
    refused(kestrel.post("/v1/machines/wren/notes", json={"text": "x"}), 404, "not-found")


def test_numbers_beyond_all_bounds_are_not_found(kestrel: Client) -> None:
    for number in (0, -1, 2**31, 2**63, 10**30):
        refused(kestrel.get(f"{KESTREL}/surveys/{number}"), 404, "not-found")
        refused(kestrel.get(f"{KESTREL}/versions/{number}"), 404, "not-found")


@pytest.mark.parametrize("kind", stores.KINDS)
def test_a_store_has_all_of_it_after_the_service_has_ended(kind: str, registry: Registry, tmp_path: Path) -> None:
    where = stores.fresh(kind, tmp_path)
    paths = (KESTREL, f"{KESTREL}/surveys/1", f"{KESTREL}/surveys/1/correction", f"{KESTREL}/standing")
    with serving(where, registry) as before:
        before.put(KESTREL, json=machine())
        before.post(f"{KESTREL}/surveys", json=survey(OUTSIDE))
        told = [before.get(path).content for path in paths]
    with serving(where, registry) as after:
        assert [after.get(path).content for path in paths] == told


def test_a_damaged_document_is_said_and_nothing_else_suffers(registry: Registry, tmp_path: Path) -> None:
    import sqlite3

    where = stores.fresh("sqlite", tmp_path)
    with serving(where, registry) as farm:
        farm.put(KESTREL, json=machine())
        for tilt in (0.0, 0.1):
            farm.post(f"{KESTREL}/surveys", json=survey(tilt))
        with sqlite3.connect(where) as file:
            file.execute(
                "UPDATE surveys SET document = CAST(replace(document, '0.006', '0.600') AS BLOB) WHERE number = 1"
            )
        file.close()
        problem = refused(farm.get(f"{KESTREL}/surveys/1"), 500, "store-damaged")
        assert "tramwright store check" in problem["detail"]
        refused(farm.get(f"{KESTREL}/surveys/2/comparison"), 500, "store-damaged")
        assert farm.get(f"{KESTREL}/surveys/2").status_code == 200


def test_the_store_is_loaded_only_where_there_is_one() -> None:
    import subprocess
    import sys

    code = (
        "import sys; from tramwright_service.http.app import create_app; create_app(); "
        "print(*[name for name in ('sqlalchemy', 'alembic', 'aiosqlite', 'asyncpg') if name in sys.modules])"
    )
    assert subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.strip() == ""


def test_a_failed_write_leaves_nothing_and_the_next_one_works(kestrel: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    from tramwright_service.farm import posting

    def fails(*_: object) -> None:
        raise RuntimeError("no more")

    with monkeypatch.context() as broken:
        broken.setattr(posting, "_judged", fails)
        refused(kestrel.post(f"{KESTREL}/surveys", json=survey()), 500, "internal")
    assert kestrel.get(f"{KESTREL}/surveys").json()["surveys"] == []
    assert kestrel.post(f"{KESTREL}/surveys", json=survey()).json()["number"] == 1
