"""One of the other questions answered: by a plug-in's processes or on a thread."""

from __future__ import annotations

from functools import partial
from typing import Any

from litestar.types import Receive

from tramwright_solvers.model.deadline import Deadline

from ..catalogue.endpoints import Question
from ..settings import Settings
from ..wire.encode import encode
from .metrics import Metrics
from .plug_ins.hosts import PlugIns
from .plug_ins.messages import Ask
from .threads import Kinds, SolverThreads


class Answerer:
    """Answers one question with the solvers of one registry and the plug-ins beside it."""

    def __init__(
        self, question: Question, plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics
    ) -> None:
        self.question = question
        self.registry = plug_ins.registry
        self.threads: SolverThreads = getattr(workers, question.kind)
        self._plug_ins = plug_ins
        self._metrics = metrics
        self._most = settings.most

    async def answer(self, data: Any, ask: Ask, receive: Receive) -> bytes:
        """Return the encoded answer; ``ask`` is the same request as bytes, for plug-ins, with the form of the answer.

        Raises:
            SolverError: it is refused, or takes too long.
            RequestError: all places are taken; may be tried again.
        """
        named, name = data.solve.with_, self.question.name
        if self.registry.guests and (guests := await self._plug_ins.of(named, data.machine)):
            with self._metrics.under_way("plug-ins"), self._metrics.solving("plug-ins", data):
                return await self._plug_ins.ask(guests, ask, named, receive)
        cost = self.question.check(data, self._most)
        with self._metrics.under_way(name), self._metrics.solving(name, data):
            return await self.threads.run(partial(self._solved, data, ask.media_type), cost, receive)

    def _solved(self, data: Any, media_type: str, within: Deadline) -> bytes:
        return encode(self.question.solve(data, self.registry, within), media_type, self.question.text)
