"""What generators of clients stumble over is not in the document, and what it states beyond the decoders is true."""

from __future__ import annotations

import copy
import json
import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_service.http import openapi
from tramwright_service.settings import Settings
from tramwright_solvers.mechanisms.registry import Registry


def objects(schema: Any) -> Iterator[dict[str, Any]]:
    """Every object anywhere in a document."""
    if isinstance(schema, list):
        for below in schema:
            yield from objects(below)
    if isinstance(schema, dict):
        yield schema
        for below in schema.values():
            yield from objects(below)


@pytest.fixture(scope="module")
def components(client: TestClient[Any]) -> dict[str, Any]:
    found: dict[str, Any] = client.get("/openapi.json").json()["components"]["schemas"]
    return found


def test_arrays_have_one_schema_for_all_places(components: dict[str, Any]) -> None:
    assert not [one for one in objects(components) if "prefixItems" in one or one.get("items") is False]
    travel = components["Support"]["properties"]["travel"]["anyOf"][0]
    assert (travel["minItems"], travel["maxItems"]) == (2, 2)
    assert travel["items"] == {"type": "number", "minimum": -1000.0, "maximum": 1000.0}


def test_names_do_not_collide_in_generated_code(components: dict[str, Any]) -> None:
    for name, component in components.items():
        fields = component.get("properties", {})
        assert max(Counter(field.lower() for field in fields).values(), default=1) == 1, name
        # a generated class keeps its raw form in `d`, and builds itself in a variable of its own name
        own = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()
        assert not {"d", own} & set(fields), name


def without(path: str, keep: int) -> tuple[str, dict[str, Any]]:
    """A route and a request of which an array, at a path of keys, keeps so many members."""
    folder, *keys = path.split("/")
    shipped = examples.corrections() if folder == "corrections" else examples.of(folder)
    for example in shipped.values():
        request = copy.deepcopy(example)
        *way, last = [int(key) if key.isdigit() else key for key in keys]
        at: Any = request
        try:
            for key in way:
                at = at[key]
            at[last] = at[last][:keep]
        except (KeyError, TypeError):
            continue
        return f"/v1/{folder}", request
    raise LookupError(path)


@pytest.mark.parametrize(
    ("path", "component", "least"),
    [
        ("corrections/survey/readings", "Survey", 3),
        ("corrections/survey/previous/readings", "Previous", 3),
        ("comparisons/before/readings", "Survey", 3),
        ("height-checks/surveys/0/readings", "SurveyAtHeight", 3),
        ("height-checks/surveys", "HeightCheckRequest", 2),
        ("reversals/surveys/0/readings", "PlacedSurvey", 3),
        ("reversals/surveys", "ReversalRequest", 2),
    ],
)
def test_the_least_number_of_an_array_is_stated_and_refused_in_our_own_words(
    client: TestClient[Any], components: dict[str, Any], path: str, component: str, least: int
) -> None:
    assert components[component]["properties"][path.rpartition("/")[2]]["minItems"] == least
    for keep in range(least):
        route, request = without(path, keep)
        answer = client.post(route, json=request)
        assert answer.status_code == 422
        (fault,) = answer.json()["errors"]
        assert fault["pointer"] == "/" + path.partition("/")[2]
        assert "Expected" not in fault["detail"]


def test_a_plan_of_too_few_stations_is_refused_in_our_own_words(
    client: TestClient[Any], components: dict[str, Any]
) -> None:
    (stations, _) = components["SurveyPlanRequest"]["properties"]["stations"]["anyOf"]
    assert stations["minItems"] == 3
    request = next(iter(examples.of("survey-plans").values())) | {"stations": [{"x": 50, "y": 50}]}
    answer = client.post("/v1/survey-plans", json=request)
    assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/stations")


def test_the_batch_can_be_sent_and_asked_for_as_plain_bytes(client: TestClient[Any], payload: dict[str, Any]) -> None:
    route = "/v1/corrections/batch"
    lines = json.dumps(payload).encode() + b"\n"
    octets, ndjson = "application/octet-stream", "application/x-ndjson"
    told = [
        client.post(route, content=lines, headers={"Content-Type": sent, "Accept": asked})
        for sent, asked in ((ndjson, "*/*"), (octets, "*/*"), (octets, octets))
    ]
    assert [answer.headers["content-type"] for answer in told] == [ndjson, ndjson, octets]
    assert told[0].content == told[1].content == told[2].content
    operation = client.get("/openapi.json").json()["paths"][route]["post"]
    assert list(operation["requestBody"]["content"]) == [octets]
    assert set(operation["responses"]["200"]["content"]) == {octets, ndjson}


def test_licence_and_contact_are_those_set(registry: Registry) -> None:
    info = openapi.document(registry, Settings(contact="mailto:metrology@example.org", licence="MIT"))["info"]
    assert info["license"] == {"name": "MIT", "identifier": "MIT"}
    assert info["contact"]["url"] == "mailto:metrology@example.org"
    assert "url" not in openapi.document(registry, Settings())["info"]["contact"]
