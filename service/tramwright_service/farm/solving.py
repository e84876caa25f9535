"""Questions about stored surveys: the request is put together from its parts, and solved as one that was sent."""

from __future__ import annotations

from contextlib import suppress
from typing import Any, NamedTuple

import msgspec
from litestar.types import Receive
from msgspec import Raw, Struct
from msgspec.structs import replace

from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.options import Solve
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import MovesAnswer, Traced

from ..execution.corrections import Corrections
from ..execution.plug_ins.messages import CORRECTIONS, Ask
from ..wire.encode import as_json
from ..wire.problems import INVALID, RequestError
from ..wire.quick_reader import remembering
from ..wire.requests import correction_request
from ..wire.stored import SurveyEntry
from .machines import Parts, parts_of
from .surveys import Basis, Learnt, Past, Sent
from .tables import digest
from .tracks import terms

_encode = msgspec.json.Encoder().encode
_machine = msgspec.json.Decoder(Machine).decode
_moves_answer = msgspec.json.Decoder(MovesAnswer).decode


class Solved(NamedTuple):
    """A survey solved: its document, the digest of the request, what it learnt from, and what is stored of the
    answer."""

    document: bytes
    input: str
    learnt_from: Learnt
    answer: bytes
    terms: bytes


def moves_answer(answer: bytes) -> bytes:
    """Return what is stored of a whole answer: totals, verdict and moves."""
    return _encode(_moves_answer(answer))


class _With(Struct):
    with_: Raw = msgspec.field(name="with", default=Raw(b"[]"))


_with = msgspec.json.Decoder(_With).decode


class _Described(NamedTuple):
    """A description, and what is asked about it."""

    parts: Parts
    machine: Machine
    solve: Solve[Any]


class Solving:
    """Asks the solvers of this process about what is stored."""

    def __init__(self, corrections: Corrections) -> None:
        self.threads = corrections.threads
        self._corrections = corrections
        options: Any = Solve
        self._correction: Any = msgspec.json.Decoder(correction_request(corrections.registry))
        self._options: Any = msgspec.json.Decoder(options[corrections.registry.union()])
        self._described = remembering(self._read)

    def _read(self, document: bytes) -> _Described:
        parts = parts_of(document)
        return _Described(parts, _machine(parts.machine), self._options.decode(parts.solve))

    async def first(self, basis: Basis, entry: SurveyEntry[Any], receive: Receive) -> Solved:
        """Solve a survey that has just come, with the moves of the passes before it where it brings none of its own.

        Raises:
            SolverError, RequestError: as for :meth:`Corrections.answer`.
        """
        parts, machine, solve = self._described(basis.description.document)
        survey, options = entry.survey, parts.solve
        if entry.solve is not None:
            solve, options = entry.solve, Raw(_encode(entry.solve))
        document = _encode(Sent(Raw(own := _encode(survey)), options, entry.note, survey.taken_at))
        if basis.previous is not None and survey.previous is None:
            learning: Any = Raw(basis.previous)
            request = composed(parts, _encode(replace(survey, previous=learning)), options)
            asked = self._correction.decode(request)
            with suppress(Refused):  # what the store adds must not refuse a survey; what is wrong with it is told below
                answer = await self._answer(asked.machine, asked.survey, asked.solve, request, receive)
                return Solved(document, digest(request), basis.learnt_from, *_kept(answer, machine))
        request = composed(parts, own, options)
        answer = await self._answer(machine, survey, solve, request, receive)
        return Solved(document, digest(request), (), *_kept(answer, machine))

    async def _answer(
        self, machine: Machine, survey: Survey, solve: Solve[Any], request: bytes, receive: Receive
    ) -> Traced:
        asked = SurveyRequest(machine, survey, solve)
        return await self._corrections.traced(asked, Ask(CORRECTIONS, request), receive)


def _kept(answer: Traced, machine: Machine) -> tuple[bytes, bytes]:
    """Return what is stored of an answer: totals, verdict and moves, and its terms.

    Raises:
        ArithmeticError: a number in it is not finite.
    """
    return as_json(answer.moves), terms(answer.breakdown, answer.stations, machine.bed)


def correction_of(past: Past) -> bytes:
    """Return the request that a stored survey was solved from, as JSON."""
    survey = past.sent.survey
    if past.basis.previous is not None:
        survey = Raw(_encode(msgspec.json.decode(survey) | {"previous": Raw(past.basis.previous)}))
    return composed(parts_of(past.basis.description.document), survey, past.sent.solve)


def comparison_of(before: Past, after: Past, **options: str) -> bytes:
    """Return the request that compares two stored surveys, by the description that the later one was taken with.

    Raises:
        RequestError: the two were read in different units.
    """
    earlier, later = (parts_of(one.basis.description.document) for one in (before, after))
    if earlier.units != later.units:
        detail = (
            f"The earlier survey was read in {earlier.units} and the later one in {later.units}; compare two that were "
            "read in the same unit."
        )
        raise RequestError(INVALID, detail)
    parts = {
        "machine": later.machine,
        "before": before.sent.survey,
        "after": after.sent.survey,
        "solve": {"with": _with(after.sent.solve).with_},
        **options,
    }
    return _encode(parts)


def composed(described: Parts, survey: bytes | Raw, solve: Raw) -> bytes:
    """Return the request for a correction as JSON."""
    return _encode({"machine": described.machine, "survey": Raw(survey), "solve": solve})
