"""The service around the corrections: problems, solvers, health, documentation, settings, log."""

from __future__ import annotations

import asyncio
import json
import re
import threading
import time
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service import settings
from tramwright_service.catalogue import guides
from tramwright_service.execution import microbatch
from tramwright_service.execution.threads import SolverThreads
from tramwright_service.http import docs, openapi
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings, from_environment
from tramwright_service.wire import problems
from tramwright_service.wire.problems import RequestError
from tramwright_solvers.correction import cost
from tramwright_solvers.correction.cost import Cost, Most
from tramwright_solvers.mechanisms.registry import Registry, Unusable
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.model.errors import Fault, Impossible, OutOfTime, PlugInFault, PlugInOutOfTime, Refused

CORRECTIONS = "/v1/corrections"
PROBLEM = "application/problem+json"


def test_the_shape_of_a_problem_is_fixed(client: TestClient[Any]) -> None:
    answer = client.post(
        CORRECTIONS,
        content=b'{"a/b": 1}',
        headers={"Content-Type": "application/json", "X-Request-ID": "of-the-client.7"},
    )
    said = "There is no member `a/b` here; known here: machine, survey, solve, done."
    assert (answer.status_code, answer.headers["content-type"]) == (422, PROBLEM)
    assert answer.json() == {
        "type": "/docs/problems#invalid",
        "title": "The request is wrong",
        "status": 422,
        "detail": f"3 things to change; the first: {said}",
        "errors": [
            {"pointer": "/a~1b", "detail": said},
            {"pointer": "/machine", "detail": "The member `machine` is missing here; add it."},
            {"pointer": "/survey", "detail": "The member `survey` is missing here; add it."},
        ],
        "request_id": "of-the-client.7",
    }


@pytest.mark.parametrize(
    ("error", "status", "slug", "retry"),
    [
        (Refused([Fault("/machine", "Say more.")]), 422, "invalid", None),
        (Impossible([Fault("/solve", "Relax it.")]), 422, "impossible", None),
        (PlugInFault("The plug-in `x` failed.", "x"), 502, "plug-in-fault", None),
        (PlugInOutOfTime("The plug-in `x` took long.", "x"), 504, "plug-in-out-of-time", None),
        (OutOfTime("Nothing found in 5 s."), 503, "out-of-time", "5"),
        (RequestError(problems.BUSY, "Full.", headers={"Retry-After": "1"}), 503, "busy", "1"),
        (ZeroDivisionError("secret of the inside"), 500, "internal", None),
    ],
)
def test_what_goes_wrong_inside_is_told_as_a_problem(
    client: TestClient[Any],
    payload: dict[str, Any],
    monkeypatch: pytest.MonkeyPatch,
    error: Exception,
    status: int,
    slug: str,
    retry: str | None,
) -> None:
    def fail(*_: Any) -> None:
        raise error

    monkeypatch.setattr(microbatch, "answer_many", fail)
    answer = client.post(CORRECTIONS, json=payload)
    assert (answer.status_code, answer.headers["content-type"]) == (status, PROBLEM)
    assert answer.json()["type"] == f"/docs/problems#{slug}"
    assert answer.headers.get("retry-after") == retry
    assert "secret" not in answer.text


def test_no_route_and_no_method(client: TestClient[Any]) -> None:
    missing, wrong = client.get("/v1/nothing"), client.get(CORRECTIONS)
    assert (missing.status_code, missing.headers["content-type"]) == (404, PROBLEM)
    assert (wrong.status_code, wrong.headers["content-type"]) == (405, PROBLEM)
    assert "POST" in wrong.headers["allow"]


def test_every_type_of_problem_is_described_where_it_points(client: TestClient[Any]) -> None:
    page = client.get("/docs/problems").text
    assert all(f'id="{kind.slug}"' in page for kind in problems.KINDS)
    declared = {value.slug for value in vars(problems).values() if isinstance(value, problems.Kind)}
    assert declared == {kind.slug for kind in problems.KINDS}


def test_long_solves_beyond_the_places_are_refused() -> None:
    async def crowd() -> list[Any]:
        workers, gate = SolverThreads(2), threading.Event()
        tasks = [asyncio.ensure_future(workers.run(lambda _: gate.wait(10))) for _ in range(2)]
        await asyncio.sleep(0)
        with pytest.raises(RequestError) as full:
            await workers.run(lambda _: gate.wait(10))
        assert full.value.headers == {"Retry-After": "1"}
        tasks[0].cancel()  # a client that leaves does not free the thread it took
        await asyncio.sleep(0)
        with pytest.raises(RequestError):
            await workers.run(lambda _: gate.wait(10))
        gate.set()
        done = await tasks[1]
        again = await workers.run(lambda _: "3")
        workers.close()
        return [done, again]

    assert asyncio.run(crowd()) == [True, "3"]


def test_long_solves_share_the_memory_there_is_and_one_that_fits_alone_is_let_in() -> None:
    async def crowd() -> str:
        workers, gate = SolverThreads(8, most=Most(10.0, 100.0)), threading.Event()
        first = asyncio.ensure_future(workers.run(lambda _: gate.wait(10), Cost(1.0, 60.0)))
        await asyncio.sleep(0)
        assert await workers.run(lambda _: "beside", Cost(1.0, 40.0)) == "beside"
        with pytest.raises(RequestError, match="memory"):
            await workers.run(lambda _: "", Cost(1.0, 41.0))
        gate.set()
        await first
        return await workers.run(lambda _: "alone", Cost(1.0, 100.0))

    assert asyncio.run(crowd()) == "alone"


def test_a_long_solve_is_told_that_its_client_has_gone_and_that_its_time_is_up() -> None:
    async def gone(workers: SolverThreads) -> bool:
        stopped = threading.Event()

        def task(within: Deadline) -> None:
            while not within.passed:
                time.sleep(0.001)
            stopped.set()

        async def leaves() -> Any:
            await asyncio.sleep(0.01)
            return {"type": "http.disconnect"}

        with pytest.raises(OutOfTime):
            await workers.run(task, receive=leaves)
        return await asyncio.to_thread(stopped.wait, 10)

    async def late(workers: SolverThreads) -> None:
        def task(within: Deadline) -> None:
            while True:
                within.check()

        with pytest.raises(OutOfTime):
            await workers.run(task)

    assert asyncio.run(gone(SolverThreads(1)))
    asyncio.run(late(SolverThreads(1, most=Most(0.01))))


def test_long_solves_answer_as_quick_ones_do(
    client: TestClient[Any], payload: dict[str, Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    inline = client.post(CORRECTIONS, json=payload)
    monkeypatch.setattr(cost, "QUICK", 0.0)
    assert client.post(CORRECTIONS, json=payload).content == inline.content


def test_solvers_are_listed_and_described(client: TestClient[Any], registry: Registry) -> None:
    listed = client.get("/v1/solvers").json()["solvers"]
    assert [entry["name"] for entry in listed] == list(registry.solvers)
    assert all(entry["usable"] and entry["origin"] == "built in" and entry["needs"] for entry in listed)
    detail = client.get("/v1/solvers/three-screw").json()
    definition = detail["options"]["$defs"]["ThreeScrew"]
    assert definition["additionalProperties"] is False
    assert set(definition["properties"]) == {"solver", "hold"}
    assert client.post(CORRECTIONS, json=detail["example"]).status_code == 200
    unknown = client.get("/v1/solvers/no-such")
    assert (unknown.status_code, unknown.headers["content-type"]) == (404, PROBLEM)
    assert "three-screw" in unknown.json()["detail"]


def test_a_plug_in_that_cannot_be_used_is_listed_with_the_reason(registry: Registry, payload: dict[str, Any]) -> None:
    broken = Unusable("hinged-bed", "invented-beds 2.0", "it failed to load: ImportError: no hinge")
    with TestClient(
        create_app(Settings(log_level="error"), msgspec.structs.replace(registry, unusable=(broken,)))
    ) as one:
        entry = one.get("/v1/solvers").json()["solvers"][-1]
        assert (entry["name"], entry["usable"], entry["reason"]) == (broken.name, False, broken.reason)
        assert one.get("/v1/solvers/hinged-bed").json()["reason"] == broken.reason
        payload["solve"]["with"] = [{"solver": "hinged-bed"}]
        assert "no hinge" in one.post(CORRECTIONS, json=payload).json()["detail"]


def test_health(client: TestClient[Any], registry: Registry, monkeypatch: pytest.MonkeyPatch) -> None:
    assert client.get("/health/live").json()["status"] == "live"
    assert client.get("/health/ready").json()["status"] == "ready"
    monkeypatch.setattr("tramwright_service.http.app.self_test", lambda *_: "The example cannot be solved.")
    with TestClient(create_app(Settings(log_level="error"), registry)) as sick:
        answer = sick.get("/health/ready")
        assert (answer.status_code, answer.headers["content-type"]) == (503, PROBLEM)
        assert "cannot be solved" in answer.json()["detail"]
        assert sick.get("/health/live").status_code == 200


def test_the_documentation_needs_nothing_from_outside(client: TestClient[Any]) -> None:
    for path in ("/docs", "/docs/problems", "/docs/guides/"):
        page = client.get(path)
        assert page.status_code == 200
        assert "://" not in page.text
        assert "default-src 'self'" in page.headers["content-security-policy"]
    wanted = re.findall(r'(?:src|href)="(/[^"]+)"', docs.DOCS)
    assert len(wanted) == 4
    for path in wanted:
        assert client.get(path).status_code == 200
    assert "://" not in (docs.STATIC / "docs.js").read_text()
    assert "Apache License" in (docs.STATIC / "swagger-ui.LICENSE.txt").read_text()


@pytest.mark.parametrize("name", sorted(guides.titles()))
def test_a_guide_is_markdown_or_a_page_that_needs_nothing_from_outside(client: TestClient[Any], name: str) -> None:
    plain = client.get(f"/docs/guides/{name}")
    assert (plain.status_code, plain.headers["content-type"]) == (200, "text/markdown; charset=utf-8")
    assert plain.text == guides.read(name)
    page = client.get(f"/docs/guides/{name}", headers={"Accept": "text/html,application/xml;q=0.9,*/*;q=0.8"})
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "default-src 'self'" in page.headers["content-security-policy"]
    assert (plain.headers["vary"], page.headers["vary"]) == ("accept, accept-encoding", "accept, accept-encoding")
    assert "<script" not in page.text
    assert f"<h1>{guides.titles()[name]}</h1>" in page.text
    for target in re.findall(r'(?:src|href)="(?!data:)([^"]+)"', page.text):
        assert client.get(target if target.startswith("/") else f"/docs/guides/{target}").status_code == 200, target


def test_guides_are_listed_and_an_unknown_one_is_a_clear_problem(client: TestClient[Any]) -> None:
    for path in ("/docs/guides", "/docs/guides/"):
        listed = client.get(path).text
        assert re.findall(r'href="/docs/guides/([^"]+)"', listed) == list(guides.titles())
    for name in ("no-such", "no-such.md", "..%2Fexamples%2Ftilted-bed.json"):
        missing = client.get(f"/docs/guides/{name}")
        assert (missing.status_code, missing.headers["content-type"]) == (404, PROBLEM)
    assert "`survey-plans`" in client.get("/docs/guides/no-such").json()["detail"]
    assert client.get("/docs/guides/batch", headers={"Accept": "image/png"}).status_code == 406


def test_html_in_a_guide_is_shown_as_text(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(guides, "read", lambda _: "# A <script>\n\n<b onclick='x'>bold</b>\n")
    assert guides.as_html("invented") == ("<h1>A &lt;script&gt;</h1>\n<p>&lt;b onclick='x'&gt;bold&lt;/b&gt;</p>\n")


def test_openapi_says_what_the_service_does(client: TestClient[Any]) -> None:
    from openapi_spec_validator import validate

    document = client.get("/openapi.json").json()
    validate(document)
    schemas = document["components"]["schemas"]
    assert set(re.findall(r'"#/components/schemas/([^"]+)"', json.dumps(document))) <= set(schemas)
    for name in ("CorrectionRequest", "Machine", "Survey", "Solve", "ThreeScrew"):
        assert schemas[name]["additionalProperties"] is False
        assert schemas[name]["description"]
    assert schemas["Solve"]["properties"]["with"]["items"]["discriminator"] == {"propertyName": "solver"}
    operations = [operation for path in document["paths"].values() for operation in path.values()]
    assert {operation["operationId"] for operation in operations} == set(openapi.ERRORS)
    for operation in operations:
        for status, answer in operation["responses"].items():
            assert (PROBLEM in answer.get("content", {})) is (int(status) >= 400)
    shown = document["paths"][CORRECTIONS]["post"]["requestBody"]["content"]["application/json"]["examples"]
    for example in shown.values():
        assert client.post(CORRECTIONS, json=example["value"]).status_code == 200


def test_the_committed_openapi_document_is_current(registry: Registry) -> None:
    committed = Path(__file__).parents[2] / "openapi" / "openapi.json"
    assert openapi.differences(registry, Settings(), committed) == []


def test_every_setting_is_documented() -> None:
    written = re.findall(r"^\| `(TRAMWRIGHT_\w+)` \| (\w+) \|", settings.__doc__ or "", re.MULTILINE)
    default = msgspec.structs.asdict(Settings())
    assert written == [(f"TRAMWRIGHT_{name.upper()}", str(value)) for name, value in default.items()]
    for field in msgspec.json.schema(Settings)["$defs"]["Settings"]["properties"].values():
        assert field["description"]


def test_settings_come_from_the_environment() -> None:
    assert from_environment({"TRAMWRIGHT_MAX_BODY": "4096", "PATH": "/bin"}) == Settings(max_body=4096)
    for name, value in [("MAX_BODY", "many"), ("CONCURRENCY", "0"), ("LOG_LEVEL", "loud"), ("MAXBODY", "4096")]:
        with pytest.raises(ValueError, match=f"TRAMWRIGHT_{name}"):
            from_environment({f"TRAMWRIGHT_{name}": value})


def test_the_limit_of_the_body_is_the_one_set(registry: Registry, payload: dict[str, Any]) -> None:
    with TestClient(create_app(Settings(max_body=1024, log_level="error"), registry)) as small:
        answer = small.post(CORRECTIONS, json=payload)
        assert (answer.status_code, answer.headers["content-type"]) == (413, PROBLEM)
        assert "1024 bytes" in answer.json()["detail"]


def test_the_log_has_a_line_for_each_request_and_nothing_of_its_body(
    registry: Registry, payload: dict[str, Any], capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    payload["machine"]["id"] = "only-in-the-body"
    with TestClient(create_app(Settings(), registry)) as logged:
        logged.post(f"{CORRECTIONS}?secret=1", json=payload)
        logged.get("/v1/nothing")
    written = capfdbinary.readouterr().err
    lines = [json.loads(line) for line in written.splitlines() if b'"request"' in line]
    assert [(line["method"], line["path"], line["status"]) for line in lines] == [
        ("POST", CORRECTIONS, 200),
        ("GET", "/v1/nothing", 404),
    ]
    assert all(
        set(line) == {"event", "level", "method", "path", "status", "ms", "request_id", "timestamp"} for line in lines
    )
    assert b"only-in-the-body" not in written


def test_a_higher_level_silences_the_request_log(
    registry: Registry, payload: dict[str, Any], capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    with TestClient(create_app(Settings(log_level="warning"), registry)) as quiet:
        assert quiet.post(CORRECTIONS, json=payload).status_code == 200
    assert b'"event":"request"' not in capfdbinary.readouterr().err
