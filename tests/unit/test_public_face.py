"""The library's public names: all there, all loadable, and nothing loaded before it is used."""

from __future__ import annotations

import ast
import pickle
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import pytest
from litestar.testing import TestClient

import tramwright_solvers
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_service.wire.requests import correction_request
from tramwright_solvers import (
    Bed,
    Indicator,
    Machine,
    Reading,
    Refused,
    Screw,
    Solve,
    Survey,
    ThreeScrew,
    contract,
    correct,
)
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model import given

REGISTRY = build(BUILT_IN)


@pytest.mark.parametrize("name", tramwright_solvers.__all__)
def test_every_public_name_loads(name: str) -> None:
    assert getattr(tramwright_solvers, name).__name__ == name


def test_type_checkers_are_told_of_the_same_names() -> None:
    tree = ast.parse(Path(str(tramwright_solvers.__file__)).read_text())
    told = {
        alias.name for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.level for alias in node.names
    }
    assert told == set(tramwright_solvers.__all__) == set(tramwright_solvers._HOME)


def test_a_name_that_is_not_public_is_refused() -> None:
    with pytest.raises(AttributeError, match="no attribute 'tram'"):
        _ = tramwright_solvers.tram


def test_importing_the_package_loads_no_numerics() -> None:
    code = "import sys, tramwright_solvers; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout.split()
    assert not {"numpy", "scipy", "tramwright_solvers.model"} & set(loaded)


def test_the_contract_offers_all_that_it_lists() -> None:
    assert all(hasattr(contract, name) for name in contract.__all__)


@pytest.fixture
def payload(examples: Path) -> Any:
    return msgspec.json.decode((examples / "twisted-frame.json").read_bytes())


def given_by_a_program(payload: Any) -> tuple[Machine, Survey, Solve[Any]]:
    kind = correction_request(REGISTRY)
    asked = msgspec.convert(payload, kind)
    return asked.machine, asked.survey, asked.solve


@pytest.fixture(scope="module")
def service() -> Any:
    with TestClient(create_app(Settings(log_level="error"), REGISTRY)) as client:
        yield client


WRONG: dict[str, tuple[Callable[[], Any], str, str, Any]] = {
    "a division below nothing": (
        lambda: Indicator(division=-0.01), "/division", "/machine/indicator/division", -0.01,
    ),
    "a reading of two metres": (lambda: Reading(20, 20, 2e3), "/value", "/survey/readings/0/value", 2e3),
    "a reading in words": (
        lambda: Reading(20, 20, "much"),  # type: ignore[arg-type]  # what is refused
        "/value", "/survey/readings/0/value", "much",
    ),
    "a lead of nothing": (lambda: Screw(lead=0.0), "/lead", "/machine/supports/0/screw/lead", 0.0),
    "half a bed": (lambda: Bed((0, 500), (0,)), "/y", "/machine/bed/y", [0]),  # type: ignore[arg-type]  # likewise
    "an aim below nothing": (lambda: Solve(aim_for=-1.0), "/aim_for", "/solve/aim_for", -1.0),
    "no criterion": (
        lambda: Solve(criterion="best"),  # type: ignore[arg-type]  # likewise
        "/criterion", "/solve/criterion", "best",
    ),
    "an empty name": (lambda: Solve(with_=[ThreeScrew(hold=("",))]), "/hold/0", "/solve/with/0/hold/0", ""),
}  # fmt: skip
"""Each with its place in what is made, its place in a request, and what is sent there."""


@pytest.mark.parametrize("wrong", WRONG.values(), ids=WRONG)
def test_what_the_service_refuses_cannot_be_made(
    service: TestClient[Any], payload: Any, wrong: tuple[Callable[[], Any], str, str, Any]
) -> None:
    make, own, pointer, value = wrong
    with pytest.raises(Refused) as refused:
        make()
    assert [fault.pointer for fault in refused.value.faults] == [own]
    *way, last = [int(token) if token.isdigit() else token for token in pointer.split("/")[1:]]
    payload["solve"] = {"with": [{"solver": "three-screw", "hold": ["front-left"]}]}
    payload["machine"].setdefault("indicator", {})
    place = payload
    for token in way:
        place = place[token]
    place[last] = value
    answer = service.post("/v1/corrections", json=payload)
    assert (answer.status_code, [one["pointer"] for one in answer.json()["errors"]]) == (422, [pointer])


@pytest.mark.parametrize("value", [float("nan"), float("inf"), np.float64("nan"), [0.1, float("nan")]])
def test_a_reading_that_is_no_number_cannot_be_made(value: Any) -> None:
    with pytest.raises(Refused, match="/value"):
        Reading(20, 20, value)


def test_what_is_no_solver_cannot_be_asked_for() -> None:
    with pytest.raises(Refused, match="/with/1"):
        Solve(with_=[ThreeScrew(), "rail-shim"])  # type: ignore[list-item]  # what is refused


def test_what_is_made_is_what_would_be_read() -> None:
    made = Survey([Reading(20, 20, np.float64(-0.5)), Reading(20, 250, np.array([1, 2]))])
    assert made == msgspec.json.decode(msgspec.json.encode(made), type=Survey)
    assert type(made.readings[0].value) is float
    assert made.readings[1].value == [1.0, 2.0]
    assert Bed([0, 500], [0, 400]).x == (0.0, 500.0)  # type: ignore[arg-type]  # lists do as well
    assert pickle.loads(pickle.dumps(made)) == made


def test_reading_calls_no_constructor(payload: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """So requests are not checked twice, and not answered more slowly."""

    def refuse(*_: Any) -> None:
        raise AssertionError("checked again")

    monkeypatch.setattr(given, "as_given", refuse)
    for left_out in ((), ("solve",)):
        sent = {key: value for key, value in payload.items() if key not in left_out}
        sent["machine"] = {key: value for key, value in payload["machine"].items() if key != "indicator"}
        msgspec.json.decode(msgspec.json.encode(sent), type=correction_request(REGISTRY))
    with pytest.raises(AssertionError):
        Indicator()


def test_an_answer_shows_itself(service: TestClient[Any], payload: Any) -> None:
    answer = correct(*given_by_a_program(payload), REGISTRY)
    text = service.post("/v1/corrections", json=payload, headers={"Accept": "text/plain"}).text
    assert str(answer) == text.rstrip("\n")
    assert repr(answer).startswith("<Correction of kingfisher-02: ")
    assert len(repr(answer)) < 200
    table = answer._repr_html_()
    assert all(f"<td>{move.adjuster}</td><td>{move.travel:+.3f}</td>" in table for move in answer.moves)
    assert all(caution.split("'")[0] in table for caution in answer.cautions)


def test_what_a_client_named_is_no_markup_in_a_table(payload: Any) -> None:
    named = msgspec.json.encode(payload).replace(b'"front-right"', b'"<b>&"')
    machine, survey, solve = given_by_a_program(msgspec.json.decode(named))
    table = correct(machine, survey, solve, REGISTRY)._repr_html_()
    assert "<td>&lt;b&gt;&amp;</td>" in table
    assert "<b>" not in table


def test_nothing_has_to_be_asked_for(payload: Any) -> None:
    machine, survey, _ = given_by_a_program(payload)
    assert correct(machine, survey, registry=REGISTRY) == correct(machine, survey, Solve(), REGISTRY)
