"""Access: who may do what on which route, how often, and what whoever may not is told."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from litestar import get
from litestar.testing import TestClient

import stores
from farm_client import KESTREL, Client, refused
from farm_payloads import machine, survey
from keyed import asking, bearing, made, of_each_scope
from tramwright_service.farm import keys as kept
from tramwright_service.http import openapi
from tramwright_service.http.access import needed
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.access import SCOPES
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import Registry, build

CORRECTIONS = "/v1/corrections"
DASHBOARD = "https://dashboard.example"
STRANGE = "twk_" + "a" * 8 + "_" + "b" * 43
DOCUMENT = openapi.document(build(BUILT_IN), Settings())
OPERATIONS = [
    pytest.param(
        method, re.sub(r"{\w+}", "1", path.replace("{machine}", "kestrel")), one["security"], id=one["operationId"]
    )
    for path, operations in DOCUMENT["paths"].items()
    for method, one in operations.items()
]
OPEN = {"live", "ready"}
PAGES = (
    "/openapi.json",
    "/docs",
    "/docs/problems",
    "/docs/guides/farm",
    "/docs/assets/docs.js",
    "/bench",
    "/bench/assets/api.js",
)


@pytest.fixture(scope="module", params=stores.KINDS)
def served(
    request: pytest.FixtureRequest, registry: Registry, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[tuple[Client, dict[str, str]]]:
    """A service that asks for keys, with a machine in it, and a key of each scope."""
    where = stores.fresh(request.param, tmp_path_factory.mktemp("keys"))
    if request.param == "sqlite":
        stores.ready(where)
    keys = of_each_scope(where)
    with asking(where, registry, rate=0) as client:
        client.put(KESTREL, json=machine(), headers=bearing(keys["manage"])).raise_for_status()
        yield client, keys


def challenge(answer: Any) -> dict[str, str]:
    """What WWW-Authenticate says (RFC 6750, section 3)."""
    how, _, rest = answer.headers["www-authenticate"].partition(" ")
    assert how == "Bearer"
    return dict(re.findall(r'(\w+)="([^"]*)"', rest))


@pytest.mark.parametrize("headers", [{}, {"origin": DASHBOARD}], ids=["", "of a page"])
@pytest.mark.parametrize(("method", "path", "security"), OPERATIONS)
def test_every_operation_asks_for_the_scope_that_its_description_says(
    served: tuple[Client, dict[str, str]], method: str, path: str, security: list[Any], headers: dict[str, str]
) -> None:
    client, keys = served

    def ask(key: str | None) -> Any:
        own = {**headers, **(bearing(key) if key else {}), "content-type": "text/csv"}
        return client.request(method, path, content=b"none", headers=own)

    if not security:
        assert ask(None).status_code == ask(STRANGE).status_code == 200
        return
    assert security[1:] == [{}]
    (scope,) = security[0]["key"]
    refused(ask(None), 401, "key-needed")
    assert challenge(ask(None)) == {"realm": "tramwright"}
    refused(ask(STRANGE), 401, "key-not-valid")
    assert challenge(ask(STRANGE)) == {"realm": "tramwright", "error": "invalid_token"}
    for lesser in SCOPES[: SCOPES.index(scope)]:
        answer = ask(keys[lesser])
        refused(answer, 403, "scope-missing")
        assert challenge(answer) == {"realm": "tramwright", "error": "insufficient_scope", "scope": scope}
    if method == "delete":  # the last: the machine is wanted by others
        return
    if path == "/v1/events":  # a stream of them has no end
        method = "head"
    for enough in SCOPES[SCOPES.index(scope) :]:
        assert ask(keys[enough]).status_code not in (401, 403, 429, 500)


def test_which_operations_need_no_key() -> None:
    assert {one.id for one in OPERATIONS if not one.values[2]} == OPEN


def test_pages_are_open_and_metrics_are_not(served: tuple[Client, dict[str, str]]) -> None:
    client, keys = served
    for path in PAGES:
        assert client.get(path).status_code == 200, path
    assert client.get("/metrics").status_code == 401
    assert client.get("/metrics", headers=bearing(keys["read"])).status_code == 200
    assert client.head("/v1/fleet").status_code == 401
    assert client.head("/v1/fleet", headers=bearing(keys["read"])).status_code == 200


def test_what_is_nowhere_is_said_to_everybody_and_who_has_no_key_learns_of_no_machine(
    served: tuple[Client, dict[str, str]],
) -> None:
    client, keys = served
    assert client.get("/v1/nothing").status_code == 404
    assert client.get(CORRECTIONS).status_code == 405
    assert client.options(KESTREL).headers["allow"]
    for path in (KESTREL, "/v1/machines/wren"):
        assert client.get(path).status_code == 401
    assert client.get("/v1/machines/wren", headers=bearing(keys["read"])).status_code == 404


def test_a_route_that_says_nothing_of_a_scope_is_not_served(
    registry: Registry, monkeypatch: pytest.MonkeyPatch
) -> None:
    @get("/forgotten", sync_to_thread=False)
    def forgotten() -> None: ...

    with pytest.raises(TypeError, match="forgotten"):
        needed(forgotten)
    monkeypatch.setattr("tramwright_service.http.docs.create", lambda *_: [forgotten])
    with pytest.raises(TypeError, match="forgotten"):
        create_app(Settings(), registry)


@pytest.mark.parametrize(
    "given",
    [
        "Basic a2VzdHJlbDprZXN0cmVs", "Bearer", "Bearer ", "bearer none", "Bearer \xff", "Bearer " + "a" * 9000,
        f"Bearer {STRANGE}x", f"Bearer {STRANGE}\u0661".encode().decode("latin-1"),
    ],
)  # fmt: skip
def test_what_is_no_key_is_refused(served: tuple[Client, dict[str, str]], given: str) -> None:
    for path in (CORRECTIONS, "/v1/machines/kestrel/notes"):
        sent: Any = {b"authorization": given.encode("latin-1")}  # httpx takes bytes, and its types do not say so here
        answer = served[0].post(path, json={}, headers=sent)
        assert answer.status_code == 401
        assert challenge(answer)["realm"] == "tramwright"


def test_a_key_is_asked_for_as_a_bearer_token_in_any_spelling(
    served: tuple[Client, dict[str, str]], payload: dict[str, Any]
) -> None:
    client, keys = served
    for how in ("Bearer", "bearer", "BEARER "):
        assert client.post(CORRECTIONS, json=payload, headers={"authorization": f"{how} {keys['submit']}"}).is_success
    other = keys["submit"][:-1] + ("A" if keys["submit"][-1] != "A" else "B")
    refused(client.post(CORRECTIONS, json=payload, headers=bearing(other)), 401, "key-not-valid")


def test_a_document_says_that_keys_are_asked_for_where_they_are(served: tuple[Client, dict[str, str]]) -> None:
    document = served[0].get("/openapi.json").json()
    assert document["components"]["securitySchemes"]["key"]["scheme"] == "bearer"
    assert document["paths"][CORRECTIONS]["post"]["security"] == [{"key": ["submit"]}]
    assert document["paths"]["/health/live"]["get"]["security"] == []
    for path in document["paths"].values():
        for operation in path.values():
            assert ("401" in operation["responses"]) is ("403" in operation["responses"]) is bool(operation["security"])


def test_who_may_not_manage_stores_no_description_by_the_line(served: tuple[Client, dict[str, str]]) -> None:
    client, keys = served

    def sent(scope: str, **line: Any) -> dict[str, Any]:
        body = json.dumps({**survey(0.1), **line}).encode() + b"\n"
        own = {**bearing(keys[scope]), "content-type": "application/x-ndjson"}
        answer = client.post(f"{CORRECTIONS}/batch?store=true", content=body, headers=own)
        told: dict[str, Any] = json.loads(answer.text.splitlines()[0])
        return told

    wren = {**machine()["machine"], "id": "wren"}
    assert sent("submit", machine=wren)["problem"]["errors"][0]["pointer"] == "/machine"
    assert client.get("/v1/machines/wren", headers=bearing(keys["read"])).status_code == 404
    assert "problem" not in sent("submit", machine="kestrel")
    assert "problem" not in sent("manage", machine=wren)
    assert "problem" not in sent("submit", machine=wren)  # described as it is stored
    assert client.delete("/v1/machines/wren", headers=bearing(keys["manage"])).is_success


def test_a_page_of_another_origin_may_send_a_key_and_sees_why_it_is_refused(registry: Registry, tmp_path: Any) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    key = made(where, "dashboard")
    with asking(where, registry, cors_origins=DASHBOARD, rate=2) as client:
        sent = "authorization,content-type,idempotency-key,if-match,if-none-match,last-event-id,x-request-id"
        asks = {"origin": DASHBOARD, "access-control-request-method": "POST", "access-control-request-headers": sent}
        allowed = client.options(CORRECTIONS, headers=asks)
        assert allowed.status_code == 204
        assert set(sent.split(",")) <= set(allowed.headers["access-control-allow-headers"].lower().split(", "))
        fleet = [
            client.get("/v1/fleet", headers={"origin": DASHBOARD, **own})
            for own in ({}, bearing(key), bearing(key), bearing(key))
        ]
        assert [answer.status_code for answer in fleet] == [401, 200, 200, 429]
        for answer in (*fleet, client.post(CORRECTIONS, headers={"origin": DASHBOARD})):
            assert answer.headers["access-control-allow-origin"] == DASHBOARD
            assert "access-control-allow-credentials" not in answer.headers
            seen = set(answer.headers["access-control-expose-headers"].split(", "))
            assert {"ETag", "Link", "Location", "Retry-After", "WWW-Authenticate", "X-Request-ID"} <= seen


def test_a_hundred_requests_over_the_limit_are_told_when_to_come_back(
    registry: Registry, tmp_path: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    where = stores.ready(str(tmp_path / "farm.db"))
    one, other = made(where, "one", "--scope", "submit"), made(where, "other")
    now = 1000.0
    monkeypatch.setattr("tramwright_service.http.access.monotonic", lambda: now)
    with asking(where, registry, rate=30) as client:
        answers = [client.get("/v1/solvers", headers=bearing(one)) for _ in range(130)]
        assert [answer.status_code for answer in answers] == [200] * 30 + [429] * 100
        for answer in answers[30:]:
            refused(answer, 429, "too-many-requests")
            assert answer.headers["retry-after"] == "2"
        refused(client.post(CORRECTIONS, json={}, headers=bearing(one)), 429, "too-many-requests")
        assert client.get("/v1/solvers", headers=bearing(other)).status_code == 200
        assert client.get("/health/ready").status_code == 200
        now += 2.0  # what Retry-After said
        assert [client.get("/v1/solvers", headers=bearing(one)).status_code for _ in range(2)] == [200, 429]
        now += 60.0
        answers = [client.get("/v1/solvers", headers=bearing(one)) for _ in range(40)]
        assert [answer.status_code for answer in answers] == [200] * 30 + [429] * 10


def test_a_key_that_has_expired_is_told_so(
    served: tuple[Client, dict[str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kept.Key, "expired", property(lambda key: key.name == "submit"))
    client, keys = served
    answer = client.get("/v1/fleet", headers=bearing(keys["submit"]))
    assert "`submit` has expired" in refused(answer, 401, "key-not-valid")["detail"]
    assert client.get("/v1/fleet", headers=bearing(keys["read"])).status_code == 200


def test_keys_without_a_store_to_keep_them_are_refused(registry: Registry) -> None:
    with pytest.raises(ValueError, match="TRAMWRIGHT_STORE"):
        create_app(Settings(access="keys"), registry)


def test_a_service_that_asks_for_no_keys_lets_whoever_shows_one_in(client: TestClient[Any]) -> None:
    assert client.get("/v1/solvers", headers=bearing(STRANGE)).status_code == 200


@pytest.mark.parametrize(
    ("host", "status"),
    [
        *((one, 200) for one in ("localhost", "LocalHost:8017", "127.0.0.1:8017", "127.8.9.1", "[::1]:8017", "")),
        *((one, 403) for one in ("page.example", "page.example:8017", "10.1.2.3", "localhost.page.example", "[::2]")),
        *((one, 403) for one in ("127.0.0.1.page.example", "page.example@127.0.0.1x", "[", "0.0.0.0:8017")),
    ],
)
def test_a_service_for_this_host_alone_answers_no_request_for_another(
    host: str, status: int, registry: Registry, tmp_path: Path
) -> None:
    settings = Settings(store=str(tmp_path / "farm.db"), access="local", log_level="error")
    with TestClient(create_app(settings, registry), raise_server_exceptions=False) as client:
        asked = {"machine": machine()["machine"], **survey()}
        named = {"host": host}
        answers = [
            client.get("/v1/fleet", headers=named),
            client.get("/metrics", headers=named),
            client.post(CORRECTIONS, json=asked, headers=named),
            client.put(KESTREL, json=machine(), headers=named),
            client.post(f"{KESTREL}/surveys", json=survey(), headers=named),
        ]
        told = {status if answer.status_code == 201 else answer.status_code for answer in answers}
        assert told == {status}
        if status == 403:
            assert "--access" in refused(answers[0], 403, "other-host")["detail"]
        assert client.get("/health/ready", headers=named).status_code == 200  # holds nothing of the farm


def test_without_a_store_there_is_nothing_that_another_page_could_read(registry: Registry) -> None:
    with TestClient(create_app(Settings(access="local", log_level="error"), registry)) as client:
        asked = {"machine": machine()["machine"], **survey()}
        assert client.post(CORRECTIONS, json=asked, headers={"host": "page.example"}).status_code == 200
