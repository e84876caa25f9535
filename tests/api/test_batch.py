"""Many surveys in one exchange: order, problems in place, machines by name."""

from __future__ import annotations

import copy
from typing import Any

import msgspec
import pytest
from httpx import Response
from litestar.testing import TestClient

from batch_lines import answers, lines, requests
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry

BATCH = "/v1/corrections/batch"
NDJSON = {"Content-Type": "application/x-ndjson"}


def send(client: TestClient[Any], body: bytes, detail: str = "verdict", **headers: str) -> Response:
    answer: Response = client.post(BATCH, params={"detail": detail}, content=body, headers=NDJSON | headers)
    return answer


def told(client: TestClient[Any], entries: list[Any], detail: str = "verdict") -> tuple[list[Any], dict[str, Any]]:
    """Return the answer lines and the summary."""
    answer = send(client, lines(entries), detail)
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "application/x-ndjson"
    *found, last = answers(answer.content)
    assert list(last) == ["summary"]
    return found, last["summary"]


def test_answers_come_in_the_order_of_the_lines_with_their_id(client: TestClient[Any]) -> None:
    asked = [*requests(150), *requests(3, "twisted-frame"), *requests(150, seed=8)]
    asked = [one | {"id": f"n{number}"} for number, one in enumerate(asked)]
    found, summary = told(client, asked)
    assert [one["id"] for one in found] == [one["id"] for one in asked]
    assert [one["line"] for one in found] == list(range(1, len(asked) + 1))
    assert [one["machine"] for one in found] == [one["machine"]["id"] for one in asked]
    assert summary["lines"] == summary["answered"] == 303


@pytest.mark.parametrize("detail", ["verdict", "moves", "full"])
@pytest.mark.parametrize("name", ["tilted-bed", "bad-machine", "minimum-zone"])
def test_a_line_holds_the_very_bytes_of_the_answer_alone(client: TestClient[Any], name: str, detail: str) -> None:
    asked = requests(5, name)
    body = send(client, lines(asked), detail).content
    for number, (line, request) in enumerate(zip(body.splitlines(), asked, strict=False), 1):
        head = b'{"id":"survey-%d","line":%d,' % (number - 1, number)
        assert line.startswith(head)
        alone = client.post("/v1/corrections", json={key: request[key] for key in ("machine", "survey", "solve")})
        assert alone.status_code == 200
        if detail == "full":
            assert line.removeprefix(head) == alone.content.removeprefix(b"{")
        else:
            whole, less = alone.json(), msgspec.json.decode(line)
            del whole["predicted"]["stations"], less["id"], less["line"]
            assert less == {key: whole[key] for key in less}


def test_one_bad_line_of_each_kind_gets_a_problem_and_the_others_their_answers(client: TestClient[Any]) -> None:
    good = requests(9)
    few, unknown, text, off = copy.deepcopy(good[:4])
    few["survey"]["readings"] = few["survey"]["readings"][:2]
    unknown["solve"] = {"with": [{"solver": "magic"}]}
    text["survey"]["readings"][3]["value"] = "0.1"
    off["survey"]["readings"][2]["x"] = 9999.0
    bad: list[tuple[Any, int, str | None, str | None]] = [
        (few, 422, "survey-0", "/survey/readings"),
        (unknown, 422, "survey-1", "/solve/with/0/solver"),
        (text, 422, "survey-2", "/survey/readings/3/value"),
        (off, 422, "survey-3", "/survey/readings/2/x"),
        (good[4] | {"surplus": 1}, 422, "survey-4", "/surplus"),
        ({"id": "x", "machine": good[0]["machine"]}, 422, "x", "/survey"),
        (good[5] | {"machine": "nobody"}, 422, "survey-5", "/machine"),
        (good[6] | {"machine": 7}, 422, "survey-6", "/machine"),
        (good[6] | {"machine": good[6]["machine"] | {"units": "feet"}}, 422, "survey-6", "/machine/units"),
        (good[6] | {"id": 7}, 422, None, "/id"),
        (b"{", 400, None, None),
        (b"[]", 422, None, ""),
        (b"null", 422, None, ""),
        (b'{"id": "\xff\xfe"}', 400, None, None),
        (b"[" * 100_000, 422, None, ""),
        (b'{"id": "deep", "machine": ' + b"[" * 100_000, 422, None, "/machine"),
    ]
    asked = [entry for index, (line, *_) in enumerate(bad) for entry in (line, good[index % 9])]
    found, summary = told(client, asked)
    assert [one["line"] for one in found] == list(range(1, len(asked) + 1))
    for answered in found[1::2]:
        assert answered["verdict"]["as_found"] == "outside"
    for refused, (_, status, name, pointer) in zip(found[::2], bad, strict=True):
        assert refused["problem"]["status"] == status, refused
        assert refused["id"] == name
        assert [fault["pointer"] for fault in refused["problem"]["errors"]][:1] == (
            [] if pointer is None else [pointer]
        )
    assert (summary["answered"], summary["problems"]) == (len(bad), len(bad))


def test_a_machine_described_once_is_known_by_its_name(client: TestClient[Any]) -> None:
    first, *others = requests(400)
    other = requests(1, "twisted-frame")[0] | {"id": "other"}
    early = others[0] | {"machine": "kingfisher-02", "id": "early"}
    named = [one | {"machine": first["machine"]["id"]} for one in others]
    late = named[0] | {"machine": "kingfisher-02", "id": "late"}
    found, summary = told(client, [first, early, *named, other, late])
    assert found[1]["problem"]["errors"][0]["pointer"] == "/machine"
    assert "kingfisher-02" in found[1]["problem"]["detail"]
    plain, _ = told(client, [first, early, *others, other])
    assert found[:-1] == plain
    assert found[-1]["machine"] == "kingfisher-02"
    assert summary["problems"] == 1


def test_a_name_means_the_latest_machine_described_under_it(client: TestClient[Any]) -> None:
    first, *others = requests(3)
    machine = first["machine"]
    loose, wrong = machine | {"limit": {"total": 0.9}}, machine | {"units": "feet"}
    named = {**others[0], "machine": machine["id"]}
    found, _ = told(
        client, [first, named, {**others[1], "machine": loose}, named, {**others[1], "machine": wrong}, named]
    )
    assert [one["verdict"]["limit"] for one in found[:4]] == [0.1, 0.1, 0.9, 0.9]
    # what is wrong with the description is told wherever it is used
    assert [one["problem"]["errors"][0]["pointer"] for one in found[4:]] == ["/machine/units"] * 2


def test_the_summary_counts_verdicts_and_names_the_worst_machines(client: TestClient[Any]) -> None:
    asked = []
    for number, request in enumerate(requests(30)):
        limit = {"total": 5.0} if number % 3 == 0 else {"total": 0.4 - 0.01 * number}
        machine = request["machine"] | {"id": f"wren-{number % 15}", "limit": limit}
        asked.append(request | {"machine": machine})
    found, summary = told(client, [*asked, b"{"])
    good = [one for one in found if "verdict" in one]
    for when in ("as_found", "predicted"):
        counted = [one["verdict"][when] for one in good]
        assert summary[when] == {word: counted.count(word) for word in ("within", "outside", "undecided")}
    latest = {one["machine"]: one for one in good}  # none is dated, so the last in the stream
    ratio = {name: one["as_found"]["total"] / one["verdict"]["limit"] for name, one in latest.items()}
    ranked = sorted(ratio, key=lambda name: (-ratio[name], latest[name]["line"]))[:10]
    assert [one["machine"] for one in summary["worst"]] == ranked
    assert [one["line"] for one in summary["worst"]] == [latest[name]["line"] for name in ranked]
    assert [(one["line"], one["id"]) for one in summary["refused"]] == [(31, None)]
    assert summary["more_refused"] == 0


@pytest.mark.parametrize("body", [b"", b"\n", b"\n\r\n  \n"])
def test_nothing_sent_is_answered_by_the_summary_alone(client: TestClient[Any], body: bytes) -> None:
    (last,) = answers(send(client, body).content)
    assert last["summary"]["lines"] == 0


def test_blank_lines_are_counted_but_not_answered(client: TestClient[Any]) -> None:
    one, two = (msgspec.json.encode(request) for request in requests(2))
    # a mark at the beginning, ends of line of another system, and none at the end
    found = answers(send(client, b"\xef\xbb\xbf\n" + one + b"\r\n\r\n  \n" + two).content)
    assert [entry.get("line") for entry in found] == [2, 5, None]


def test_a_line_too_long_is_refused_and_the_next_is_answered(registry: Registry) -> None:
    one, two = requests(2)
    long = {**one, "padding": "x" * 3_000_000}
    with TestClient(create_app(Settings(log_level="error", max_body=100_000), registry)) as client:
        found, summary = told(client, [one, long, two])
    assert found[1] == {"id": None, "line": 2, "problem": found[1]["problem"]}
    assert found[1]["problem"]["status"] == 413
    assert "100000" in found[1]["problem"]["detail"]
    assert [entry["line"] for entry in found] == [1, 2, 3]
    assert summary["answered"] == 2


@pytest.mark.parametrize("sent_as", ["application/json", "text/plain", ""])
def test_another_content_type_is_refused(client: TestClient[Any], sent_as: str) -> None:
    answer = client.post(BATCH, content=lines(requests(1)), headers={"Content-Type": sent_as})
    assert answer.status_code == 415
    assert answer.headers["accept"] == "application/x-ndjson, application/octet-stream"
    assert answer.headers["content-type"] == "application/problem+json"


def test_an_unknown_detail_is_refused_and_those_known_are_named(client: TestClient[Any]) -> None:
    answer = send(client, b"", "everything")
    assert answer.status_code == 400
    assert all(word in answer.json()["detail"] for word in ("verdict", "moves", "full", "everything"))


def test_an_answer_that_is_not_accepted_is_refused(client: TestClient[Any]) -> None:
    assert send(client, b"", Accept="text/html").status_code == 406
    assert send(client, b"", Accept="text/html, */*;q=0.1").status_code == 200


def test_parameters_of_the_content_type_are_let_pass(client: TestClient[Any]) -> None:
    answer = client.post(BATCH, content=b"", headers={"Content-Type": "Application/X-NDJSON; charset=utf-8"})
    assert answer.status_code == 200
