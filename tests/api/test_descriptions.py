"""Every field, parameter, answer and tag of the document that clients are made from says what it means."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from litestar.testing import TestClient

from tramwright_solvers.mechanisms import BUILT_IN


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
    components = client.get("/openapi.json").json()["components"]["schemas"]
    known = dict(fields(components))
    assert len(known) > 600
    assert [path for path, field in known.items() if not said(field)] == []
    assert [name for name, component in components.items() if not said(component)] == []


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
        assert operation["responses"]["200"]["description"] != "Request fulfilled, document follows", name
    tags = {tag["name"]: tag for tag in document["tags"]}
    assert all(said(tag) for tag in tags.values())
    assert {tag for operation in operations for tag in operation["tags"]} == set(tags)
