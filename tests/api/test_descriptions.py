"""Every field, parameter, answer and tag of the document that clients are made from says what it means."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service.batch.lines import CorrectionLine, MovesLine, Refusal, VerdictLine
from tramwright_service.batch.summary import BatchSummary
from tramwright_service.catalogue.endpoints import QUESTIONS
from tramwright_service.http.openapi import components
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build


def fields(schema: Any, path: str = "") -> Iterator[tuple[str, Any]]:
    """Every property of every object in a schema, however deep, with its path."""
    if isinstance(schema, list):
        for index, below in enumerate(schema):
            yield from fields(below, f"{path}/{index}")
    if isinstance(schema, dict):
        properties = schema.get("properties", {})
        yield from ((f"{path}/{name}", field) for name, field in properties.items())
        for name, field in properties.items():
            yield from fields(field, f"{path}/{name}")
        for key, below in schema.items():
            if key not in ("properties", "default", "example", "examples"):
                yield from fields(below, f"{path}/{key}")


def said(described: dict[str, Any]) -> bool:
    """Whether a description says more than a word."""
    return len(described.get("description", "").split()) > 1


def test_every_field_of_every_request_and_answer_is_described(client: TestClient[Any]) -> None:
    shown = client.get("/openapi.json").json()["components"]["schemas"]
    known = dict(fields(shown))
    assert len(known) > 600
    assert [path for path, field in known.items() if not said(field)] == []
    assert [name for name, component in shown.items() if not said(component)] == []


def test_every_option_of_every_solver_is_described(client: TestClient[Any]) -> None:
    for solver in BUILT_IN:
        options = client.get(f"/v1/solvers/{solver.name()}").json()["options"]
        known = dict(fields(options))
        assert known
        assert [path for path, field in known.items() if not said(field)] == []


def test_every_operation_parameter_answer_and_tag_is_described(client: TestClient[Any]) -> None:
    document = client.get("/openapi.json").json()
    operations = [operation for path in document["paths"].values() for operation in path.values()]
    for operation in operations:
        name = operation["operationId"]
        assert operation["summary"], name
        assert said(operation), name
        assert all(said(one) for one in operation.get("parameters", [])), name
        assert all(said(one) for one in operation["responses"].values()), name
        done = [one for status, one in operation["responses"].items() if status.startswith("2")]
        assert done, name
        assert all(one["description"] != "Request fulfilled, document follows" for one in done), name
    tags = {tag["name"]: tag for tag in document["tags"]}
    assert all(said(tag) for tag in tags.values())
    assert {tag for operation in operations for tag in operation["tags"]} == set(tags)


def structs(model: Any, found: dict[type, None]) -> dict[type, None]:
    """Every Struct that a type is made of, itself included."""
    if isinstance(model, type) and issubclass(model, msgspec.Struct) and model not in found:
        found[model] = None
        for one in msgspec.structs.fields(model):
            structs(one.type, found)
    for part in get_args(model):
        structs(part, found)
    return found


def test_one_thing_has_one_name_in_every_answer() -> None:
    answers = [VerdictLine, MovesLine, CorrectionLine, Refusal, BatchSummary, *(one.answer for one in QUESTIONS)]
    found: dict[type, None] = {}
    for answer in answers:
        structs(answer, found)
    assert len(found) > 60
    for model in found:
        names = {one.name for one in msgspec.structs.fields(model)}
        # the type says no more than that it is a class
        assert not model.__struct_config__.omit_defaults, model  # type: ignore[attr-defined]
        assert not {name for name in names if name.startswith("u_") or name in ("screw", "seat", "support")}, model
    for question in QUESTIONS:
        own = {one.name for one in msgspec.structs.fields(question.answer)}
        assert own >= {"machine", "units", "says", "cautions", "solver_versions"}, question.name
    for line in (VerdictLine, MovesLine, CorrectionLine):
        assert {one.name for one in msgspec.structs.fields(line)} >= {"machine", "units", "taken_at", "solver_versions"}


@pytest.mark.parametrize("name", ["MoveOf", "Correction", "BudgetLine", "Reversal", "Problem"])
def test_every_member_of_an_answer_is_documented_as_always_there(name: str) -> None:
    shown = components(build(BUILT_IN))[name]
    assert shown["required"] == list(shown["properties"])
