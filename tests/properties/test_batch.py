"""A survey's answer is the same bytes alone, among any others, however they are cut, and in whatever process."""

from __future__ import annotations

import asyncio
from typing import Any

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from batch_lines import cut_all, requests
from strategies import GROUPS, jobs
from tramwright_service.batch.answerer import LineAnswerer
from tramwright_service.batch.engines.local import LocalEngine
from tramwright_service.batch.splitter import DETAILS, Chunk, Detail
from tramwright_service.wire.encode import as_json
from tramwright_solvers.correction.api import reduce_stack
from tramwright_solvers.mechanisms import BUILT_IN
from tramwright_solvers.mechanisms.registry import build
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey

REGISTRY = build(BUILT_IN)
LINES = LineAnswerer(REGISTRY)
ALONE: dict[str, Any] = {
    "verdict": lambda *asked: reduce_stack(*asked).verdict_answers(),
    "moves": lambda *asked: reduce_stack(*asked).moves_answers(),
    "full": lambda *asked: reduce_stack(*asked).corrections(),
}
MOST = 2**20


def line(number: int, machine: Machine, survey: Survey, solve: Solve[Any]) -> bytes:
    return msgspec.json.encode({"id": f"n{number}", "machine": machine, "survey": survey, "solve": solve})


def in_chunks(body: bytes, detail: Detail, size: int) -> bytes:
    return b"".join(LINES.answer(chunk).body for chunk in cut_all(iter([body]), detail, MOST, size))


@given(
    st.lists(st.sampled_from(sorted(GROUPS)).flatmap(jobs), min_size=1, max_size=3),
    st.lists(st.integers(0, 2), min_size=1, max_size=12),
    st.sampled_from(DETAILS),
    st.sampled_from(["least-squares", "minimum-zone"]),
    st.data(),
)
def test_an_answer_has_the_bytes_of_the_answer_alone(
    met: list[tuple[Machine, Survey]], order: list[int], detail: Detail, criterion: Any, data: st.DataObject
) -> None:
    solve: Solve[Any] = Solve(criterion=criterion)
    asked = []
    for turn in order:
        machine, survey = met[turn % len(met)]
        lift = data.draw(st.integers(-500, 500)) / 1000
        readings = [
            msgspec.structs.replace(reading, value=reading.value + lift * reading.x / machine.bed.x[1])
            for reading in survey.readings
        ]
        asked.append((machine, Survey(readings)))
    body = b"\n".join(line(number, *one, solve) for number, one in enumerate(asked))
    whole = in_chunks(body, detail, 1000)
    assert in_chunks(body, detail, 1) == in_chunks(body, detail, 3) == whole
    for number, ((machine, survey), told) in enumerate(zip(asked, whole.splitlines(), strict=True)):
        head = b'{"id":"n%d","line":%d,' % (number, number + 1)
        (alone,) = ALONE[detail](machine, [survey], solve, REGISTRY)
        assert told == head + as_json(alone)[1:]


@pytest.mark.parametrize("detail", DETAILS)
def test_other_processes_give_the_same_bytes(detail: Detail) -> None:
    asked = [*requests(40), *requests(40, "bad-machine"), *requests(8, "minimum-zone"), *requests(2, "three-vees")]
    body = b"\n".join(map(msgspec.json.encode, asked))
    chunks: list[Chunk] = list(cut_all(iter([body]), detail, MOST, 7))

    async def answered() -> bytes:
        engine = LocalEngine(2, REGISTRY)
        done = await asyncio.gather(*map(engine.answer, chunks))
        await engine.close()
        return b"".join(one.body for one in done)

    assert asyncio.run(answered()) == in_chunks(body, detail, 1000)


HENS = ('{"id":"hen","bed":1}', '{"id":"hen","bed":2}')
WRITTEN = (
    '{"machine": MACHINE}',
    '{"id":"n","machine":MACHINE}',
    '{"x":OTHER,"machine":MACHINE}',
    '{"machine":MACHINE',
)


@example([(WRITTEN[2], HENS[0], HENS[0]), (WRITTEN[2], HENS[0], HENS[1])])
@given(st.lists(st.tuples(st.sampled_from(WRITTEN), *[st.sampled_from(HENS)] * 2), min_size=1, max_size=12))
def test_a_name_is_that_of_the_latest_description_however_its_line_is_written(
    sent: list[tuple[str, str, str]],
) -> None:
    lines = [form.replace("MACHINE", machine).replace("OTHER", other) for form, other, machine in sent]
    described = [machine.encode() for form, _, machine in sent if form != WRITTEN[3]]  # the last is broken off
    (chunk,) = cut_all(iter(["\n".join([*lines, '{"machine":"hen"}']).encode()]), "verdict", MOST, 100)
    assert chunk.machines == described[-1:]
