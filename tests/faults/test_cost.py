"""What one request may take: told before any work, refused with the numbers, and kept by what is accepted."""

from __future__ import annotations

import json
import subprocess
import sys
import tracemalloc
from pathlib import Path
from typing import Any

import msgspec
import pytest
from litestar.testing import TestClient

from batch_lines import cut_all, lines, requests
from costliest import Shape, costliest
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.http.app import create_app
from tramwright_service.settings import Settings
from tramwright_solvers.adjustment import candidates, constrained_lsq, subset_lsq
from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.cost import Cost, Most, correction_cost, plan_cost
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.model.errors import OutOfTime, Refused
from tramwright_solvers.model.survey import Reading
from tramwright_solvers.planning import Area, PlanSolve, plan_survey

REGISTRY = build(BUILT_IN)
NOW = Deadline(end=0.0)
LEAST = 2**26
MANY = Shape(False, 64, 2000, 1, 1, zone=False, bounded=False, learning=False)

ALONE = """
import resource, sys
from tramwright_solvers.correction.api import correct
from costliest import Shape
peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
for small in (Shape(True, 4, 30, 2, 2, True, True, True), Shape(True, 0, 400, 1, 1, False, False, False)):
    correct(*small.request())
before = peak()
shape = Shape(*map(int, sys.argv[1:]))
correct(*shape.request())
print(peak() - before)
"""
"""Prints what a request adds to the largest size that the process has had."""


def taken(shape: Shape) -> int:
    command = [sys.executable, "-c", ALONE, *(str(int(value)) for value in shape)]
    here = {"cwd": Path(__file__).parents[1], "capture_output": True, "timeout": 300}
    # the overloads do not know these keywords by a dictionary
    done = subprocess.run(command, check=False, **here)  # type: ignore[call-overload]
    assert done.returncode == 0, done.stderr.decode()
    return int(done.stdout)


@pytest.mark.parametrize("seconds", [1.5, 4.0])
def test_the_costliest_request_accepted_keeps_to_its_memory(seconds: float) -> None:
    most = Most(seconds, 2.0**28)
    shape = costliest(most, lambda cost: cost.bytes)
    cost = correction_cost(*shape.request())
    assert 0.8 * most.bytes < cost.bytes <= most.bytes, shape  # the search has found the edge
    assert taken(shape) <= cost.bytes, shape


def test_the_costliest_in_time_is_at_the_edge_of_what_is_accepted() -> None:
    most = Most(30.0, 2.0**29)
    assert correction_cost(*costliest(most, lambda cost: cost.seconds).request()).seconds > 0.8 * most.seconds


@pytest.mark.parametrize(
    "shape",
    [
        MANY,
        MANY._replace(readings=20_000),
        MANY._replace(seats=8, readings=20_000),
        MANY._replace(screws=True, seats=12, readings=400),
        MANY._replace(screws=True, seats=0, readings=400),
    ],
)
def test_what_is_not_a_matter_of_milliseconds_leaves_the_event_loop(shape: Shape) -> None:
    assert not correction_cost(*shape.request()).quick


@pytest.mark.parametrize("setting", ["zone", "bounded", "learning"])
def test_what_is_improved_step_by_step_leaves_the_event_loop_however_small(setting: str) -> None:
    plain = Shape(True, 4, 25, 1, 1, zone=False, bounded=False, learning=False)
    assert correction_cost(*plain.request()).quick
    assert not correction_cost(*plain._replace(**{setting: True}).request()).quick


def test_a_request_over_the_bound_is_refused_with_the_numbers_and_what_to_do() -> None:
    machine, survey, solve = MANY._replace(zone=True, readings=4000).request()
    with TestClient(create_app(Settings(seconds=2, memory=LEAST), REGISTRY)) as client:
        answer = client.post(
            "/v1/corrections",
            content=msgspec.json.encode({"machine": machine, "survey": survey, "solve": solve}),
            headers={"Content-Type": "application/json"},
        )
        assert answer.status_code == 422
        (fault,) = answer.json()["errors"]
        assert fault["pointer"] == "/survey/readings"
        for said in ("4000 readings with 64 adjusters", "of 2 s", "of 67 MB", "fewer readings", "least-squares"):
            assert said in fault["detail"]
        both = {"machine": machine, "before": {"readings": survey.readings}, "after": {"readings": survey.readings}}
        answer = client.post(
            "/v1/comparisons", content=msgspec.json.encode(both), headers={"Content-Type": "application/json"}
        )
        assert (answer.status_code, answer.json()["errors"][0]["pointer"]) == (422, "/after")


def test_a_line_over_the_bound_is_refused_and_its_neighbours_are_answered() -> None:
    machine, survey, _ = MANY._replace(readings=20_000).request()
    dear = msgspec.to_builtins({"machine": machine, "survey": survey})
    beside = requests(6)
    (chunk,) = cut_all(iter([lines([*beside[:3], dear, *beside[3:]])]), "moves", 2**21, most_lines=128)
    told = [json.loads(line) for line in LineAnswerer(REGISTRY, most=Most(30.0, LEAST)).answer(chunk).body.splitlines()]
    assert [one.get("problem", {}).get("status") for one in told] == [None] * 3 + [422] + [None] * 3
    assert [one["line"] for one in told] == list(range(1, 8))


@pytest.mark.parametrize("detail", ["verdict", "moves", "full"])
def test_long_work_is_answered_in_parts_with_the_same_bytes(detail: Any) -> None:
    every = [*requests(7, "shimmed-rails"), *requests(3), b"{", b"", *requests(2, "minimum-zone")]
    (chunk,) = cut_all(iter([lines(every)]), detail, 2**21, most_lines=128)
    whole, parts = LineAnswerer(REGISTRY, most=Most()), LineAnswerer(REGISTRY, most=Most(6.0))
    first = parts.begin(chunk)
    assert first.left == len(every) - 1  # each may take five seconds and a little
    told = parts.answer(chunk)
    assert told.body == whole.answer(chunk).body
    assert told.tally == whole.answer(chunk).tally


def test_plans_and_searches_stop_when_nobody_waits() -> None:
    machine, survey, solve = Shape(True, 12, 100, 1, 1, zone=False, bounded=True, learning=False).request()
    for criterion in ("least-squares", "minimum-zone"):
        with pytest.raises(OutOfTime):
            correct(machine, survey, msgspec.structs.replace(solve, criterion=criterion), REGISTRY, within=NOW)
    with pytest.raises(OutOfTime):
        plan_survey(machine, PlanSolve(), Area(), registry=REGISTRY, within=NOW)
    assert plan_cost(machine).bytes < LEAST


def test_a_time_limit_that_has_passed_is_an_answer_and_no_error() -> None:
    example = requests(1, "shimmed-rails")[0]
    (chunk,) = cut_all(iter([lines([example | {"solve": {"time_limit": 0.001}}])]), "moves", 2**21, most_lines=1)
    (told,) = LineAnswerer(REGISTRY).answer(chunk).body.splitlines()
    assert json.loads(told)["chosen"]["outcome"] in ("stopped", "reached", "best")


def test_with_very_many_readings_fewer_subsets_are_weighed_and_the_answer_says_so() -> None:
    machine, survey, solve = MANY._replace(seats=12, readings=5000).request()
    chosen = correct(machine, survey, solve, REGISTRY).chosen
    assert chosen.exact_up_to == candidates.exact_moves(12, 5000) == 5
    assert candidates.exact_moves(12, 2000) == 12
    assert [candidates.exact_moves(free, 25) for free in (0, 1, 12, 13, 64)] == [0, 1, 12, 6, 2]


def test_what_remains_is_the_same_whether_prepared_or_lifted(monkeypatch: pytest.MonkeyPatch) -> None:
    machine, survey, solve = Shape(True, 6, 49, 1, 1, zone=False, bounded=False, learning=False).request()
    prepared = correct(machine, survey, solve, REGISTRY)
    monkeypatch.setattr(subset_lsq, "MOST_LEFT", 0)
    lifted = correct(msgspec.structs.replace(machine, id="dipper-08"), survey, solve, REGISTRY)
    assert [move.adjuster for move in lifted.moves] == [move.adjuster for move in prepared.moves]
    for one, other in zip(prepared.predicted.stations, lifted.predicted.stations, strict=True):
        assert one.gap == pytest.approx(other.gap, abs=1e-12)


def test_bounded_travels_are_the_same_with_few_rows_and_with_many(monkeypatch: pytest.MonkeyPatch) -> None:
    machine, survey, solve = Shape(True, 4, 81, 1, 1, zone=False, bounded=True, learning=False).request()
    plain = correct(machine, survey, solve, REGISTRY)
    monkeypatch.setattr(constrained_lsq, "MANY", 8)
    few = correct(machine, survey, solve, REGISTRY)
    assert [move.travel for move in few.moves] == pytest.approx([move.travel for move in plain.moves], abs=1e-9)


def test_the_check_names_both_numbers() -> None:
    with pytest.raises(Refused, match=r"about 12 of 10 s and 3 of 200 MB"):
        Most(10.0, 2e8).check(Cost(12.0, 3e6), "/survey", "It", "send less")
    Most(10.0, 2e8).check(Cost(10.0, 2e8), "/survey", "It", "send less")


def test_more_held_than_there_are_is_refused_and_no_fault() -> None:
    machine, survey, _ = Shape(True, 0, 25, 1, 1, zone=False, bounded=False, learning=False).request()
    held = [{"solver": "three-screw", "hold": [f"finch-{number}" for number in range(9)]}]
    with TestClient(create_app(Settings(log_level="error"), REGISTRY), raise_server_exceptions=False) as client:
        asked = {"machine": machine, "survey": survey, "solve": {"with": held}}
        answer = client.post(
            "/v1/corrections", content=msgspec.json.encode(asked), headers={"Content-Type": "application/json"}
        )
    assert answer.status_code == 422, answer.text
    assert answer.json()["errors"][0]["pointer"] == "/solve/with/0/hold/0"


def test_a_closing_error_of_very_many_readings_takes_no_square_of_their_number() -> None:
    machine, survey, solve = Shape(True, 0, 6000, 1, 1, zone=False, bounded=False, learning=False).request()
    first = survey.readings[0]
    survey.readings.append(Reading(first.x, first.y, first.value + 0.5, first.setup))
    correct(machine, survey, solve, REGISTRY)  # what is prepared once
    tracemalloc.start()
    answer = correct(machine, survey, solve, REGISTRY)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert answer.advice.do == "read-again"
    assert "closed by" in answer.says
    assert peak < min(correction_cost(machine, survey, solve).bytes, 8 * 6000**2 / 2)
