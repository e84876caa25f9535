"""One survey answered: by a plug-in's processes, between two others, or on a thread, as it takes."""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from functools import partial
from typing import TypeVar

import msgspec
from litestar.types import Receive

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.batching import SurveyRequest, traced, whole
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import affordable
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.results.correction import Correction, Traced
from tramwright_solvers.views.correction import as_text

from ..settings import Settings
from ..wire.encode import encode
from .metrics import Metrics
from .microbatch import Microbatch
from .plug_ins.hosts import PlugIns
from .plug_ins.messages import Ask
from .threads import Kinds

T = TypeVar("T")

_correction = msgspec.json.Decoder(Correction).decode


class Corrections:
    """Answers corrections with the solvers of one registry and the plug-ins beside it."""

    def __init__(
        self, plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics, cache: GeometryCache
    ) -> None:
        self.registry = plug_ins.registry
        self._plug_ins = plug_ins
        self.threads = workers.corrections
        self._metrics = metrics
        self._cache = cache
        self._most = settings.most
        self._whole = Microbatch(self.registry, cache, whole)
        self._traced = Microbatch(self.registry, cache, traced)

    async def answer(self, asked: SurveyRequest, ask: Ask, receive: Receive) -> bytes:
        """Return the encoded answer; ``ask`` is the same request as bytes, for plug-ins, with the form of the answer.

        Raises:
            SolverError: it is refused, or takes too long.
            RequestError: all places are taken; may be tried again.
        """
        write = partial(encode, media_type=ask.media_type, text=as_text)
        return await self._answered(asked, ask, receive, lambda seconds: self._whole.ask(asked, write, seconds), write)

    async def traced(self, asked: SurveyRequest, ask: Ask, receive: Receive) -> Traced:
        """Return what is kept of the answer; ``ask`` is the same request as bytes, to be answered as JSON.

        Raises: as :meth:`answer`.
        """
        told = await self._answered(
            asked, ask, receive, lambda seconds: self._traced.ask(asked, _itself, seconds), Traced.of
        )
        return Traced.of(_correction(told)) if isinstance(told, bytes) else told

    async def _answered(
        self,
        asked: SurveyRequest,
        ask: Ask,
        receive: Receive,
        quick: Callable[[float], Awaitable[T]],
        write: Callable[[Correction], T],
    ) -> T | bytes:
        """Return what plug-ins answer, as bytes, what ``quick`` does within so many seconds, by the estimate, or what
        is written of what takes longer."""
        named = asked.solve.with_
        if self.registry.guests and (guests := await self._plug_ins.of(named, asked.machine)):
            with self._metrics.under_way("plug-ins"), self._metrics.solving("plug-ins", asked):
                return await self._plug_ins.ask(guests, ask, named, receive)
        cost = affordable(*asked, self._most)
        if cost.quick:
            with self._metrics.solving("quick", asked):
                return await quick(cost.seconds)
        with self._metrics.under_way("long"), self._metrics.solving("long", asked):
            return await self.threads.run(partial(self._solved, asked, write), cost, receive)

    def _solved(self, asked: SurveyRequest, write: Callable[[Correction], T], within: Deadline) -> T:
        machine, survey, solve, done = asked
        return write(correct(machine, survey, solve, self.registry, self._cache, within, done))


def _itself(answer: Traced) -> Traced:
    return answer
