"""What every exchange has, whatever the route: an id, HEAD, tags and 304, compression, origins, metrics."""

from __future__ import annotations

import gzip
import json
import re
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from litestar.testing import TestClient

from batch_lines import lines, requests
from tramwright_service.batch.tables import harmless
from tramwright_service.cli.main import main
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings, from_environment
from tramwright_service.wire.plain import plain, plain_lines
from tramwright_solvers.mechanisms.registry import Registry

CORRECTIONS = "/v1/corrections"
PROBLEM = "application/problem+json"
DASHBOARD = "https://dashboard.example"
GETS = ("/openapi.json", "/docs", "/docs/problems", "/docs/assets/docs.js", "/v1/solvers", "/v1/solvers/three-screw")
HOSTILE = ("\x1b[2J", "\x9b2J", "\u202e", "\u2066", "\x7f", "\r", "\u2028")
"""Clear the screen, twice; turn the direction of writing, twice; delete; return to the beginning; break the line."""


@pytest.mark.parametrize(
    "path", ["/docs/assets/%00", f"/docs/assets/{'a' * 300}", "/docs/assets/docs.js/x", "/docs/%00"]
)
def test_what_no_file_is_called_is_not_found(client: TestClient[Any], path: str) -> None:
    answer = client.get(path)
    assert (answer.status_code, answer.headers["content-type"]) == (404, PROBLEM)


def test_no_file_beside_the_assets_is_served(client: TestClient[Any]) -> None:
    assert client.get("/docs/assets/..%2f__init__.py").status_code == 404
    assert client.get("/docs/assets/swagger-ui.css").headers["content-type"].startswith("text/css")


@pytest.mark.parametrize("path", [*GETS, "/health/live", "/health/ready", "/metrics"])
def test_head_tells_what_get_would_send_and_sends_nothing(client: TestClient[Any], path: str) -> None:
    got, head = client.get(path), client.head(path)
    assert (head.status_code, head.content) == (got.status_code, b"")
    skipped = {"x-request-id", *(["content-length"] if path == "/metrics" else [])}
    assert {k: v for k, v in head.headers.items() if k not in skipped} == {
        k: v for k, v in got.headers.items() if k not in skipped
    }


def test_head_where_only_post_applies_is_refused(client: TestClient[Any]) -> None:
    answer = client.head(CORRECTIONS)
    assert (answer.status_code, answer.content) == (405, b"")
    assert "HEAD" in client.post("/v1/solvers").headers["allow"]


@pytest.mark.parametrize("path", GETS)
def test_what_a_client_has_is_not_sent_again(client: TestClient[Any], path: str) -> None:
    plainly = {"Accept-Encoding": "identity"}
    first = client.get(path, headers=plainly)
    tag = first.headers["etag"]
    assert first.headers["cache-control"] == "no-cache"
    for known in (tag, f"W/{tag}", f'"other", {tag}', "*"):
        again = client.get(path, headers={**plainly, "If-None-Match": known})
        assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", tag)
    assert client.get(path, headers={**plainly, "If-None-Match": '"other"'}).content == first.content


def test_what_is_measured_is_never_kept(client: TestClient[Any]) -> None:
    for path in ("/metrics", "/v1/nothing"):
        answer = client.get(path, headers={"If-None-Match": "*"})
        assert answer.status_code != 304
        assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", ["/openapi.json", "/docs/problems", "/docs/assets/swagger-ui-bundle.js"])
def test_documents_are_compressed_for_who_takes_it(client: TestClient[Any], path: str) -> None:
    whole = client.get(path, headers={"Accept-Encoding": "identity"})
    assert "content-encoding" not in whole.headers
    with client.stream("GET", path, headers={"Accept-Encoding": "gzip;q=0.5, br"}) as answer:
        raw = b"".join(answer.iter_raw())
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) == len(raw) < len(whole.content) / 2
    assert gzip.decompress(raw) == whole.content
    assert "accept-encoding" in answer.headers["vary"]
    assert answer.headers["etag"] != whole.headers["etag"]
    held = {"Accept-Encoding": "gzip", "If-None-Match": answer.headers["etag"]}
    assert client.get(path, headers=held).status_code == 304
    for refused in ("gzip;q=0", "*;q=0", "br"):
        assert "content-encoding" not in client.get(path, headers={"Accept-Encoding": refused}).headers


@pytest.mark.parametrize("path", [CORRECTIONS, "/v1/survey-plans", f"{CORRECTIONS}/batch"])
def test_a_compressed_body_is_refused_and_not_taken_for_json(
    client: TestClient[Any], payload: dict[str, Any], path: str
) -> None:
    kind = "application/x-ndjson" if path.endswith("batch") else "application/json"
    body = gzip.compress(json.dumps(payload).encode())
    answer = client.post(path, content=body, headers={"Content-Type": kind, "Content-Encoding": "gzip"})
    assert (answer.status_code, answer.headers["content-type"]) == (415, PROBLEM)
    assert answer.headers["accept-encoding"] == "identity"
    assert "compressed" in answer.json()["detail"]


def test_past_the_router_or_through_it_the_answer_is_the_same(client: TestClient[Any], payload: dict[str, Any]) -> None:
    """A request with an Origin goes through the router of the framework, one without past it."""
    right, text, own = json.dumps(payload).encode(), {"Accept": "text/plain"}, {"X-Request-ID": "same"}
    sent: list[tuple[bytes | Iterator[bytes], dict[str, str]]] = [
        (right, {}),
        (right, text),
        (right, {"Accept": "image/png"}),
        (right, {"Content-Type": "text/csv"}),
        (right, {"Content-Encoding": "gzip"}),
        (b"", {}),
        (b"{", {}),
        (b"{}", text),
        (b" " * 3_000_000, {}),
    ]
    for body, headers in sent:
        given = {"Content-Type": "application/json", **own, **headers}
        for path in (CORRECTIONS, "/v1/survey-plans"):
            past = client.post(path, content=body, headers=given)
            through = client.post(path, content=body, headers={**given, "Origin": DASHBOARD})
            assert (past.status_code, past.headers, past.content) == (
                through.status_code,
                through.headers,
                through.content,
            )


def test_a_host_that_is_none_is_refused(client: TestClient[Any], payload: dict[str, Any]) -> None:
    for host, status in (("bench-1.example:8080", 200), ("[::1]:80", 200), ("a b", 400), ("<script>", 400)):
        assert client.post(CORRECTIONS, json=payload, headers={"Host": host}).status_code == status


def test_a_body_encoded_as_nothing_is_read(client: TestClient[Any], payload: dict[str, Any]) -> None:
    assert client.post(CORRECTIONS, json=payload, headers={"Content-Encoding": "identity"}).status_code == 200


def test_a_request_keeps_the_id_that_it_brings(client: TestClient[Any], payload: dict[str, Any]) -> None:
    own = {"X-Request-ID": "shop-7:2026/05.a_b=@+"}
    right = client.post(CORRECTIONS, json=payload, headers=own)
    wrong = client.post(CORRECTIONS, json={}, headers=own)
    assert right.headers["x-request-id"] == wrong.headers["x-request-id"] == own["X-Request-ID"]
    assert wrong.json()["request_id"] == own["X-Request-ID"]


@pytest.mark.parametrize(
    "given", [None, "", "two words", "a" * 129, "<script>", "-begins", "gr\xfcn".encode("latin-1")]
)
def test_a_request_without_a_sound_id_is_given_one(client: TestClient[Any], given: str | bytes | None) -> None:
    headers = {} if given is None else {"X-Request-ID": given}
    answers = [client.get("/v1/nothing", headers=headers) for _ in range(2)]
    ids = {answer.headers["x-request-id"] for answer in answers}
    assert len(ids) == 2
    assert all(re.fullmatch(r"[0-9a-f]{12}-\d+", one) for one in ids)
    assert {answer.json()["request_id"] for answer in answers} == ids


def test_the_id_is_in_the_log(registry: Registry, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    with TestClient(create_app(Settings(), registry)) as logged:
        given = logged.get("/health/live").headers["x-request-id"]
        logged.get("/v1/%C2%9B2J%E2%80%AE")
    written = capfdbinary.readouterr().err
    entries = [json.loads(line) for line in written.splitlines() if b'"request"' in line]
    assert [entry["request_id"] == given for entry in entries] == [True, False]
    assert b"\xc2\x9b" not in written
    assert b"\xe2\x80\xae" not in written


@pytest.mark.parametrize("path", [*GETS, "/health/live", "/v1/nothing"])
def test_no_browser_guesses_types(client: TestClient[Any], path: str) -> None:
    assert client.get(path).headers["x-content-type-options"] == "nosniff"


@pytest.fixture(scope="module")
def open_to_one(registry: Registry) -> Iterator[TestClient[Any]]:
    settings = from_environment({"TRAMWRIGHT_CORS_ORIGINS": f"http://one.example:8080,{DASHBOARD}"})
    with TestClient(create_app(msgspec.structs.replace(settings, log_level="error"), registry)) as client:
        yield client


def asks(origin: str) -> dict[str, str]:
    """The headers with which a browser asks whether a page may send a survey."""
    return {
        "Origin": origin,
        "Access-Control-Request-Method": "POST",
        "Access-Control-Request-Headers": "content-type,x-request-id",
    }


def test_a_page_of_an_origin_that_is_set_may_ask(open_to_one: TestClient[Any], payload: dict[str, Any]) -> None:
    asked = open_to_one.options(CORRECTIONS, headers=asks(DASHBOARD))
    assert asked.status_code == 204
    assert asked.headers["access-control-allow-origin"] == DASHBOARD
    assert "POST" in asked.headers["access-control-allow-methods"]
    assert {"content-type", "x-request-id"} <= set(asked.headers["access-control-allow-headers"].lower().split(", "))
    for answer in (
        open_to_one.post(CORRECTIONS, json=payload, headers={"Origin": DASHBOARD}),
        open_to_one.post(CORRECTIONS, json={}, headers={"Origin": DASHBOARD}),
        open_to_one.get("/v1/solvers", headers={"Origin": DASHBOARD}),
    ):
        assert answer.headers["access-control-allow-origin"] == DASHBOARD
        assert "access-control-allow-credentials" not in answer.headers
        assert "origin" in answer.headers["vary"].lower()
        assert {"ETag", "Retry-After", "X-Request-ID"} <= set(
            answer.headers["access-control-expose-headers"].split(", ")
        )
    assert "origin" in open_to_one.get("/v1/solvers").headers["vary"]


@pytest.mark.parametrize("origin", ["https://other.example", "https://dashboardXexample", f"{DASHBOARD}.other.example"])
def test_a_page_of_another_origin_may_not(open_to_one: TestClient[Any], origin: str) -> None:
    assert "access-control-allow-origin" not in open_to_one.options(CORRECTIONS, headers=asks(origin)).headers
    assert "access-control-allow-origin" not in open_to_one.get("/v1/solvers", headers={"Origin": origin}).headers


def test_no_page_may_ask_unless_it_is_set(client: TestClient[Any]) -> None:
    assert "access-control-allow-origin" not in client.options(CORRECTIONS, headers=asks(DASHBOARD)).headers
    assert "access-control-allow-origin" not in client.get("/v1/solvers", headers={"Origin": DASHBOARD}).headers


@pytest.mark.parametrize(
    "given", ["*", "dashboard.example", "https://a.example/", "https://a.example, https://b.example"]
)
def test_what_is_no_list_of_origins_is_refused(given: str) -> None:
    with pytest.raises(ValueError, match="TRAMWRIGHT_CORS_ORIGINS"):
        from_environment({"TRAMWRIGHT_CORS_ORIGINS": given})


@pytest.mark.parametrize("hostile", HOSTILE)
def test_what_a_terminal_would_obey_is_written_out(hostile: str) -> None:
    shown = plain(f"a{hostile}b\n")
    assert shown.isprintable()
    assert json.loads(f'"{shown}"') == f"a{hostile}b\n"
    assert plain_lines(f"a{hostile}\nb").split("\n")[1] == "b"
    assert harmless(f"a{hostile}b") == shown.removesuffix("\\u000a")
    for harmless_text in ("größe ± 0,1\u00a0mm · 左", "\u200d"):
        assert plain_lines(harmless_text) == harmless_text


@pytest.mark.parametrize("hostile", [*HOSTILE, "\n"])
@pytest.mark.parametrize("place", ["machine", "support", "setup"])
def test_names_hold_nothing_that_a_terminal_would_obey(
    client: TestClient[Any], payload: dict[str, Any], place: str, hostile: str
) -> None:
    def name(value: str) -> Any:
        if place == "machine":
            payload["machine"]["id"] = value
        elif place == "support":
            payload["machine"]["supports"][0]["id"] = value
        else:
            for reading in payload["survey"]["readings"]:
                reading["setup"] = value
        return client.post(CORRECTIONS, json=payload)

    assert name("größe 左 1").status_code == 200
    for value in (f"a{hostile}b", f"a{hostile}"):
        assert name(value).status_code == 422


def test_an_unknown_member_reaches_no_terminal_raw(client: TestClient[Any]) -> None:
    body = json.dumps({"a\x1b[2J\x9b\u202e\nb": 1}).encode()
    told = CliRunner().invoke(main, ["correct", "-"], input=body).output
    assert all(line.isprintable() for line in told.splitlines())
    assert [line.partition(":")[0] for line in told.splitlines()[1:]] == ["/machine", "/survey"]
    answer = client.post(CORRECTIONS, content=body, headers={"Content-Type": "application/json"})
    assert answer.text.isprintable()
    assert answer.json()["errors"][0]["pointer"] == "/a\x1b[2J\x9b\u202e\nb"


def test_the_id_of_a_line_reaches_no_terminal_and_no_table_raw(tmp_path: Any) -> None:
    asked = requests(1)[0] | {"id": "a\x1b[2J\x9b\u202e\nb"}
    (tmp_path / "in.ndjson").write_bytes(lines([asked]))
    command = ["batch", str(tmp_path / "in.ndjson"), "--out", str(tmp_path / "out"), "--to", "csv", "--workers", "1"]
    told = CliRunner().invoke(main, command)
    assert told.exit_code == 0, told.output
    (table,) = (tmp_path / "out").glob("*.csv")
    for text in (told.stdout, table.read_text().replace("\r\n", "\n")):
        assert all(line.isprintable() for line in text.split("\n"))
        assert "a\\u001b[2J\\u009b\\u202e\\u000ab" in text
