"""One survey answered: by a plug-in's processes, between two others, or on a thread, as it takes."""

from __future__ import annotations

from functools import partial

from litestar.types import Receive

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import affordable
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.views.correction import as_text

from ..settings import Settings
from ..wire.encode import encode
from .metrics import Metrics
from .microbatch import Microbatch
from .plug_ins.hosts import PlugIns
from .plug_ins.messages import Ask
from .threads import Kinds


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
        self._together = Microbatch(self.registry, cache, as_text)

    async def answer(self, asked: SurveyRequest, ask: Ask, receive: Receive) -> bytes:
        """Return the encoded answer; ``ask`` is the same request as bytes, for plug-ins, with the form of the answer.

        Raises:
            SolverError: it is refused, or takes too long.
            RequestError: all places are taken; may be tried again.
        """
        named = asked.solve.with_
        if self.registry.guests and (guests := await self._plug_ins.of(named, asked.machine)):
            with self._metrics.under_way("plug-ins"), self._metrics.solving("plug-ins", asked):
                return await self._plug_ins.ask(guests, ask, named, receive)
        cost = affordable(*asked, self._most)
        if cost.quick:
            with self._metrics.solving("quick", asked):
                return await self._together.ask(asked, ask.media_type, cost.seconds)
        with self._metrics.under_way("long"), self._metrics.solving("long", asked):
            return await self.threads.run(partial(self._solved, asked, ask.media_type), cost, receive)

    def _solved(self, asked: SurveyRequest, media_type: str, within: Deadline) -> bytes:
        machine, survey, solve, done = asked
        answer = correct(machine, survey, solve, self.registry, self._cache, within, done)
        return encode(answer, media_type, as_text)
