"""The route for survey plans, in every form. All data invented."""

from __future__ import annotations

import copy
import math
import re
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_solvers.planning import SurveyPlan
from tramwright_solvers.views.survey_plan import as_text

PLANS = "/v1/survey-plans"
EXAMPLES = examples.of("survey-plans")


@pytest.fixture
def asked() -> dict[str, Any]:
    """A request that is right, to spoil at will."""
    return copy.deepcopy(EXAMPLES["clipped-bed"])


def answered(client: TestClient[Any], payload: dict[str, Any]) -> SurveyPlan:
    answer = client.post(PLANS, json=payload)
    assert answer.status_code == 200, answer.text
    return msgspec.json.decode(answer.content, type=SurveyPlan)


def refused(client: TestClient[Any], payload: Any) -> set[str]:
    answer = client.post(PLANS, json=payload)
    assert (answer.status_code, answer.headers["content-type"]) == (422, "application/problem+json")
    return {error["pointer"] for error in answer.json()["errors"]}


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_every_example_is_answered(client: TestClient[Any], name: str) -> None:
    answer = answered(client, EXAMPLES[name])
    assert answer.plan.count == len(answer.plan.stations)
    assert (answer.yours is None) == ("stations" not in EXAMPLES[name])
    assert all(move.u is not None and math.isfinite(move.u) for move in answer.plan.moves)


def test_a_station_of_the_plan_is_a_reading_of_a_correction(client: TestClient[Any], asked: dict[str, Any]) -> None:
    plan = answered(client, asked).plan
    readings = [{"x": stop.x, "y": stop.y, "value": 0.001 * stop.x - 2e-6 * stop.x * stop.y} for stop in plan.stations]
    survey = {"readings": [*readings, readings[0]]}
    answer = client.post(
        "/v1/corrections", json={"machine": asked["machine"], "survey": survey, "solve": {"aim_for": 0}}
    )
    forecast = {move.adjuster: move.u for move in plan.moves}
    moves = answer.json()["moves"]
    assert moves
    for move in moves:
        assert move["u"] <= forecast[move["adjuster"]] * (1.0 + 1e-9)
    assert answer.json()["blind_to"] == []


@pytest.mark.parametrize("form", ["application/json", "application/msgpack"])
def test_both_formats_say_the_same(client: TestClient[Any], asked: dict[str, Any], form: str) -> None:
    body = msgspec.json.encode(asked) if form.endswith("json") else msgspec.msgpack.encode(asked)
    answer = client.post(PLANS, content=body, headers={"Content-Type": form, "Accept": form})
    decode = msgspec.json.decode if form.endswith("json") else msgspec.msgpack.decode
    assert decode(answer.content, type=SurveyPlan) == answered(client, asked)


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_text_is_what_a_person_takes_to_the_machine(client: TestClient[Any], name: str) -> None:
    answer = answered(client, EXAMPLES[name])
    text = client.post(PLANS, json=EXAMPLES[name], headers={"Accept": "text/plain"}).text
    assert text == as_text(answer)
    assert max(map(len, text.splitlines())) <= 100
    assert set(re.findall(r"[^ -~]", text)) <= set("\n±·")
    listed = re.findall(r"^ *(\d+)\. +([\d.]+) +([\d.]+) ", text, re.MULTILINE)
    assert [(float(x), float(y)) for _, x, y in listed] == [(stop.x, stop.y) for stop in answer.plan.stations]
    assert [int(number) for number, *_ in listed] == list(range(1, answer.plan.count + 1))
    assert 0 < text.index("Take care") < text.index("Read in this order") < text.index("Stations\n")
    for move in answer.plan.moves:
        assert re.search(rf"^{re.escape(move.adjuster)} +{move.u:.3f} ", text, re.MULTILINE)


def test_text_of_a_plan_that_is_blind(client: TestClient[Any], asked: dict[str, Any]) -> None:
    asked["stations"] = [{"x": 30, "y": 40}, {"x": 470, "y": 40}, {"x": 250, "y": 460}]
    text = client.post(PLANS, json=asked, headers={"Accept": "text/plain"}).text
    own = " ".join(text[text.index("Your own plan") :].split())
    assert "blind to twist, bow-x, bow-y, left-front" in own
    assert re.search(r"left-front +none +none +These stations cannot tell", own)
    assert "3 stations cannot settle all moves" in own


def test_where_nothing_can_be_declared_the_text_says_so(client: TestClient[Any], asked: dict[str, Any]) -> None:
    asked["machine"]["limit"] = {"total": 0.01}
    text = client.post(PLANS, json=asked, headers={"Accept": "text/plain"}).text
    assert "No total can be proven within the limit of 0.010 mm" in " ".join(text.split())
    assert answered(client, asked).plan.total.largest_within is None


@pytest.mark.parametrize(
    ("change", "pointers"),
    [
        ({"count": 2}, {"/count"}),
        ({"count": 401}, {"/count"}),
        ({"count": "9"}, {"/count"}),
        ({"margin": -1}, {"/margin"}),
        ({"margin": 250}, {"/margin"}),
        ({"spacing": 0.5}, {"/spacing"}),
        ({"spacing": 0}, {"/spacing"}),
        ({"reach": {"x": [300, 100]}}, {"/reach/x"}),
        ({"reach": {"x": [600, 700]}}, {"/reach/x"}),
        ({"reach": {"z": [0, 1]}}, {"/reach/z"}),
        ({"keep_out": [{"shape": "circle", "x": 250, "y": 250, "radius": 1000}]}, {"/keep_out"}),
        ({"keep_out": [{"shape": "circle", "x": 250, "y": 250}]}, {"/keep_out/0/radius"}),
        ({"keep_out": [{"shape": "oval", "x": 250, "y": 250}]}, {"/keep_out/0/shape"}),
        ({"keep_out": [{"shape": "rectangle", "x": [9, 1], "y": [5, 2]}]}, {"/keep_out/0/x", "/keep_out/0/y"}),
        ({"stations": [{"x": 10, "y": 10}, {"x": 900, "y": -3}]}, {"/stations", "/stations/1/x", "/stations/1/y"}),
        ({"stations": [{"x": 10, "y": 10, "value": 1}] * 3}, {f"/stations/{n}/value" for n in range(3)}),
        ({"solve": {"criterion": "least-squares"}}, {"/solve/criterion"}),
        ({"solve": {"with": [{"solver": "three-screw", "hold": ["nobody"]}]}}, {"/solve/with/0/hold/0"}),
        ({"survey": {}}, {"/survey"}),
    ],
)
def test_what_is_wrong_is_pointed_at(
    client: TestClient[Any], asked: dict[str, Any], change: dict[str, Any], pointers: set[str]
) -> None:
    assert refused(client, asked | change) == pointers


@pytest.mark.parametrize("where", [("machine", "bed", "x", 0), ("margin",), ("keep_out", 2, "radius"), ("spacing",)])
@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf, 1e300, None, "1", [], {}, True])
def test_no_number_that_is_none_gets_through(
    client: TestClient[Any], asked: dict[str, Any], where: tuple[Any, ...], wrong: Any
) -> None:
    place = asked
    for step in where[:-1]:
        place = place[step]
    place[where[-1]] = wrong
    body = msgspec.msgpack.encode(asked)
    answer = client.post(PLANS, content=body, headers={"Content-Type": "application/msgpack"})
    optional = wrong is None and where in (("margin",), ("spacing",))
    assert answer.status_code == (200 if optional else 422)
