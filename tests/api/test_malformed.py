"""Whatever is sent, the answer is a 4xx problem that says where and what to change, and the next request works.

All data invented.
"""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

CORRECTIONS = "/v1/corrections"
JSON = "application/json"
MSGPACK = "application/msgpack"


def at(document: Any, path: str) -> tuple[Any, Any]:
    """The container and the key that a pointer names."""
    *way, last = [int(token) if token.isdigit() else token for token in path.split("/")[1:]]
    for token in way:
        document = document[token]
    return document, last


def post(client: TestClient[Any], body: bytes, content_type: str = JSON) -> Any:
    return client.post(CORRECTIONS, content=body, headers={"Content-Type": content_type})


def refused(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    problem: dict[str, Any] = answer.json()
    assert set(problem) == {"type", "title", "status", "detail", "errors", "request_id"}
    assert problem["status"] == status
    assert "Traceback" not in answer.text
    return problem


@pytest.fixture(autouse=True)
def _next_good_request_works(client: TestClient[Any], payload: dict[str, Any]) -> Any:
    good = json.dumps(payload).encode()
    yield
    assert post(client, good).status_code == 200


# Where a value is put (or, for REMOVE, taken out), what is put there, where the error points, a word of the remedy.
REMOVE = object()
ODD_BED = {"x": [0, 1], "y": [0, 1], "a/b~c": 1}
TEXT_OFFSET = {"along": "y", "seats": [], "tool_offset": "-35"}
CROWD = [{"id": str(i), "x": i, "y": i} for i in range(17)]
ONE_STATION = [{"x": 20, "y": 20, "value": value / 10} for value in range(9)]
SPOILT: list[tuple[str, str, Any, str, str]] = [
    ("machine missing", "/machine", REMOVE, "/machine", "missing"),
    ("survey missing", "/survey", REMOVE, "/survey", "missing"),
    ("null machine", "/machine", None, "/machine", "object"),
    ("null solve", "/solve", None, "/solve", "object"),
    ("survey an array", "/survey", [], "/survey", "array"),
    ("unknown field at the top", "/machines", {}, "/machines", "did you mean `machine`"),
    ("unknown field within", "/machine/suports", [], "/machine/suports", "did you mean `supports`"),
    ("unknown field with a slash", "/machine/bed", ODD_BED, "/machine/bed/a~1b~0c", "known"),
    ("bed without y", "/machine/bed", {"x": [0, 500]}, "/machine/bed/y", "missing"),
    ("unknown unit", "/machine/units", "cm", "/machine/units", "`inch`, `mm`"),
    ("bad enum", "/solve/criterion", "best", "/solve/criterion", "`minimum-zone`"),
    ("bad hand", "/machine/supports/0/screw/hand", "both", "/machine/supports/0/screw/hand", "`left`"),
    ("unknown solver", "/solve/with/0/solver", "no-such", "/solve/with/0/solver", "three-screw"),
    ("solver not named", "/solve/with/0", {}, "/solve/with/0/solver", "missing"),
    ("solver a number", "/solve/with/0/solver", 3, "/solve/with/0/solver", "str"),
    ("unknown option of a solver", "/solve/with/0/holds", [], "/solve/with/0/holds", "did you mean `hold`"),
    ("option of another solver", "/solve/with/0/plate", "rigid", "/solve/with/0/plate", "known here: solver, hold"),
    ("zero lead", "/machine/supports/1/screw/lead", 0, "/machine/supports/1/screw/lead", ">= 1e-06"),
    ("negative lead", "/machine/supports/1/screw/lead", -4, "/machine/supports/1/screw/lead", ">= 1e-06"),
    ("negative limit", "/machine/limit/total", -0.1, "/machine/limit/total", ">= 1e-06"),
    ("negative aim", "/solve/aim_for", -1, "/solve/aim_for", ">= 0"),
    ("no moves allowed", "/solve/most_moves", 0, "/solve/most_moves", ">= 1"),
    ("half a move", "/solve/most_moves", 1.5, "/solve/most_moves", "int"),
    ("endless time limit", "/solve/time_limit", 1e9, "/solve/time_limit", "<= 60"),
    ("string for a number", "/survey/readings/3/value", "0.5", "/survey/readings/3/value", "str"),
    ("NaN as a string", "/survey/readings/3/value", "NaN", "/survey/readings/3/value", "str"),
    ("string among repeats", "/survey/readings/3/value", [0.1, "0.2"], "/survey/readings/3/value/1", "str"),
    ("no repeats", "/survey/readings/3/value", [], "/survey/readings/3/value", "length >= 1"),
    ("bool for a number", "/survey/readings/0/x", True, "/survey/readings/0/x", "bool"),
    ("number for a bed", "/machine/bed", 500, "/machine/bed", "object"),
    ("tool_offset a string", "/machine/rails", TEXT_OFFSET, "/machine/rails/tool_offset", "str"),
    ("bounds reversed", "/machine/supports/0/travel", [1, -1], "/machine/supports/0/travel/0", "<= 0"),
    ("three bounds", "/machine/supports/0/travel", [-1, 0, 1], "/machine/supports/0/travel", "length 2"),
    ("reading of 1e300", "/survey/readings/0/value", 1e300, "/survey/readings/0/value", "<= 1000"),
    ("place of 1e300", "/survey/readings/0/x", 1e300, "/survey/readings/0/x", "<= 100000"),
    ("control character in a name", "/machine/supports/0/id", "a\x00b", "/machine/supports/0/id", "pattern"),
    ("empty name", "/machine/supports/0/id", "", "/machine/supports/0/id", "length"),
    ("seventeen supports", "/machine/supports", CROWD, "/machine/supports", "16"),
    # From here on the document has the right shape and the solvers refuse what it says.
    ("hold of an unknown adjuster", "/solve/with/0/hold", ["middle"], "/solve/with/0/hold/0", "front-left"),
    ("duplicate ids", "/machine/supports/1/id", "front-left", "/machine/supports/1/id", "front-left"),
    ("no readings", "/survey/readings", [], "/survey/readings", "three stations"),
    ("one reading", "/survey/readings", [{"x": 20, "y": 20, "value": 0.1}], "/survey/readings", "station"),
    ("all at one station", "/survey/readings", ONE_STATION, "/survey/readings", "station"),
    ("reading off the bed", "/survey/readings/4/x", 900, "/survey/readings/4", "bed"),
    ("supports on one line", "/machine/supports/2", {"id": "rear", "x": 250, "y": 40}, "/machine/supports", "line"),
    ("bed reversed", "/machine/bed/x", [500, 0], "", "bed"),
    ("three supports for four screws", "/solve/with/0", {"solver": "four-screw"}, "/machine/supports", "four"),
    ("no supports, no rails", "/machine/supports", [], "/machine", "three"),
    ("solver named twice", "/solve/with", [{"solver": "three-screw"}, {"solver": "three-screw"}], "/solve/with/1", ""),
    ("date that is none", "/survey/taken_at", "yesterday", "/survey/taken_at", "RFC 3339"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "value", "pointer", "word"), [row[1:] for row in SPOILT], ids=[row[0] for row in SPOILT]
)
@pytest.mark.parametrize("form", [JSON, MSGPACK])
def test_parsed_but_wrong(
    client: TestClient[Any], payload: dict[str, Any], path: str, value: Any, pointer: str, word: str, form: str
) -> None:
    container, key = at(payload, path)
    if value is REMOVE:
        del container[key]
    else:
        container[key] = value
    body = json.dumps(payload).encode() if form == JSON else msgspec.msgpack.encode(payload)
    errors = refused(post(client, body, form), 422)["errors"]
    assert any(error["pointer"].startswith(pointer) for error in errors), errors
    assert any(word in error["detail"] for error in errors), errors


NUMBERS = ["1e400", "-1e400", "9" * 400, "123456789012345678901234567890"]


@pytest.mark.parametrize("number", NUMBERS, ids=["1e400", "-1e400", "400 digits", "30 digits"])
def test_numbers_that_no_machine_has(client: TestClient[Any], payload: dict[str, Any], number: str) -> None:
    payload["survey"]["readings"][0]["value"] = "HERE"
    body = json.dumps(payload).replace('"HERE"', number).encode()
    problem = refused(post(client, body), 422)
    assert problem["errors"][0]["pointer"] == "/survey/readings/0/value"


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf"), 2**63, -(2**63)])
def test_numbers_that_only_messagepack_can_carry(
    client: TestClient[Any], payload: dict[str, Any], number: float
) -> None:
    payload["survey"]["readings"][0]["value"] = number
    problem = refused(post(client, msgspec.msgpack.encode(payload), MSGPACK), 422)
    assert problem["errors"][0]["pointer"] == "/survey/readings/0/value"


GOOD = b'{"machine":{"bed":{"x":[0,1],"y":[0,1]}},"survey":{"readings":[]}}'
UNREADABLE: list[tuple[str, bytes, str]] = [
    ("empty body", b"", JSON),
    ("empty MessagePack", b"", MSGPACK),
    ("white space", b" \n", JSON),
    ("truncated JSON", GOOD[:-3], JSON),
    ("something after the end", GOOD + b"x", JSON),
    ("NaN literal", GOOD.replace(b"[0,1]", b"[0,NaN]"), JSON),
    ("Infinity literal", GOOD.replace(b"[0,1]", b"[0,-Infinity]"), JSON),
    ("trailing comma", GOOD.replace(b"[0,1]", b"[0,1,]"), JSON),
    ("single quotes", GOOD.replace(b'"', b"'"), JSON),
    ("invalid UTF-8", GOOD.replace(b'"bed"', b'"id":"\xff\xfe","bed"'), JSON),
    ("UTF-16", GOOD.decode().encode("utf-16"), JSON),
    ("no JSON at all", b"front-left 0.12", JSON),
    ("truncated MessagePack", msgspec.msgpack.encode(json.loads(GOOD))[:-4], MSGPACK),
    ("a byte MessagePack never uses", b"\xc1", MSGPACK),
    ("invalid UTF-8 in MessagePack", b"\x81\xa1\xff\x01", MSGPACK),
]


@pytest.mark.parametrize(("body", "form"), [row[1:] for row in UNREADABLE], ids=[row[0] for row in UNREADABLE])
def test_unreadable(client: TestClient[Any], body: bytes, form: str) -> None:
    assert len(refused(post(client, body, form), 400)["detail"]) > 20


@pytest.mark.parametrize("form", ["utf-16", "utf-16-be"])
def test_a_text_in_another_encoding_is_told_from_other_faults(client: TestClient[Any], form: str) -> None:
    mark = b"\xfe\xff" if form == "utf-16-be" else b""  # the other encoding writes one of its own
    assert "save it as UTF-8" in refused(post(client, mark + GOOD.decode().encode(form)), 400)["detail"]


def test_a_byte_order_mark_is_passed_over_once(client: TestClient[Any], payload: dict[str, Any]) -> None:
    good, mark = json.dumps(payload).encode(), b"\xef\xbb\xbf"
    assert post(client, mark + good).content == post(client, good).content
    refused(post(client, mark + mark + good), 400)
    refused(post(client, mark), 400)
    spoilt = mark + json.dumps({**payload, "survey": []}).encode()
    assert refused(post(client, spoilt), 422)["errors"][0]["pointer"] == "/survey"


@pytest.mark.parametrize("body", [b"[]", b"3", b'"machine"', b"true", b"null"])
def test_top_level_is_no_object(client: TestClient[Any], body: bytes) -> None:
    assert refused(post(client, body), 422)["errors"][0]["pointer"] == ""


def test_empty_object_names_what_is_missing(client: TestClient[Any]) -> None:
    assert refused(post(client, b"{}"), 422)["errors"][0]["pointer"] == "/machine"


@pytest.mark.parametrize(
    "opening", [b"[", b'{"machine":', b'{"machine":{"bed":{"x":['], ids=["arrays", "objects", "both"]
)
def test_nesting_without_end(client: TestClient[Any], opening: bytes) -> None:
    answer = post(client, opening * 100_000)
    assert answer.status_code in {400, 413, 422}
    refused(answer, answer.status_code)


def test_nesting_without_end_in_messagepack(client: TestClient[Any]) -> None:
    answer = post(client, b"\x91" * 100_000, MSGPACK)
    refused(answer, answer.status_code)
    assert answer.status_code in {400, 422}


@pytest.mark.parametrize("announced", [True, False], ids=["announced", "streamed"])
def test_thirty_megabytes(client: TestClient[Any], announced: bool) -> None:
    piece = b" " * 1_000_000
    headers = {"Content-Type": JSON}
    content: Any = piece * 30 if announced else (piece for _ in range(30))
    answer = client.post(CORRECTIONS, content=content, headers=headers)
    assert "2097152 bytes" in refused(answer, 413)["detail"]


@pytest.mark.parametrize(
    "content_type",
    [
        "text/plain",
        "application/x-www-form-urlencoded",
        "multipart/form-data; boundary=x",
        "application/xml",
        "nonsense",
        "",
    ],
)
def test_other_types_are_not_read(client: TestClient[Any], payload: dict[str, Any], content_type: str) -> None:
    problem = refused(post(client, json.dumps(payload).encode(), content_type), 415)
    assert JSON in problem["detail"]
    assert MSGPACK in problem["detail"]


def test_every_fault_of_meaning_is_listed(client: TestClient[Any], payload: dict[str, Any]) -> None:
    payload["survey"]["readings"][0]["x"] = 900
    payload["survey"]["readings"][7]["y"] = -900
    pointers = [error["pointer"] for error in refused(post(client, json.dumps(payload).encode()), 422)["errors"]]
    assert any(pointer.startswith("/survey/readings/0") for pointer in pointers)
    assert any(pointer.startswith("/survey/readings/7") for pointer in pointers)


@pytest.mark.parametrize("text", ["m'm", "m`m", "`", "'", "\"'`", "m\\m", "x" * 5000])
def test_any_text_for_one_of_a_few_words_is_refused_where_it_stands(client: TestClient[Any], text: str) -> None:
    body = {"machine": {"bed": {"x": [0, 1], "y": [0, 1]}, "units": text}, "survey": {"readings": []}}
    answer = client.post("/v1/corrections", json=body)
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/machine/units"
    assert len(answer.json()["detail"]) < 300


def test_a_member_given_twice_is_refused(client: TestClient[Any]) -> None:
    machine = '{"units": "mm", "units": "inch", "bed": {"x": [0, 1], "y": [0, 1]}}'
    body = f'{{"machine": {machine}, "survey": {{"readings": []}}}}'
    answer = client.post("/v1/corrections", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["pointer"] == "/machine/units"
