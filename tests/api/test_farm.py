"""Surveys of the stored farm over HTTP, on SQLite and on PostgreSQL."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import pytest

import stores
from farm_client import KESTREL, Client, refused, serving
from farm_payloads import OUTSIDE, WITHIN, machine, survey
from tramwright_solvers.mechanisms.registry import Registry


def test_without_a_store_the_routes_of_the_farm_say_so_and_nothing_of_a_store_is_loaded(client: Client) -> None:
    for path in ("/v1/fleet", "/v1/machines", KESTREL, f"{KESTREL}/surveys/1/correction", f"{KESTREL}/notes"):
        assert "--store" in refused(client.get(path), 404, "no-store")["detail"]
    refused(client.put(KESTREL, json=machine()), 404, "no-store")
    refused(client.post(f"{KESTREL}/surveys", json=survey()), 404, "no-store")
    refused(client.delete(KESTREL), 404, "no-store")


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
    for wrong in ("noon", "2026-05-04T09:30:00", "0001-01-01T00:00:00+01:00", "9999-12-31T23:59:59-01:00"):
        assert refused(kestrel.post(f"{KESTREL}/surveys", json=survey(taken_at=wrong)), 422, "invalid")
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
