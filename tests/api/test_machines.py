"""Stored machines, on SQLite and on PostgreSQL: put, read, changed, deleted, listed."""

from __future__ import annotations

import asyncio
import json
import re
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from typing import Any

import pytest

from farm_client import KESTREL, PATCH, Client, refused
from farm_payloads import BIRDS, machine, survey
from tramwright_service.execution.plug_ins.hosts import PlugIns
from tramwright_service.wire import merge_patch
from tramwright_service.wire.problems import RequestError

NDJSON = {"content-type": "application/x-ndjson"}


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
    assert "from 1 to 2" in refused(farm.get(f"{KESTREL}/versions/3"), 404, "not-found")["detail"]
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
    refused(kestrel.put(KESTREL, json=machine(), headers={"if-match": '"2a51f0"'}), 412, "changed")  # of something else
    assert kestrel.get(KESTREL).json()["site"] == "hall 2"
    refused(kestrel.put(KESTREL, json=machine(), headers={"if-none-match": "*"}), 412, "changed")
    refused(kestrel.put("/v1/machines/wren", json=machine(), headers={"if-match": "*"}), 412, "changed")
    refused(kestrel.put("/v1/machines/wren", json=machine(), headers={"if-match": "1"}), 412, "changed")
    assert kestrel.put("/v1/machines/wren", json=machine(), headers={"if-none-match": "*"}).status_code == 201
    assert kestrel.delete(KESTREL, headers=two).status_code == 204


def test_of_two_writers_with_the_same_tag_exactly_one_wins(kestrel: Client) -> None:
    def change(hall: int) -> int:
        tag = f'"{1 + hall // 8}"'
        return kestrel.patch(KESTREL, json={"site": f"bay {hall}"}, headers={"if-match": tag}).status_code

    for race in range(5):
        with ThreadPoolExecutor(8) as pool:
            assert sorted(pool.map(change, range(8 * race, 8 * race + 8))) == [200] + [412] * 7


def test_patches_of_different_members_are_all_made(kestrel: Client) -> None:
    patches = [{"site": "hall 9"}, {"tags": ["lathe"]}, {"check_every": 7}, {"solve": {"most_moves": 1}}]
    with ThreadPoolExecutor(4) as pool:
        assert {one.status_code for one in pool.map(lambda one: kestrel.patch(KESTREL, json=one), patches)} == {200}
    now = kestrel.get(KESTREL).json()
    assert (now["version"], now["site"], now["tags"], now["check_every"]) == (5, "hall 9", ["lathe"], 7)
    assert now["solve"]["most_moves"] == 1


def test_nobody_at_the_store_waits_while_a_patch_is_checked(kestrel: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    where, check = list[str](), PlugIns.check

    def watched(*given: Any) -> None:
        with suppress(RuntimeError):
            asyncio.get_running_loop()
            where.append("in the event loop")
        where.append(threading.current_thread().name)
        check(*given)

    monkeypatch.setattr(PlugIns, "check", watched)
    assert kestrel.patch(KESTREL, json={"site": "hall 9"}).status_code == 200
    assert len(where) == 1
    assert "store" not in where[0]


def test_a_merge_patch_changes_what_it_names_and_null_takes_it_away(kestrel: Client) -> None:
    patch = {"site": None, "machine": {"limit": {"total": 0.05}}, "tags": ["lathe", "mill", "lathe"]}
    marked = b"\xef\xbb\xbf" + json.dumps(patch).encode()  # as some programs begin a file
    changed = kestrel.patch(KESTREL, content=marked, headers=PATCH).json()
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
    for name in ("%00", "a%0Ab", "x" * 65, "%2E", "%2e."):
        refused(farm.put(f"/v1/machines/{name}", json=machine()), 404, "not-found")
        refused(farm.get(f"/v1/machines/{name}/surveys/1"), 404, "not-found")


def test_what_extras_cannot_hold_is_refused_wherever_a_machine_is_sent(kestrel: Client) -> None:
    for wrong, pointer in (({"n": [1, 2**64]}, "/machine/extras/nobody/n/1"), ({"n": -(2**63) - 1}, "")):
        own = {**machine()["machine"], "extras": {"nobody": wrong}}
        line = kestrel.post("/v1/corrections/batch", json={"machine": own, **survey()}, headers=NDJSON)
        for problem in (
            refused(kestrel.post("/v1/corrections", json={"machine": own, **survey()}), 422, "invalid"),
            refused(kestrel.post("/v1/survey-plans", json={"machine": own}), 422, "invalid"),
            refused(kestrel.put(KESTREL, json={"machine": own}), 422, "invalid"),
            refused(kestrel.patch(KESTREL, content=json.dumps({"machine": own}), headers=PATCH), 422, "invalid"),
            json.loads(line.text.splitlines()[0])["problem"],
        ):
            assert [one["pointer"] for one in problem["errors"]] == [pointer or "/machine/extras/nobody/n"]
            assert "64 bits" in problem["detail"]


@pytest.mark.parametrize(("opens", "closes"), [("[", "]"), ('{"a":', "}")])
def test_a_patch_however_deep_is_refused(kestrel: Client, opens: str, closes: str) -> None:
    def patch(depth: int) -> bytes:
        return f'{{"machine":{{"extras":{{"nobody":{{"n":{opens * depth}0{closes * depth}}}}}}}}}'.encode()

    for depth, status in ((70, 422), (100_000, 400)):
        answer = kestrel.patch(KESTREL, content=patch(depth), headers=PATCH)
        assert answer.status_code == status
        assert "nested too deeply" in answer.json()["detail"]
    read, limit = 0, sys.getrecursionlimit()
    sys.setrecursionlimit(1000)  # as the service has it; other tests may have raised it
    try:
        for depth in range(200, 1200):  # what one step still reads another may not, a little below the limit
            with suppress(RequestError):  # and nothing else
                merge_patch.merged(b"{}", merge_patch.read(patch(depth)))
                read += 1
    finally:
        sys.setrecursionlimit(limit)
    assert 0 < read < 900


def test_a_machine_of_which_no_survey_could_be_corrected_is_refused_as_the_correction_refuses_it(farm: Client) -> None:
    wrong = machine()["machine"]
    wrong = {
        **wrong,
        "bed": {"x": [500.0, 0.0], "y": [0.0, 500.0]},
        "supports": [*wrong["supports"][:2], {**wrong["supports"][2], "id": "left"}],
        "extras": {"nobody": {}},
    }
    problem = refused(farm.put(KESTREL, json={"machine": wrong}), 422, "invalid")
    assert sorted(one["pointer"] for one in problem["errors"]) == [
        "/machine/bed/x",
        "/machine/extras/nobody",
        "/machine/supports/2/id",
    ]
    refused(farm.get(KESTREL), 404, "not-found")
    bare = {"bed": wrong["bed"] | {"x": [0.0, 500.0]}, "limit": wrong["limit"]}
    for more in ({"machine": bare}, machine(solve={"with": [{"solver": "three-screw", "hold": ["nobody"]}]})):
        asked = {**more, "survey": survey()["survey"]}
        said = refused(farm.post("/v1/corrections", json=asked), 422, "invalid")["errors"]
        assert refused(farm.put(KESTREL, json=more), 422, "invalid")["errors"] == said


def test_a_patch_may_not_make_a_machine_of_which_no_survey_could_be_corrected(kestrel: Client) -> None:
    for patch, pointer in (
        (b'{"machine":{"bed":{"y":[500,0]}}}', "/machine/bed/y"),
        (b'{"solve":{"with":[{"solver":"three-screw","hold":["left","right","rear"]}]}}', "/solve/with"),
    ):
        problem = refused(kestrel.patch(KESTREL, content=patch, headers=PATCH), 422, "invalid")
        assert [one["pointer"] for one in problem["errors"]] == [pointer]
    assert kestrel.get(KESTREL).json()["version"] == 1


@pytest.mark.parametrize("name", ["kestrel 1", "Turmfalke-ä", "鳶", "a%25b", "a?b#c"])
def test_a_machine_may_have_any_printed_name(farm: Client, name: str) -> None:
    path = "/v1/machines/" + name.replace("%25", "%2525").replace("?", "%3F").replace("#", "%23").replace(" ", "%20")
    made = farm.put(path, json=machine())
    assert made.status_code == 201
    assert farm.get(made.headers["location"]).json()["id"] == made.json()["id"]
    assert farm.post(f"{path}/surveys", json=survey()).status_code == 201


@pytest.mark.parametrize("name", ["kestrel%2F", "%2fkestrel", "kestrel%2Fversions%2F1", "wren%2F..%2Fkestrel"])
def test_a_name_with_a_slash_is_no_other_machine_and_no_part_of_one(kestrel: Client, name: str) -> None:
    for answer in (
        kestrel.get(f"/v1/machines/{name}"),
        kestrel.put(f"/v1/machines/{name}", json=machine(site="hall 9")),
        kestrel.delete(f"/v1/machines/{name}"),
        kestrel.post(f"/v1/machines/{name}/surveys", json=survey()),
    ):
        assert "slash" in refused(answer, 404, "not-found")["detail"]
    assert kestrel.get(KESTREL).json()["site"] != "hall 9"


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


@pytest.mark.parametrize(
    ("path", "parameter"),
    [("/v1/fleet", "site"), ("/v1/fleet", "tag"), ("/v1/machines", "site"), ("/v1/events", "machine")],
)
def test_a_filter_is_described_as_the_name_that_it_must_be(farm: Client, path: str, parameter: str) -> None:
    parameters = farm.get("/openapi.json").json()["paths"][path]["get"]["parameters"]
    (schema,) = [one["schema"] for one in parameters if one["name"] == parameter]
    pattern = schema.get("items", schema)["pattern"]
    assert re.search(pattern, "kestrel 1")
    for name in ("a\x03", "a\n", "\u2028"):
        assert not re.search(pattern, name)
        refused(farm.get(path, params={parameter: name}), 400, "bad-request")


def test_numbers_beyond_all_bounds_are_not_found(kestrel: Client) -> None:
    for number in (0, -1, 2**31, 2**63, 10**30):
        refused(kestrel.get(f"{KESTREL}/surveys/{number}"), 404, "not-found")
        refused(kestrel.get(f"{KESTREL}/versions/{number}"), 404, "not-found")
