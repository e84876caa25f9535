"""Whatever text a client puts into names and values, the refusal is a 4xx that quotes it and points at it.

By the route in both formats, by a line of a batch and by the command. All texts invented by the tool.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import assume, example, given
from hypothesis import strategies as st
from litestar.testing import TestClient

from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.splitter import Chunk
from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.faults import LONGEST_TOKEN, SHOWN
from tramwright_service.wire.media_types import JSON, MSGPACK
from tramwright_service.wire.plain import plain
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.quantities import PRINTED

REGISTRY = build(BUILT_IN)
LINES = LineAnswerer(REGISTRY)

# what looks like quotes, paths, escapes or the ends of messages, and plain text
PIECES = ["'", "`", '"', " - at `$", ".machine", "[0]", "\\", ":", "/", "~1", "\n", "\x00", "\x9b", "\u202e", "é", "x"]
TEXTS = st.lists(st.sampled_from(PIECES), min_size=1, max_size=8).map("".join) | st.text(max_size=300)

SETUPS = TEXTS.filter(lambda text: len(text) <= 64 and re.search(PRINTED, text) is not None)

CHOICES = ["/machine/units", "/solve/criterion", "/machine/supports/0/screw/hand", "/machine/indicator/bed_high_reads"]
OBJECTS = [
    "",
    "/machine",
    "/machine/bed",
    "/machine/supports/1/screw",
    "/survey",
    "/survey/readings/3",
    "/solve/with/0",
]
NEEDED = ["/machine", "/survey", "/machine/bed/x", "/machine/supports/2/id", "/survey/readings", "/survey/readings/3/x"]


@pytest.fixture(scope="module")
def client() -> Iterator[TestClient[Any]]:
    with TestClient(create_app(Settings(log_level="error"), REGISTRY), raise_server_exceptions=False) as client:
        yield client


def request() -> dict[str, Any]:
    made = copy.deepcopy(examples.corrections()["tilted-bed"])
    made["solve"] = {"with": [{"solver": "three-screw"}]}
    return made


def at(document: Any, pointer: str) -> Any:
    """What a pointer of RFC 6901 names."""
    for escaped in pointer.split("/")[1:]:
        token = escaped.replace("~1", "/").replace("~0", "~")
        document = document[int(token) if isinstance(document, list) else token]
    return document


def told(client: TestClient[Any], body: bytes, packed: bytes | None = None) -> tuple[str, str]:
    """Send a body every way there is; return where the first error points and what it says."""
    told = []
    for content, form in ((body, JSON), (packed, MSGPACK)):
        if content is not None:
            answer = client.post("/v1/corrections", content=content, headers={"Content-Type": form})
            assert answer.status_code == 422, answer.text
            told.append(answer.json()["errors"][0])
    told.append(msgspec.json.decode(LINES.answer(Chunk(1, "moves", [body])).body)["problem"]["errors"][0])
    by_command = CliRunner().invoke(main, ["correct", "-"], input=body)
    assert by_command.exit_code == 2, by_command.output
    first = told[0]
    # the members that are known differ: a line may have an `id`
    assert all(one["pointer"] == first["pointer"] for one in told)
    assert all(
        one["detail"].partition(" known here: ")[0] == first["detail"].partition(" known here: ")[0] for one in told
    )
    shown = plain(f"{first['pointer'] or '(whole document)'}: {first['detail']}")
    assert by_command.stderr_bytes.decode().startswith(shown)
    return first["pointer"], first["detail"]


def spoilt(client: TestClient[Any], document: Any) -> tuple[str, str]:
    return told(client, msgspec.json.encode(document), msgspec.msgpack.encode(document))


@given(st.sampled_from(CHOICES), TEXTS)
@example("/machine/units", "m'm")
@example("/machine/units", "`'\"\\\n")
@example("/machine/units", "x' - at `$.survey`")
def test_any_text_for_one_of_a_few_words(client: TestClient[Any], place: str, text: str) -> None:
    document, (holder, _, last) = request(), place.rpartition("/")
    at(document, holder)[last] = text
    pointer, detail = spoilt(client, document)
    assert pointer == place
    assert text[:SHOWN] in detail


@given(st.sampled_from(OBJECTS), TEXTS)
@example("", "a - at `$.machine")
@example("", "a` - at `$.machine")
@example("/machine", "a` - at `$.survey")
@example("/machine/bed", "k" * 100_000)
def test_any_name_for_a_member_that_there_is_not(client: TestClient[Any], place: str, name: str) -> None:
    document = request()
    holder = at(document, place)
    assume(name not in holder)
    holder[name] = 1
    pointer, detail = spoilt(client, document)
    assert name[:SHOWN] in detail
    if len(name) <= LONGEST_TOKEN:
        assert pointer.startswith(f"{place}/")
        assert at(document, pointer) == 1
    else:
        assert pointer == place
    assert len(pointer) + len(detail) < 1500


@given(TEXTS)
@example("four-screw'")
def test_any_name_for_a_solver(client: TestClient[Any], name: str) -> None:
    document = request()
    document["solve"]["with"][0]["solver"] = name
    pointer, detail = spoilt(client, document)
    assert pointer == "/solve/with/0/solver"
    assert name[:SHOWN] in detail


@pytest.mark.parametrize("place", NEEDED)
def test_a_member_that_is_missing(client: TestClient[Any], place: str) -> None:
    document, (holder, _, last) = request(), place.rpartition("/")
    del at(document, holder)[last]
    pointer, detail = spoilt(client, document)
    assert pointer == place
    assert f"`{last}`" in detail


def twice(value: Any, place: str, name: str, other: Any, way: str = "") -> str:
    """Write a document in which one object has a member a second time, first or last of all."""
    if isinstance(value, dict):
        members = [(key, twice(below, place, name, other, f"{way}/{key}")) for key, below in value.items()]
        if way == place:
            members.insert(0 if len(json.dumps(other)) % 2 else len(members), (name, json.dumps(other)))
        return "{" + ",".join(f"{json.dumps(key)}: {below}" for key, below in members) + "}"
    if isinstance(value, list):
        return "[" + ",".join(twice(below, place, name, other, f"{way}/{n}") for n, below in enumerate(value)) + "]"
    return json.dumps(value)


def told_of_repeats(client: TestClient[Any], document: Any, place: str, name: str, other: Any) -> None:
    pointer, detail = told(client, twice(document, place, name, other).encode())
    assert pointer == f"{place}/{name}"
    assert f"`{name}` is given twice" in detail


@given(st.sampled_from(OBJECTS), st.data(), st.booleans(), st.booleans())
def test_a_member_given_twice_is_refused(
    client: TestClient[Any], place: str, data: st.DataObject, dated: bool, escaped: bool
) -> None:
    document = request()
    if dated:
        for number, reading in enumerate(document["survey"]["readings"]):
            reading |= {"setup": "A:B", "time": f"2026-05-04T09:{number:02}:00Z"}
    if escaped:
        document["machine"]["id"] = 'a "wren"'
    holder = at(document, place)
    name = data.draw(st.sampled_from(sorted(holder)))
    told_of_repeats(client, document, place, name, holder[name])


def test_a_repeated_member_is_found_where_another_is_left_out(client: TestClient[Any]) -> None:
    document = request()
    first, *others = document["survey"]["readings"]
    for reading in others:
        reading["setup"] = ""
    told_of_repeats(client, document, "/survey/readings/0", "x", first["x"])
    first["setup"] = "A"
    told_of_repeats(client, document, "/survey/readings/0", "setup", "A")


def test_of_repeated_members_the_one_that_is_left_is_pointed_at(client: TestClient[Any]) -> None:
    document, units = request(), ("units", "mm")
    inner = twice(document, "/machine", *units)
    whole = inner[:-1] + ',"machine":' + json.dumps(document["machine"]) + "}"
    assert told(client, whole.encode())[0] == "/machine"


@given(st.booleans(), st.booleans(), st.sampled_from([None, 2]), SETUPS)
def test_a_request_is_taken_however_it_is_written(
    client: TestClient[Any], full: bool, dated: bool, indent: int | None, setup: str
) -> None:
    document = request()
    for number, reading in enumerate(document["survey"]["readings"]):
        if dated:
            reading |= {"setup": setup, "time": number * 60}
        elif full:
            reading |= {"setup": "", "time": None}
    if full:
        document["survey"] |= {"bed_temperature": None, "previous": None}
    answers = {
        client.post("/v1/corrections", content=content, headers={"Content-Type": form}).content
        for content, form in (
            (msgspec.json.encode(document), JSON),
            (json.dumps(document, indent=indent).encode(), f"{JSON}; charset=utf-8"),
            (json.dumps(document, ensure_ascii=False).encode(), JSON),
        )
    }
    assert len(answers) == 1
    assert b'"verdict"' in answers.pop()
