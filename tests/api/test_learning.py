"""A survey that carries its last pass: what is learnt, what is asked, and what is wrong with it. All data invented."""

from __future__ import annotations

import copy
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from tramwright_service.catalogue import examples
from tramwright_solvers.results.correction import Correction

CORRECTIONS = "/v1/corrections"


@pytest.fixture
def second() -> dict[str, Any]:
    """A second pass: front-left was asked for 0.671 mm and moved 0.71 of it."""
    return copy.deepcopy(examples.corrections()["second-pass"])


def answered(client: TestClient[Any], payload: dict[str, Any]) -> Correction:
    answer = client.post(CORRECTIONS, json=payload)
    assert answer.status_code == 200, answer.text
    return msgspec.json.decode(answer.content, type=Correction)


def refused(client: TestClient[Any], payload: dict[str, Any]) -> dict[str, str]:
    answer = client.post(CORRECTIONS, json=payload)
    assert answer.status_code == 422
    assert answer.headers["content-type"].startswith("application/problem+json")
    return {error["pointer"]: error["detail"] for error in answer.json()["errors"]}


def test_the_last_pass_is_learnt_from(client: TestClient[Any], second: dict[str, Any]) -> None:
    answer = answered(client, second)
    told = {one.adjuster: one for one in answer.followed}
    assert sorted(told) == ["front-left", "rear"]
    left, rear = told["front-left"], told["rear"]
    assert left.response == pytest.approx(0.71, abs=2 * left.u)
    assert left.moved == pytest.approx(left.asked * left.response)
    assert not left.follows
    assert "0.5 mm" in left.says  # the M3 thread that moves 0.71 of what an M4 would
    assert rear.follows
    assert rear.response == pytest.approx(1.02, abs=2 * rear.u)
    assert answer.forecast is not None
    assert 1 <= answer.forecast.passes <= answer.forecast.at_most
    assert answer.doubts == []


def test_what_is_asked_allows_for_what_was_learnt(client: TestClient[Any], second: dict[str, Any]) -> None:
    learnt = answered(client, second)
    del second["survey"]["previous"]
    plain = answered(client, second)
    assert plain.followed == []
    assert plain.forecast is None
    assert [move.travel for move in learnt.moves] == [move.travel for move in plain.moves]
    assert all(move.ask is None for move in plain.moves)
    (with_,) = (move for move in learnt.moves if move.ask is not None)  # the other adjuster followed
    (without,) = (move for move in plain.moves if move.adjuster == with_.adjuster)
    divisor = next(one.divisor for one in learnt.followed if one.adjuster == with_.adjuster)
    assert with_.ask == pytest.approx(with_.travel / divisor)
    assert with_.turns == pytest.approx(without.turns / divisor)
    assert with_.direction == without.direction


def test_it_is_told_in_text(client: TestClient[Any], second: dict[str, Any]) -> None:
    told = client.post(CORRECTIONS, json=second, headers={"Accept": "text/plain"}).text
    assert "front-left moved 0.71 of what was asked (u 0.0" in told
    assert "Passes: This pass should bring the total inside" in told
    assert max(map(len, told.splitlines())) <= 100


def test_an_adjuster_turned_the_wrong_way_comes_first(client: TestClient[Any], second: dict[str, Any]) -> None:
    moves = second["survey"]["previous"]["moves"]
    moves[0]["travel"] *= -1
    answer = answered(client, second)
    left = next(one for one in answer.followed if one.adjuster == "front-left")
    assert left.response < -0.6
    assert "wrong way" in left.says
    assert "front-left" in answer.cautions[0]
    assert all(move.ask is None for move in answer.moves if move.adjuster == "front-left")


def test_earlier_passes_are_counted_in(client: TestClient[Any], second: dict[str, Any]) -> None:
    once = answered(client, second).followed
    previous = second["survey"]["previous"]
    previous["earlier"] = [
        {"readings": copy.deepcopy(previous["readings"]), "moves": [{"adjuster": "front-right", "travel": 0.2}]}
    ]
    for reading in previous["earlier"][0]["readings"]:  # front-right raised by 0.2 mm: its share of each station
        reading["value"] -= 0.2 * (0.5 + (reading["x"] - 200) / 350 - (reading["y"] - 25) / 700)
    answer = answered(client, second)
    told = {one.adjuster: one for one in answer.followed}
    assert told["front-right"].response == pytest.approx(1.0, abs=0.01)
    for one in once:
        assert told[one.adjuster].response == pytest.approx(one.response, abs=one.u)
    assert answer.doubts == []


def test_every_fault_of_the_passes_is_listed(client: TestClient[Any], second: dict[str, Any]) -> None:
    previous = second["survey"]["previous"]
    elsewhere = [{"x": 50 * i + 31, "y": 77 * (i % 3) + 33, "value": 0.0} for i in range(4)]
    previous["earlier"] = [{"readings": elsewhere, "moves": [{"adjuster": "chimney", "travel": 0.1}]}]
    previous["moves"].append({"adjuster": "rear", "travel": 0.1})
    previous["moves"].append({"adjuster": "left-front", "travel": 0.1})
    previous["readings"][3]["x"] = 401
    previous["readings"][4]["y"] = -1
    previous["readings"][5]["time"] = "noon"
    found = refused(client, second)
    base = "/survey/previous"
    assert sorted(found) == sorted(
        [
            f"{base}/earlier/0/moves/0/adjuster",
            f"{base}/earlier/0/readings",
            f"{base}/moves/2/adjuster",
            f"{base}/moves/3/adjuster",
            f"{base}/readings/3/x",
            f"{base}/readings/4/y",
            f"{base}/readings/5/time",
            f"{base}/readings/0/time",
        ]
    )
    assert "front-left, front-right, rear" in found[f"{base}/moves/3/adjuster"]


def test_no_common_station_is_refused(client: TestClient[Any], second: dict[str, Any]) -> None:
    for reading in second["survey"]["previous"]["readings"]:
        reading["x"] += 1
    assert list(refused(client, second)) == ["/survey/previous/readings"]


def test_readings_that_cannot_be_reduced_point_into_their_own_pass(
    client: TestClient[Any], second: dict[str, Any]
) -> None:
    previous = second["survey"]["previous"]
    previous["readings"] = previous["readings"][:2]
    assert list(refused(client, second)) == ["/survey/previous/readings"]


@pytest.mark.parametrize(
    "spoil",
    [
        lambda previous: previous.pop("readings"),
        lambda previous: previous.update(moves=[]),
        lambda previous: previous.update(note="by hand"),
        lambda previous: previous["moves"][0].update(travel="0.1"),
        lambda previous: previous["moves"][0].update(travel=1e4),
        lambda previous: previous.update(earlier=[{"readings": [], "moves": []}]),
    ],
)
def test_malformed_passes_are_refused(client: TestClient[Any], second: dict[str, Any], spoil: Any) -> None:
    spoil(second["survey"]["previous"])
    assert all(pointer.startswith("/survey/previous") for pointer in refused(client, second))


def test_a_pass_too_small_to_learn_from_changes_nothing(client: TestClient[Any], second: dict[str, Any]) -> None:
    previous = second["survey"]["previous"]
    previous["readings"] = copy.deepcopy(second["survey"]["readings"])
    for move in previous["moves"]:
        move["travel"] = 0.001
    answer = answered(client, second)
    assert all(one.follows for one in answer.followed)
    assert all(move.ask is None for move in answer.moves)
    assert all("too small" in one.says for one in answer.followed)
