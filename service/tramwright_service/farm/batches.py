"""Batches and the store: stored machines that a stream names, and surveys that it has stored."""

from __future__ import annotations

import asyncio

import msgspec
import structlog
from msgspec import Raw, Struct

from tramwright_solvers.model.errors import Fault
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import USUAL
from tramwright_solvers.model.survey import Survey

from ..batch.lines import ChunkAnswer
from ..batch.splitter import Chunk
from ..wire.problems import INVALID, SCOPE, Problem, RequestError, describe
from ..wire.stored import MachineEntry, can_be_stored
from . import times
from .expectations import Expected
from .machines import Description, Machines, parts_of
from .posting import Poster, Posting
from .solving import composed, moves_answer
from .surveys import Sent
from .tables import digest
from .tracks import terms_in

NONE = Raw(msgspec.json.encode(USUAL))
"""The options of a line that says none."""


class _Line(Struct, frozen=True):
    """A line of a batch, its options left as bytes."""

    machine: Machine | str
    survey: Survey
    solve: Raw = NONE
    id: str | None = None


class _Answered(Struct, frozen=True):
    """What is read of the answer to a line: which line it is, and whether it has one."""

    line: int
    problem: Raw = Raw(b"")


_encode = msgspec.json.Encoder().encode
_line = msgspec.json.Decoder(_Line).decode
_answered = msgspec.json.Decoder(_Answered).decode
_machine = msgspec.json.Decoder(Machine).decode


class Batches:
    """What a batch finds in one store, and leaves there."""

    def __init__(self, machines: Machines, poster: Poster, *, describes: bool) -> None:
        self._machines = machines
        self._poster = poster
        self._describes = describes

    async def knowing(self, chunk: Chunk) -> Chunk:
        """Return a chunk with the descriptions of the stored machines that it names.

        Raises:
            RequestError: the store cannot be read.
        """
        found = await self._machines.current(set(chunk.unknown.values()))
        return chunk.knowing({name: bytes(parts_of(one.document).machine) for name, one in found.items()})

    async def keep(self, chunk: Chunk, answered: ChunkAnswer) -> dict[int, Problem]:
        """Store every line that was answered, with its machine.

        Returns, once all are on the disk, the numbers of the lines that could not be stored, each with the reason; such
        a line may have been stored all the same, and is stored once when it is sent again.
        """
        lines = dict[int, tuple[_Line, Machine, bytes]]()
        for body in answered.body.splitlines():
            told = _answered(body)
            if not told.problem:
                line = _line(chunk.lines[told.line - chunk.first])
                own = line.machine
                if isinstance(own, str):
                    own = _machine(chunk.machines[chunk.named[told.line - chunk.first]])
                lines[told.line] = line, own, body
        try:
            known = await self._machines.current({machine.id for _, machine, _ in lines.values()})
        except RequestError as error:
            return dict.fromkeys(lines, describe(error))
        why, posts = dict[int, Problem](), dict[int, asyncio.Future[object]]()
        for number, (line, machine, body) in lines.items():  # in their order: a line is stored after those before it
            try:
                description = await self._description(machine, known, named=isinstance(line.machine, str))
                posts[number] = asyncio.ensure_future(self._poster.post(posting(description, line, body)))
            except Exception as error:  # whatever it is, it is this line's problem and nobody else's
                why[number] = _problem(error)
        for number, ended in zip(posts, await asyncio.gather(*posts.values(), return_exceptions=True), strict=True):
            if isinstance(ended, Exception):
                why[number] = _problem(ended)
        return why

    async def _description(self, machine: Machine, known: dict[str, Description], *, named: bool) -> Description:
        """Return the description that a line was answered with, stored where it is not yet.

        A line that only names its machine changes none: what it was answered with may be an earlier version by now.
        """
        if not can_be_stored(machine.id):
            detail = (
                "A stored machine is found by its `id` in a path: it can hold no slash and be neither `.` nor `..`; "
                "give another."
            )
            raise RequestError(INVALID, detail, [Fault("/machine/id", detail)])
        description, own = known.get(machine.id), _encode(machine)
        if description is not None and bytes(parts_of(description.document).machine) == own:
            return description
        if named and (earlier := await self._machines.described_as(machine.id, own)) is not None:
            return earlier
        known[machine.id] = await self._described(machine, own)
        return known[machine.id]

    async def _described(self, machine: Machine, own: bytes) -> Description:
        """Store the description that a line has; what else is known of the machine stays.

        Raises:
            RequestError: it may not be stored, or the store fails.
        """
        if not self._describes:
            detail = (
                "The key may store surveys and no descriptions: name a stored machine, or use a key that may manage."
            )
            raise RequestError(SCOPE, detail, [Fault("/machine", detail)])

        def change(there: bytes | None) -> bytes:
            if there is None:
                return _encode(MachineEntry(machine))
            return _encode({**msgspec.json.decode(there, type=dict[str, Raw]), "machine": Raw(own)})

        return (await self._machines.put(machine.id, Expected(), change))[0]


def _problem(error: Exception) -> Problem:
    if not isinstance(error, RequestError):
        structlog.get_logger("batch").error("line not stored", exc_info=error)
    return describe(error)


def posting(description: Description, line: _Line, answer: bytes) -> Posting:
    """Return a line as a survey to be stored. The same line again has the same key."""
    survey, taken_at = _encode(line.survey), line.survey.taken_at
    sent = digest(_encode([line.id, Raw(survey), line.solve]))
    return Posting(
        description=description,
        document=_encode(Sent(Raw(survey), line.solve, None, taken_at)),
        taken_at=None if taken_at is None else times.read(taken_at),
        key=f"line {sent}",
        sent=sent,
        input=digest(composed(parts_of(description.document), survey, line.solve)),
        learnt_from=(),
        answer=moves_answer(answer),
        terms=terms_in(answer, description),
    )
