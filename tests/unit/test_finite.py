"""A number that is not finite never leaves: wherever it stands in an answer, it is a fault of that answer alone."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import msgspec
import pytest

from batch_lines import answers, lines, requests
from tramwright_service.batch import answerer
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.splitter import DETAILS, Chunk, Detail
from tramwright_service.wire.encode import as_json
from tramwright_solvers.correction.assemble import ReducedStack
from tramwright_solvers.correction.batching import answer_many
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.errors import SolverError
from tramwright_solvers.results.correction import VerdictAnswer

REGISTRY = build(BUILT_IN)
BAD = (math.nan, -math.nan, math.inf, -math.inf)


def places(value: Any, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Yield the way to every float in an answer as built-in values."""
    if isinstance(value, dict | list):
        for key, item in value.items() if isinstance(value, dict) else enumerate(value):
            yield from places(item, (*at, key))
    elif isinstance(value, float):
        yield at


def planted(answer: msgspec.Struct, at: tuple[Any, ...], bad: float) -> msgspec.Struct:
    """Return an answer with another number in one place."""
    if not at:
        raise ValueError("no place")

    def put(value: Any, way: Sequence[Any]) -> Any:
        if not way:
            return bad
        first, *rest = way
        if isinstance(value, list | tuple):
            return [put(one, rest) if index == first else one for index, one in enumerate(value)]
        return msgspec.structs.replace(value, **{first: put(getattr(value, first), rest)})

    told: msgspec.Struct = put(answer, at)
    return told


@pytest.mark.parametrize("detail", DETAILS)
@pytest.mark.parametrize("example", ["twisted-frame", "minimum-zone", "second-pass"])
def test_it_is_found_in_every_place_of_an_answer(detail: Detail, example: str) -> None:
    chunk = Chunk(1, detail, lines(requests(1, example)).splitlines())
    found: list[msgspec.Struct] = []

    def keep(stacks: Sequence[ReducedStack]) -> Any:
        told = answerer.WRITERS[detail](stacks)
        found.extend(one for stack in told if not isinstance(stack, SolverError) for one in stack)
        return told

    _, request = LineAnswerer(REGISTRY)._read(chunk, 0)
    answer_many([request], REGISTRY, keep)
    (answer,) = found
    assert as_json(answer)
    ways = list(places(msgspec.to_builtins(answer)))
    assert len(ways) > (10 if detail == "verdict" else 20)
    for turn, way in enumerate(ways):
        with pytest.raises(ArithmeticError):
            as_json(planted(answer, way, BAD[turn % len(BAD)]))


@pytest.mark.parametrize("detail", DETAILS)
def test_a_line_whose_answer_holds_one_is_refused_alone(detail: Detail, monkeypatch: pytest.MonkeyPatch) -> None:
    chunk = Chunk(5, detail, lines(requests(4, "twisted-frame")).splitlines())
    honest = LineAnswerer(REGISTRY).answer(chunk)
    write = answerer.WRITERS[detail]

    def spoilt(answer: VerdictAnswer) -> VerdictAnswer:
        return msgspec.structs.replace(answer, as_found=msgspec.structs.replace(answer.as_found, u=math.nan))

    def spoil(stacks: Sequence[ReducedStack]) -> Any:
        told = [list(own) for own in write(stacks) if not isinstance(own, SolverError)]
        told[0][2] = spoilt(told[0][2])
        return told

    monkeypatch.setitem(answerer.WRITERS, detail, spoil)
    told = LineAnswerer(REGISTRY).answer(chunk)
    before, after = answers(honest.body), answers(told.body)
    assert [after[at] for at in (0, 1, 3)] == [before[at] for at in (0, 1, 3)]
    assert (after[2]["id"], after[2]["line"], after[2]["problem"]["status"]) == ("survey-2", 7, 500)
    assert (told.tally.answered, told.tally.problems, told.tally.refused[0].line) == (3, 1, 7)
