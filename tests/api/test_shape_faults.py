"""All that is wrong with the shape of a first payload is told at once, with what to write instead. Data invented."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import given
from hypothesis import strategies as st
from litestar.testing import TestClient

from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.splitter import Chunk
from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_service.wire.faults import MOST_COUNTED, MOST_FAULTS, MOST_VALUES, Shape
from tramwright_service.wire.requests import correction_request
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build

REGISTRY = build(BUILT_IN)
SHAPE = Shape(correction_request(REGISTRY), REGISTRY)

FIRST_TRY = {
    "machine": {
        "bed": {"width": 400, "depth": 400},
        "unit": "mm",
        "limit": 0.1,
        "supports": {"left": {"x": 10, "y": 10}},
    },
    "survey": {"readings": [[10, 10, 0.0], [390, 10, 0.12], [200, 390, 0.1]]},
    "solve": {"with": ["three-screw"]},
}


def told(document: Any) -> list[tuple[str, str]]:
    return [(fault.pointer, fault.detail) for fault in SHAPE.faults(document)]


def posted(client: TestClient[Any], document: Any) -> list[dict[str, Any]]:
    answer = client.post("/v1/corrections", json=document)
    assert answer.status_code == 422, answer.text
    errors: list[dict[str, Any]] = answer.json()["errors"]
    return errors


def test_a_first_try_is_told_everything_at_once_and_the_same_everywhere(client: TestClient[Any]) -> None:
    errors = posted(client, FIRST_TRY)
    assert [error["pointer"] for error in errors] == [
        "/machine/bed/width",
        "/machine/unit",
        "/machine/limit",
        "/machine/supports",
        "/survey/readings",
        "/solve/with",
    ]
    wanted = ['"bed": {"x": [0, 400], "y": [0, 400]}', "`units`", '{"total": 0.1}', '"id"', '"value":0.0', '"solver"']
    for error, words in zip(errors, wanted, strict=True):
        assert words in error["detail"]
    line = msgspec.json.encode(FIRST_TRY)
    answered = msgspec.json.decode(LineAnswerer(REGISTRY).answer(Chunk(1, "moves", [line])).body)
    assert answered["problem"]["errors"] == errors
    packed = client.post(
        "/v1/corrections", content=msgspec.msgpack.encode(FIRST_TRY), headers={"Content-Type": "application/msgpack"}
    )
    assert packed.json()["errors"] == errors
    command = CliRunner().invoke(main, ["correct", "-"], input=line)
    assert command.stderr.splitlines() == [f"{error['pointer']}: {error['detail']}" for error in errors]


READING = {"x": 10, "y": 10, "value": 0.1}
GOOD = {
    "machine": {
        "bed": {"x": [0, 300], "y": [0, 300]},
        "supports": [{"id": "left", "x": 10, "y": 10, "screw": {"lead": 0.7}}],
    },
    "survey": {"readings": [READING, READING, READING]},
}
MISTAKES: list[tuple[str, str, Any, str, str]] = [
    ("size of the bed", "/machine/bed", {"width": 1, "length": 1}, "/machine/bed/width", '"x": [0, 400]'),
    ("bed from zero", "/machine/bed/x", 400, "/machine/bed/x", '"x": [0, 400]'),
    ("a grid", "/survey/readings", [[0.1, 0.2, 0.3, 0.4]] * 3, "/survey/readings", "station by station"),
    ("a table", "/survey/readings", {"x": [1, 2], "z": [0, 1]}, "/survey/readings", "one object for each station"),
    ("bare values", "/survey/readings", [0.1, 0.2, 0.3], "/survey/readings", "one object for each station"),
    ("z for value", "/survey/readings/0", {"x": 1, "y": 2, "z": 0.1}, "/survey/readings/0/z", "`value`"),
    ("text", "/survey/readings/0/value", "0.12", "/survey/readings/0/value", "quotation marks: 0.12"),
    ("comma", "/survey/readings/0/value", "-0,12", "/survey/readings/0/value", "quotation marks: -0.12"),
    ("endless", "/survey/readings/0/value", "1e999", "/survey/readings/0/value", "change the value"),
    ("pitch", "/machine/supports/0/screw", {"pitch": 0.7}, "/machine/supports/0/screw/pitch", "pitch × number"),
    ("bare lead", "/machine/supports/0/screw", 0.7, "/machine/supports/0/screw", '{"lead": 0.7}'),
    ("unit", "/machine/unit", "mm", "/machine/unit", "did you mean `units`"),
    ("inches", "/machine/units", "in", "/machine/units", "did you mean `inch`"),
    ("capitals", "/machine/units", "MM", "/machine/units", "did you mean `mm`"),
    ("limit", "/machine/limit", 0.1, "/machine/limit", '{"total": 0.1}'),
    ("readings outside", "/readings", [READING], "/readings", 'in `survey`'),
    ("bed outside", "/bed", {"x": [0, 1], "y": [0, 1]}, "/bed", "belongs to the machine"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("path", "value", "where", "words"), [row[1:] for row in MISTAKES], ids=[r[0] for r in MISTAKES]
)
def test_what_new_users_write_is_told_what_is_wanted(path: str, value: Any, where: str, words: str) -> None:
    document = json.loads(json.dumps(GOOD))
    *way, last = [int(token) if token.isdigit() else token for token in path.split("/")[1:]]
    holder = document
    for token in way:
        holder = holder[token]
    holder[last] = value
    ((found, detail),) = told(document)
    assert found == where
    assert words in detail
    with pytest.raises(msgspec.ValidationError):  # it is a fault, not a matter of taste
        msgspec.convert(document, correction_request(REGISTRY))


def test_a_missing_machine_is_told_even_where_its_parts_stand_outside() -> None:
    # the example is a plain object of JSON
    assert [where for where, _ in told({"bed": GOOD["machine"]["bed"], "readings": [READING]})] == ["/bed", "/readings"]  # type: ignore[index]


def test_a_fault_and_a_member_given_twice_are_told_together(client: TestClient[Any]) -> None:
    body = json.dumps(GOOD).replace('"lead": 0.7', '"lead": "0.7", "hand": "left", "hand": "right"')
    answer = client.post("/v1/corrections", content=body, headers={"Content-Type": "application/json"})
    screw = "/machine/supports/0/screw"
    assert [error["pointer"] for error in answer.json()["errors"]] == [f"{screw}/lead", f"{screw}/hand"]


@pytest.mark.parametrize(("count", "more"), [(20, None), (21, "1 further"), (30, "10 further"), (5000, "980 or more")])
def test_the_list_is_bounded(client: TestClient[Any], count: int, more: str | None) -> None:
    document = GOOD | {"survey": {"readings": [READING | {"value": "high"}] * count}}
    errors = posted(client, document)
    assert len(errors) == MOST_FAULTS + (more is not None)
    assert errors[MOST_FAULTS - 1]["pointer"] == f"/survey/readings/{MOST_FAULTS - 1}/value"
    if more:
        assert errors[-1]["detail"].startswith(more)
    assert posted(client, document) == errors


def test_what_is_looked_at_is_bounded_and_a_fault_beyond_is_still_told(client: TestClient[Any]) -> None:
    readings = [READING] * (MOST_VALUES // 4) + [READING | {"value": "high"}] * 3
    document = GOOD | {"survey": {"readings": readings}}
    assert told(document) == []
    (error,) = posted(client, document)
    assert error["pointer"] == f"/survey/readings/{MOST_VALUES // 4}/value"
    assert len(told(GOOD | {"survey": {f"member {n}": 1 for n in range(5000)}})) == MOST_COUNTED


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.binary(max_size=3),
    lambda below: st.lists(below, max_size=4) | st.dictionaries(st.text(max_size=5) | st.integers(), below, max_size=3),
    max_leaves=8,
)
PLACES = ["/machine", "/survey", "/solve", "/machine/bed", "/machine/supports", "/survey/readings", "/solve/with"]


@given(st.sampled_from(PLACES), VALUES)
def test_whatever_stands_anywhere_is_a_fault_exactly_where_the_decoder_finds_one(place: str, value: Any) -> None:
    document: Any = json.loads(json.dumps(GOOD | {"solve": {}}))
    *way, last = place.split("/")[1:]
    holder = document
    for token in way:
        holder = holder[token]
    holder[last] = value
    try:
        msgspec.msgpack.decode(msgspec.msgpack.encode(document), type=correction_request(REGISTRY))
        taken = True
    except msgspec.ValidationError:
        taken = False
    except OverflowError:
        return  # a number that MessagePack does not carry
    found = told(document)
    if taken:  # too few readings have the right shape: the solvers say what they cannot show
        found = [(where, detail) for where, detail in found if "an array of length >= 3" not in detail]
    assert (found == []) == taken


OF_A_CORRECTION = {"criterion": "minimum-zone", "aim_for": 0.1, "most_moves": 2, "offset": "keep", "time_limit": 3}
TAKEN = {
    "survey-plans": {"offset"},
    "reversals": {"criterion"},
    "comparisons": set[str](),
    "height-checks": set[str](),
}


@pytest.mark.parametrize(("question", "taken"), TAKEN.items())
def test_what_a_question_does_not_take_of_a_corrections_solve_is_refused_with_what_it_takes(
    client: TestClient[Any], question: str, taken: set[str]
) -> None:
    payload: Any = next(iter(examples.of(question).values()))
    for name, value in OF_A_CORRECTION.items():
        answer = client.post(f"/v1/{question}", json=payload | {"solve": {"with": [], name: value}})
        if name in taken:
            assert answer.status_code == 200, answer.text
            continue
        (error,) = answer.json()["errors"]
        assert (answer.status_code, error["pointer"]) == (422, f"/solve/{name}")
        assert "`with`" in error["detail"] or "beside `solve`" in error["detail"]
        assert "There is no member" not in error["detail"]
