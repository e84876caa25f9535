"""A survey has one answer, to the last byte, whatever stands beside it in the stack and at whatever detail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from unittest.mock import patch

import msgspec
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from strategies import GROUPS, jobs
from tramwright_service.catalogue import examples
from tramwright_service.wire.decode import Decoder
from tramwright_service.wire.media_types import JSON
from tramwright_service.wire.requests import CorrectionRequest, correction_request
from tramwright_solvers.correction import together as lone
from tramwright_solvers.correction.api import correct, correct_stack, reduce_stack
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import (
    StackWriter,
    SurveyRequest,
    answer_many,
    moves,
    traced,
    verdicts,
    whole,
)
from tramwright_solvers.mechanisms import BUILT_IN, ThreeScrew
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Criterion, Solve
from tramwright_solvers.model.survey import Made, Previous, Reading, Survey

REGISTRY = build(BUILT_IN)
SIZES = (2, 3, 16, 17, 40)
KINDS = ("one zero", "repeats", "two set-ups", "drift")


def asked(name: str) -> tuple[Machine, Solve[Any]]:
    """Machine and options of a shipped example."""
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(REGISTRY), REGISTRY)
    request = decoder.decode(examples.read(name), JSON.encode())
    return request.machine, request.solve


def surveys(machine: Machine, count: int, kind: str, side: int = 5) -> list[Survey]:
    """Invented surveys of one machine, all read alike: tilt and twist of tenths, scatter of a hundredth."""
    random = np.random.default_rng(5)
    (left, right), (front, rear) = machine.bed.x, machine.bed.y
    x, y = (line.ravel() for line in np.meshgrid(np.linspace(left, right, side), np.linspace(front, rear, side)))
    u, v = (x - left) / (right - left), (y - front) / (rear - front)
    made = []
    for _ in range(count):
        tilt, twist = random.normal(0.0, 0.1, 2), random.normal(0.0, 0.1)
        values = tilt[0] * u + tilt[1] * v + twist * u * v + random.normal(0.0, 0.01, len(x))
        made.append(Survey(readings(x.tolist(), y.tolist(), values.tolist(), kind)))
    return made


def readings(x: Sequence[float], y: Sequence[float], values: Sequence[float], kind: str) -> list[Reading]:
    stations = list(zip(x, y, values, strict=True))
    if kind == "repeats":
        return [Reading(x, y, [value, value + 0.003, value - 0.002]) for x, y, value in stations]
    if kind == "two set-ups":
        half = len(stations) // 2
        return [
            *(Reading(x, y, value, "a") for x, y, value in stations[: half + 3]),
            *(Reading(x, y, value + 0.3, "b") for x, y, value in stations[half:]),
        ]
    plain = [Reading(x, y, value) for x, y, value in stations]
    return [*plain, replace(plain[0], value=values[0] + 0.02)] if kind == "drift" else plain


def encoded(answers: Sequence[msgspec.Struct]) -> list[bytes]:
    return [msgspec.json.encode(answer) for answer in answers]


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "name", ["tilted-bed", "twisted-frame", "bad-machine", "four-screws", "six-screws", "three-vees"]
)
def test_an_answer_does_not_depend_on_its_stack(name: str, kind: str) -> None:
    machine, solve = asked(name)
    every = surveys(machine, max(SIZES), kind)
    alone = [msgspec.json.encode(correct(machine, survey, solve, REGISTRY)) for survey in every]
    for size in SIZES:
        assert encoded(correct_stack(machine, every[:size], solve, REGISTRY)) == alone[:size]


@pytest.mark.parametrize("name", ["minimum-zone", "shimmed-rails"])
def test_nor_does_one_that_is_searched_for(name: str) -> None:
    machine, solve = asked(name)
    every = surveys(machine, 3, "one zero", side=4)
    alone = [msgspec.json.encode(correct(machine, survey, solve, REGISTRY)) for survey in every]
    assert encoded(correct_stack(machine, every, solve, REGISTRY)) == alone


def moved(name: str, count: int) -> list[SurveyRequest]:
    """Invented surveys like those of a shipped example, each of a machine of its own with supports, seats and stations
    moved by up to two hundredths of the bed's side."""
    (machine, solve), random = asked(name), np.random.default_rng(7)
    made = []
    for number, survey in enumerate(surveys(machine, count, "one zero")):
        by = iter((random.uniform(-0.02, 0.02, 200) * (machine.bed.x[1] - machine.bed.x[0])).tolist())
        supports = [replace(one, x=one.x + next(by), y=one.y + next(by)) for one in machine.supports]
        rails = machine.rails
        if rails is not None:
            rails = replace(rails, seats=[replace(seat, y=seat.y + next(by)) for seat in rails.seats])
        inside = machine.bed.x[1] - machine.bed.x[0]
        places = [replace(one, x=0.02 * inside + 0.96 * one.x + next(by)) for one in survey.readings]
        own = replace(machine, id=f"wren-{number}", supports=supports, rails=rails)
        made.append(SurveyRequest(own, Survey(places), solve))
    return made


@pytest.mark.parametrize("offset", ["free", "keep"])
@pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
@pytest.mark.parametrize(
    "name", ["tilted-bed", "twisted-frame", "bad-machine", "four-screws", "six-screws", "three-vees"]
)
def test_nor_does_it_depend_on_other_machines_beside_it(name: str, criterion: Criterion, offset: str) -> None:
    count = 9 if criterion == "least-squares" else 3
    asked_of = [replace_solve(one, criterion, offset) for one in moved(name, count)]
    details: list[tuple[StackWriter[Any], Any]] = [
        (verdicts, ReducedStack.verdict_answers),
        (moves, ReducedStack.moves_answers),
        (traced, ReducedStack.traced),
        (whole, ReducedStack.corrections),
    ]
    for write, alone in details:
        together = answer_many(asked_of, REGISTRY, write)
        for one, answer in zip(asked_of, together, strict=True):
            (own,) = alone(reduce_stack(one.machine, [one.survey], one.solve, REGISTRY))
            assert msgspec.json.encode(answer) == msgspec.json.encode(own)


def replace_solve(one: SurveyRequest, criterion: Criterion, offset: Any) -> SurveyRequest:
    return one._replace(solve=replace(one.solve, criterion=criterion, offset=offset))


@pytest.mark.parametrize("group", sorted(GROUPS))
@given(
    st.data(), st.sampled_from([None, 0.0, 0.2, 2.0]), st.sampled_from([None, 1, 2]), st.sampled_from(["free", "keep"])
)
def test_any_machines_beside_each_other_are_judged_as_each_alone(
    group: str, data: st.DataObject, aim: float | None, most: int | None, offset: Any
) -> None:
    met = data.draw(st.lists(jobs(group), min_size=2, max_size=4))
    count = min(len(survey.readings) for _, survey in met)
    solve: Solve[Any] = Solve(aim_for=aim, most_moves=most, offset=offset)
    beside = [SurveyRequest(machine, Survey(survey.readings[:count]), solve) for machine, survey in met]
    details: dict[StackWriter[Any], Any] = {verdicts: ReducedStack.verdict_answers, whole: ReducedStack.corrections}
    for write, alone in details.items():
        for one, answer in zip(beside, answer_many(beside, REGISTRY, write), strict=True):
            (own,) = alone(reduce_stack(one.machine, [one.survey], one.solve, REGISTRY))
            assert msgspec.json.encode(answer) == msgspec.json.encode(own)


@pytest.mark.parametrize("name", ["tilted-bed", "twisted-frame"])
@pytest.mark.parametrize("write", [verdicts, moves, traced, whole])
def test_together_of_like_machines_are_judged_in_one_go(name: str, write: StackWriter[Any]) -> None:
    with patch.object(lone, "decide_together", wraps=lone.decide_together) as judging:
        assert len(answer_many(moved(name, 9), REGISTRY, write)) == 9
    assert [len(call.args[0]) for call in judging.call_args_list] == [9]


@pytest.mark.parametrize("name", ["tilted-bed", "twisted-frame"])
@pytest.mark.parametrize("write", [verdicts, moves, traced, whole])
def test_few_surveys_of_each_machine_are_judged_with_those_of_others(name: str, write: StackWriter[Any]) -> None:
    machines, asked_for = moved(name, 4), list[SurveyRequest]()
    for again in range(4):  # one of the first machine, four of the last
        for machine in machines[again:]:
            read = [
                replace(one, value=one.value + 0.02 * again * (at % 3))
                for at, one in enumerate(machine.survey.readings)
            ]
            asked_for.append(machine._replace(survey=Survey(read)))
    with patch.object(lone, "decide_together", wraps=lone.decide_together) as judging:
        together = answer_many(asked_for, REGISTRY, write)
    assert [len(call.args[0]) for call in judging.call_args_list] == [1 + 2 + 3]
    for one, answer in zip(asked_for, together, strict=True):
        (own,) = write([reduce_stack(one.machine, [one.survey], one.solve, REGISTRY)])[0]
        assert msgspec.json.encode(answer) == msgspec.json.encode(own)


def test_what_is_held_keeps_nobody_apart() -> None:
    held = Solve(with_=[ThreeScrew(hold=(asked("tilted-bed")[0].supports[0].id,))])
    beside = [one._replace(solve=held) for one in moved("tilted-bed", 5)]
    with patch.object(lone, "decide_together", wraps=lone.decide_together) as one:
        together = answer_many(beside, REGISTRY, verdicts)
    assert [len(call.args[0]) for call in one.call_args_list] == [5]
    for request, answer in zip(beside, together, strict=True):
        (own,) = reduce_stack(request.machine, [request.survey], held, REGISTRY).verdict_answers()
        assert msgspec.json.encode(answer) == msgspec.json.encode(own)


def test_what_is_wrong_with_one_machine_is_told_of_that_one_alone() -> None:
    """Three are sound; one has its supports on a line, one is read off its bed, one asks of a past pass in vain."""
    six = moved("tilted-bed", 6)
    flat = [replace(one, y=40.0) for one in six[1].machine.supports]
    six[1] = six[1]._replace(machine=replace(six[1].machine, supports=flat))
    off = [replace(six[3].survey.readings[0], x=-400.0), *six[3].survey.readings[1:]]
    six[3] = six[3]._replace(survey=Survey(off))
    past = Previous(six[4].survey.readings, [Made("no-such-screw", 0.1)])
    six[4] = six[4]._replace(survey=replace(six[4].survey, previous=past))
    for write in (verdicts, moves, traced, whole):
        told = answer_many(six, REGISTRY, write)
        assert [isinstance(one, Refused) for one in told] == [False, True, False, True, True, False]
        pointers = [one.faults[0].pointer for one in told if isinstance(one, Refused)]
        assert pointers == ["/machine/supports", "/survey/readings/0/x", "/survey/previous/moves/0/adjuster"]


@pytest.mark.parametrize("aim", [None, 0.0, 0.05, 0.1, 0.3])
@pytest.mark.parametrize("criterion", ["least-squares", "minimum-zone"])
@pytest.mark.parametrize("name", ["tilted-bed", "twisted-frame"])
def test_less_detail_says_the_same(name: str, criterion: Criterion, aim: float | None) -> None:
    machine, solve = asked(name)
    solve = replace(solve, criterion=criterion, aim_for=aim)
    every = surveys(machine, 12, "one zero", side=4)
    whole = [msgspec.to_builtins(answer) for answer in correct_stack(machine, every, solve, REGISTRY)]
    for answer in whole:
        del answer["predicted"]["stations"]
    done = reduce_stack(machine, every, solve, REGISTRY)
    for answers in (done.moves_answers(), done.verdict_answers()):
        for answer, full in zip(answers, whole, strict=True):
            less = msgspec.to_builtins(answer)
            assert less == {key: full[key] for key in less}
