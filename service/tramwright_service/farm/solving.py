"""Questions about stored surveys: the request is put together from its parts, and solved as one that was sent."""

from __future__ import annotations

from typing import Any, NamedTuple

import msgspec
from litestar.types import Receive
from msgspec import Raw, Struct
from msgspec.structs import replace

from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.model.errors import Refused
from tramwright_solvers.model.survey import Survey
from tramwright_solvers.results.correction import MovesAnswer

from ..execution.corrections import Corrections
from ..execution.plug_ins.messages import CORRECTIONS, Ask
from ..wire.problems import INVALID, RequestError
from ..wire.requests import correction_request
from .machines import Description, parts_of
from .surveys import Basis, Learnt, Past
from .tables import digest

_encode = msgspec.json.Encoder().encode
_moves_answer = msgspec.json.Decoder(MovesAnswer).decode


class Solved(NamedTuple):
    """The whole answer, the digest of the request that was solved, and what it learnt from."""

    answer: bytes
    input: str
    learnt_from: Learnt


def moves_answer(answer: bytes) -> bytes:
    """Return what is stored of an answer: totals, verdict and moves."""
    return _encode(_moves_answer(answer))


class _With(Struct):
    with_: Raw = msgspec.field(name="with", default=Raw(b"[]"))


_with = msgspec.json.Decoder(_With).decode


class Solving:
    """Asks the solvers of this process about what is stored."""

    def __init__(self, corrections: Corrections) -> None:
        self.threads = corrections.threads
        self._corrections = corrections
        self._correction: Any = msgspec.json.Decoder(correction_request(corrections.registry))

    async def first(self, basis: Basis, survey: Survey, solve: Raw | None, receive: Receive) -> Solved:
        """Solve a survey that has just come, with the moves of the passes before it where it brings none of its own.

        Raises:
            SolverError, RequestError: as for :meth:`Corrections.answer`.
        """
        solve = parts_of(basis.description.document).solve if solve is None else solve
        if basis.previous is not None and survey.previous is None:
            learning: Any = Raw(basis.previous)
            request = composed(basis.description, _encode(replace(survey, previous=learning)), solve)
            try:
                return Solved(await self._whole(request, receive), digest(request), basis.learnt_from)
            except Refused:
                pass  # what the store adds must not refuse a survey: what is wrong with the survey itself is told below
        request = composed(basis.description, _encode(survey), solve)
        return Solved(await self._whole(request, receive), digest(request), ())

    async def _whole(self, request: bytes, receive: Receive) -> bytes:
        asked = self._correction.decode(request)
        return await self._corrections.answer(
            SurveyRequest(asked.machine, asked.survey, asked.solve), Ask(CORRECTIONS, request), receive
        )


def correction_of(past: Past) -> bytes:
    """Return the request that a stored survey was solved from, as JSON."""
    survey = past.sent.survey
    if past.basis.previous is not None:
        survey = Raw(_encode(msgspec.json.decode(survey) | {"previous": Raw(past.basis.previous)}))
    return composed(past.basis.description, survey, past.sent.solve)


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


def composed(description: Description, survey: bytes | Raw, solve: Raw) -> bytes:
    """Return the request for a correction as JSON."""
    return _encode({"machine": parts_of(description.document).machine, "survey": Raw(survey), "solve": solve})
