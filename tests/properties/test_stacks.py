"""A survey has one answer, to the last byte, whatever stands beside it in the stack and at whatever detail."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np
import pytest
from msgspec.structs import replace

from tramwright_service import examples
from tramwright_service.decoding import JSON, Decoder
from tramwright_service.payloads import CorrectionRequest, correction_request
from tramwright_solvers.adjust.problem import Criterion
from tramwright_solvers.correction import correct, correct_stack, judge_stack, move_stack
from tramwright_solvers.machine import Machine, Reading, Survey
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.registry import build
from tramwright_solvers.solve import Solve

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
@pytest.mark.parametrize("name", ["tilted-bed", "twisted-frame", "bad-machine", "four-screws", "three-vees"])
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
    for answers in (move_stack(machine, every, solve, REGISTRY), judge_stack(machine, every, solve, REGISTRY)):
        for answer, full in zip(answers, whole, strict=True):
            less = msgspec.to_builtins(answer)
            assert less == {key: full[key] for key in less}
