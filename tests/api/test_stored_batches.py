"""Batches that name stored machines, and batches whose surveys are stored."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from litestar.testing import TestClient

import stores
from farm_payloads import OUTSIDE, machine, survey
from tramwright_service.farm.batches import Batches
from tramwright_service.farm.expectations import Expected
from tramwright_service.farm.posting import Poster
from tramwright_service.farm.store import unavailable
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

BATCH = "/v1/corrections/batch"
Client = TestClient[Any]


@pytest.fixture(scope="module", params=stores.KINDS)
def farm(
    request: pytest.FixtureRequest, registry: Registry, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Client]:
    """A service with a store and one machine in it."""
    where = stores.fresh(request.param, tmp_path_factory.mktemp("farm"))
    with TestClient(
        create_app(Settings(log_level="error", store=where), registry), raise_server_exceptions=False
    ) as client:
        yield client


@pytest.fixture(autouse=True)
def _kestrel(farm: Client) -> None:
    assert farm.put("/v1/machines/kestrel", json=machine(site="hall 1")).status_code in (200, 201)


def sent(farm: Client, lines: list[dict[str, Any]], query: str = "") -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Answers and summary of a batch."""
    body = "".join(json.dumps(line) + "\n" for line in lines)
    answer = farm.post(f"{BATCH}{query}", content=body, headers={"content-type": "application/x-ndjson"})
    assert answer.status_code == 200, answer.text
    *told, last = map(json.loads, answer.text.splitlines())
    return told, last["summary"]


def surveys(farm: Client, name: str) -> int:
    found: int = farm.get(f"/v1/machines/{name}/standing").json()["surveys"]
    return found


def test_a_line_may_name_a_stored_machine(farm: Client) -> None:
    described = {**machine()["machine"], "id": "kestrel"}
    told, summary = sent(
        farm, [{"id": "a", "machine": "kestrel", **survey(OUTSIDE)}, {"machine": "no-such", **survey()}]
    )
    alone, _ = sent(farm, [{"id": "a", "machine": described, **survey(OUTSIDE)}])
    assert told[0] == alone[0]
    assert told[1]["problem"]["errors"][0]["pointer"] == "/machine"
    assert (summary["answered"], summary["problems"]) == (1, 1)
    before = surveys(farm, "kestrel")
    # a description in the stream comes before the one in the store
    other = {**described, "limit": {"total": 5.0}}
    told, _ = sent(farm, [{"machine": other, **survey()}, {"machine": "kestrel", **survey()}])
    assert [line["verdict"]["limit"] for line in told] == [5.0, 5.0]
    assert surveys(farm, "kestrel") == before


def test_what_is_sent_can_be_stored_and_the_same_line_again_is_stored_once(farm: Client) -> None:
    heron = {**machine()["machine"], "id": "heron"}
    lines = [
        {"id": "1", "machine": "kestrel", **survey(0.11)},
        {"id": "2", "machine": heron, **survey(0.12)},
        {"id": "3", "machine": "heron", **survey(0.13, "2026-03-01T08:00:00Z"), "solve": {"criterion": "minimum-zone"}},
        {"id": "4", "machine": "no-such", **survey()},
        {"id": "5", "machine": {**heron, "id": "a/b"}, **survey()},
        {"id": "6", "machine": {**heron, "id": ".."}, **survey()},
        {"id": "7", "machine": "kestrel", "survey": {"readings": []}},
    ]
    before = surveys(farm, "kestrel")
    told, summary = sent(farm, lines, "?store=true")
    plain, _ = sent(farm, lines)
    assert told[:4] == plain[:4]
    assert [one["problem"]["errors"][0]["pointer"] for one in told[4:6]] == ["/machine/id"] * 2
    assert told[6] == plain[6]
    assert (summary["lines"], summary["answered"], summary["problems"]) == (7, 3, 4)
    assert [one["line"] for one in summary["refused"]] == [4, 5, 6, 7]
    assert sum(summary["as_found"].values()) == 3
    assert (surveys(farm, "kestrel"), surveys(farm, "heron")) == (before + 1, 2)
    record = farm.get("/v1/machines/heron/surveys/2").json()
    told_of_it = {name: value for name, value in told[2].items() if name not in ("id", "line")}
    assert (record["answer"], record["taken_at"]) == (told_of_it, "2026-03-01T08:00:00Z")
    whole = farm.get("/v1/machines/heron/surveys/2/correction").json()
    assert whole["moves"] == told[2]["moves"]
    again, _ = sent(farm, lines, "?store=true")
    assert again == told
    sent(farm, [{**lines[0], **survey(0.2)}], "?store=true")  # the same id, another survey
    assert (surveys(farm, "kestrel"), surveys(farm, "heron")) == (before + 2, 2)


def test_a_description_in_the_stream_becomes_a_version_and_leaves_the_rest_of_the_machine(farm: Client) -> None:
    other = {**machine()["machine"], "id": "kestrel", "limit": {"total": 0.2}}
    before = farm.get("/v1/machines/kestrel").json()
    sent(farm, [{"machine": other, **survey(0.31)}, {"machine": "kestrel", **survey(0.32)}], "?store=true&detail=full")
    after = farm.get("/v1/machines/kestrel").json()
    assert (after["version"], after["site"], after["machine"]["limit"]) == (
        before["version"] + 1,
        "hall 1",
        {"total": 0.2},
    )
    latest = farm.get("/v1/machines/kestrel/surveys?limit=2").json()["surveys"]
    assert {one["version"] for one in latest} == {after["version"]}


@pytest.mark.parametrize("then", ["described anew", "taken out"])
def test_a_line_that_names_its_machine_undoes_nothing_that_was_done_to_it_meanwhile(
    farm: Client, monkeypatch: pytest.MonkeyPatch, then: str
) -> None:
    keep, before = Batches.keep, farm.get("/v1/machines/kestrel").json()["version"]

    def changed(there: bytes | None) -> bytes:
        document = json.loads(there or b"")
        return json.dumps(document | {"machine": document["machine"] | {"limit": {"total": 0.7}}}).encode()

    async def overtaken(self: Batches, *answered: Any) -> Any:
        if then == "taken out":
            await self._machines.retire("kestrel", Expected())
        else:
            await self._machines.put("kestrel", Expected(), changed)
        return await keep(self, *answered)

    monkeypatch.setattr(Batches, "keep", overtaken)
    (told,), _ = sent(farm, [{"machine": "kestrel", **survey(0.6 + len(then) / 100)}], "?store=true")
    if then == "taken out":
        assert told["problem"]["status"] == 404
        assert farm.get("/v1/machines/kestrel").status_code == 404
        return
    now = farm.get("/v1/machines/kestrel").json()
    assert (now["version"], now["machine"]["limit"]) == (before + 1, {"total": 0.7})
    assert farm.get("/v1/machines/kestrel/surveys?limit=1").json()["surveys"][0]["version"] == before


def test_lines_that_cannot_be_stored_are_not_acknowledged(farm: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    lines = [{"id": str(at), "machine": "kestrel", **survey(0.4 + at / 100)} for at in range(4)]
    before = surveys(farm, "kestrel")

    async def fails(*_: object) -> None:
        raise unavailable()

    with monkeypatch.context() as broken:
        broken.setattr(Poster, "post", fails)
        told, summary = sent(farm, lines, "?store=true")
    assert {line["problem"]["status"] for line in told} == {503}
    assert (summary["answered"], summary["problems"], summary["worst"]) == (0, 4, [])
    with monkeypatch.context() as broken:
        broken.setattr(Batches, "knowing", fails)
        told, _ = sent(farm, lines)
    assert {line["problem"]["status"] for line in told} == {503}
    assert surveys(farm, "kestrel") == before
    told, _ = sent(farm, lines, "?store=true")
    assert surveys(farm, "kestrel") == before + 4


def test_what_cannot_be_stored_so_is_refused_before_it_begins(farm: Client, client: Client) -> None:
    headers = {"content-type": "application/x-ndjson"}
    assert farm.post(f"{BATCH}?store=true&detail=verdict", content="", headers=headers).status_code == 400
    refused = client.post(f"{BATCH}?store=true", content="", headers=headers)
    assert (refused.status_code, refused.json()["type"]) == (404, "/docs/problems#no-store")
