"""``POST /v1/reversals``: the shipped examples answered, in every form, and bad requests refused. All data invented."""

from __future__ import annotations

import copy
import json
import re
from typing import Any

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner
from litestar.testing import TestClient
from scipy.optimize import linprog

from tramwright_service.catalogue import examples
from tramwright_service.cli.main import main
from tramwright_solvers.contract import Site
from tramwright_solvers.mechanisms.rail_shim import RailShim
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.reversal import Reversal

REVERSALS = "/v1/reversals"
EXAMPLES = sorted(examples.of("reversals"))
JSON = "application/json"


def ask(client: TestClient[Any], payload: Any, accept: str = JSON) -> Any:
    return client.post(
        REVERSALS, content=json.dumps(payload).encode(), headers={"Content-Type": JSON, "Accept": accept}
    )


@pytest.fixture
def asked() -> dict[str, Any]:
    """A request that is right, to spoil at will."""
    return copy.deepcopy(examples.of("reversals")["plate-turned-and-shifted"])


def test_the_examples_say_whose_error_it_is(client: TestClient[Any]) -> None:
    answers = {
        name: msgspec.json.decode(ask(client, payload).content, type=Reversal)
        for name, payload in examples.of("reversals").items()
    }
    shifted = answers["plate-turned-and-shifted"]
    assert shifted.whose == "gantry"
    assert [shape.name for shape in shifted.undecided.shapes] == ["round bow"]
    assert shifted.better_plate.helps == "no"
    assert shifted.better_plate.after_rails is not None
    half = answers["plate-half-turned"]
    assert half.whose == "undecided"
    assert half.undecided.dimension == 12
    assert half.further.tried[0].turned == 90.0


@pytest.mark.parametrize("name", EXAMPLES)
def test_every_form_says_the_same(client: TestClient[Any], name: str) -> None:
    payload = examples.of("reversals")[name]
    plain = ask(client, payload)
    assert plain.status_code == 200, plain.text
    packed = client.post(
        REVERSALS,
        content=msgspec.msgpack.encode(payload),
        headers={"Content-Type": "application/msgpack", "Accept": "application/msgpack"},
    )
    assert msgspec.msgpack.decode(packed.content) == plain.json()


@pytest.mark.parametrize("name", EXAMPLES)
def test_text_is_what_a_person_reads(client: TestClient[Any], name: str) -> None:
    payload = examples.of("reversals")[name]
    text = ask(client, payload, "text/plain").text
    answer = msgspec.json.decode(ask(client, payload).content, type=Reversal)
    assert max(map(len, text.splitlines())) <= 100
    assert set(re.findall(r"[^ -~]", text)) <= set("\n°±·")
    flat = " ".join(text.split())
    for said in (answer.says, answer.better_plate.says, answer.undecided.says, answer.further.says):
        assert said in flat
    for caution in answer.cautions:
        assert caution in flat
    assert text.index("Take care") < text.index("What to survey next")
    # rear at the top: the first row of the plate's map is the largest y, from small x to large
    rear = sorted((one.x, one.height) for one in answer.plate.stations if one.y == 480)
    shown = re.search(r"^ *rear +480 +(.*)$", text, re.MULTILINE)
    assert shown
    assert [float(value) for value in shown[1].split()] == pytest.approx([height for _, height in rear], abs=0.000501)


def test_stations_in_no_grid_are_listed(client: TestClient[Any], asked: dict[str, Any]) -> None:
    for one in asked["surveys"][:2]:
        one["readings"] = [reading for index, reading in enumerate(one["readings"]) if index % 4 == 0]
    del asked["surveys"][2]
    text = ask(client, asked, "text/plain").text
    assert re.search(r"^ +x +y +height$", text, re.MULTILINE)


def test_the_command_line_answers_too() -> None:
    path = examples.folder() / "reversals" / "plate-half-turned.json"
    told = CliRunner().invoke(main, ["ask", "reversals", str(path)])
    assert told.exit_code == 0
    assert "Undecided" in told.output


def refused(client: TestClient[Any], payload: Any) -> list[tuple[str, str]]:
    answer = ask(client, payload)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return [(one["pointer"], one["detail"]) for one in answer.json()["errors"]]


SPOILT: list[tuple[str, Any, str, str]] = [
    ("/surveys", [], "/surveys", "add a second one"),
    ("/surveys", None, "/surveys", "array"),
    ("/surveys", [{"readings": []}] * 17, "/surveys", "16"),
    ("/surveys/1/turned", "90", "/surveys/1/turned", "quotation marks: 90."),
    ("/surveys/1/turned", 1e9, "/surveys/1/turned", "360"),
    ("/surveys/1/turned", 37, "/surveys/1", "37"),
    ("/surveys/1/turns", 90, "/surveys/1/turns", "turned"),
    ("/surveys/2/shifted", [115], "/surveys/2/shifted", "2"),
    ("/surveys/2/shifted", [50, 0], "/surveys/2/shifted", "whole distances"),
    ("/surveys/2/shifted", [9000, 0], "/surveys/2/shifted", "beside"),
    ("/surveys/0/readings/3/value", True, "/surveys/0/readings/3/value", "Expected a number"),
    ("/surveys/0/readings/3/x", 700, "/surveys/0/readings/3", "beside the plate"),
    ("/surveys/0/readings/3/x", 365.4, "/surveys/0/readings", ""),
    ("/surveys/0/taken_at", "noon", "/surveys/0/taken_at", "RFC 3339"),
    ("/surveys/0/readings", [], "/surveys/0/readings", "three stations"),
    ("/machine/bed/x", [500, 0], "/machine/bed/x", "low"),
]


@pytest.mark.parametrize(("path", "value", "pointer", "says"), SPOILT)
def test_what_is_wrong_is_said(
    client: TestClient[Any], asked: dict[str, Any], path: str, value: Any, pointer: str, says: str
) -> None:
    *way, last = [int(token) if token.isdigit() else token for token in path.split("/")[1:]]
    place: Any = asked
    for token in way:
        place = place[token]
    if path.endswith("3/x") and value == 365.4:
        asked["surveys"][0]["readings"].append({"x": 365.4, "y": 20, "value": 0.0})
    else:
        place[last] = value
    found = refused(client, asked)
    assert any(one.startswith(pointer) and says in detail for one, detail in found), found


def test_all_faults_at_once(client: TestClient[Any], asked: dict[str, Any]) -> None:
    asked["surveys"][0]["readings"][0]["x"] = 900
    asked["surveys"][1]["taken_at"] = "noon"
    asked["surveys"].append(copy.deepcopy(asked["surveys"][2]))
    pointers = {one for one, _ in refused(client, asked)}
    assert pointers == {"/surveys/0/readings/0", "/surveys/1/taken_at", "/surveys/3/readings"}


def test_too_many_readings_in_all(client: TestClient[Any], asked: dict[str, Any]) -> None:
    for one in asked["surveys"]:
        for reading in one["readings"]:
            reading["value"] = [reading["value"]] * 30
    assert "2100 readings in all" in refused(client, asked)[0][1]


def test_the_solvers_whose_seats_are_asked_about_are_named_as_for_a_correction(
    client: TestClient[Any], asked: dict[str, Any]
) -> None:
    plain = ask(client, asked)
    seats = [seat["id"] for seat in asked["machine"]["rails"]["seats"]]

    def solved(*solvers: dict[str, Any]) -> Any:
        return ask(client, asked | {"solve": {"with": list(solvers)}})

    assert solved().content == solved({"solver": "rail-shim"}).content == plain.content
    # beyond what levelling takes out seats only twist, and one alone does that as well
    alone = solved({"solver": "rail-shim", "hold": seats[:3]}).json()
    assert alone["better_plate"]["after_rails"] == pytest.approx(plain.json()["better_plate"]["after_rails"])
    everything_held = asked | {"solve": {"with": [{"solver": "rail-shim", "hold": seats}]}}
    assert "Every adjuster is held" in refused(client, everything_held)[0][1]
    places = enumerate([(0, 0), (500, 0), (250, 500)])
    asked["machine"]["supports"] = [{"id": f"screw-{at}", "x": x, "y": y} for at, (x, y) in places]
    supports = solved({"solver": "three-screw"}).json()
    assert (supports["better_plate"]["after_rails"], supports["solver_versions"]) == (None, {})


def test_the_seats_may_be_asked_for_the_least_zone_instead(client: TestClient[Any], asked: dict[str, Any]) -> None:
    answers = {
        criterion: ask(client, asked | {"solve": {"criterion": criterion}}).json()
        for criterion in ("least-squares", "minimum-zone")
    }
    left = {criterion: answer["better_plate"]["after_rails"] for criterion, answer in answers.items()}
    assert left["least-squares"] == ask(client, asked).json()["better_plate"]["after_rails"]
    # an independent linear programme on the gantry's form as answered: planes, and the seats of the rails
    machine = msgspec.convert(asked["machine"], Machine)
    stations = answers["minimum-zone"]["gantry"]["stations"]
    points = np.array([(one["x"], one["y"]) for one in stations])
    heights = np.array([one["height"] for one in stations])
    design = np.column_stack([np.ones(len(points)), points / 100.0, RailShim().influence(Site(machine, points))])
    count, size = design.shape
    ends = np.vstack([np.hstack([sign * design, -np.ones((count, 1))]) for sign in (1.0, -1.0)])
    zone = linprog(
        np.append(np.zeros(size), 1.0), ends, np.concatenate([heights, -heights]), bounds=[(None, None)] * (size + 1)
    )
    assert left["minimum-zone"] == pytest.approx(2.0 * zone.fun, rel=1e-6)
    assert left["minimum-zone"] < 0.99 * left["least-squares"]


def test_a_solver_that_is_none_is_refused_with_all_else(client: TestClient[Any], asked: dict[str, Any]) -> None:
    asked["surveys"][0]["readings"][0]["x"] = 900
    asked["solve"] = {"with": [{"solver": "rail-shim", "hold": ["nobody"]}]}
    pointers = {one for one, _ in refused(client, asked)}
    assert pointers == {"/surveys/0/readings/0", "/solve/with/0/hold/0"}
    asked["solve"] = {"with": [{"solver": "none-such"}]}
    assert [one for one, _ in refused(client, asked)] == ["/solve/with/0/solver"]
