"""``POST /v1/<question>`` for every row of :mod:`...catalogue.endpoints`: one payload in, one answer out; stores
nothing."""

from __future__ import annotations

from functools import partial
from typing import Any

from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp

from tramwright_solvers.model.deadline import Deadline

from ...catalogue.endpoints import QUESTIONS, Question
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import Ask
from ...execution.threads import Kinds, SolverThreads
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.encode import encode
from ..documents import DIRECT, Sent, answering


def create(plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics) -> list[HTTPRouteHandler]:
    """Return the routes for the solvers of one registry and for the plug-ins beside it."""
    return [route(question, plug_ins, settings, getattr(workers, question.kind), metrics) for question in QUESTIONS]


def route(
    question: Question, plug_ins: PlugIns, settings: Settings, workers: SolverThreads, metrics: Metrics
) -> HTTPRouteHandler:
    """Return the route of one question."""
    registry = plug_ins.registry
    decoder: Decoder[Any] = Decoder(question.request(registry), registry)

    most = settings.most

    def solved(data: Any, media_type: str, within: Deadline) -> bytes:
        return encode(question.solve(data, registry, within), media_type, question.text)

    async def answer(sent: Sent) -> bytes:
        data = decoder.decode(sent.body, sent.sent_as)
        if registry.guests and (guests := await plug_ins.of(data.solve.with_, data.machine)):
            with metrics.under_way("plug-ins"), metrics.solving("plug-ins", data):
                ask_them = Ask(question.name, sent.body, sent.sent_as, sent.media_type)
                return await plug_ins.ask(guests, ask_them, data.solve.with_, sent.receive)
        cost = question.check(data, most)
        with metrics.under_way(question.name), metrics.solving(question.name, data):
            return await workers.run(partial(solved, data, sent.media_type), cost, sent.receive)

    direct = answering(answer, workers, settings.max_body)

    @post(
        f"/v1/{question.name}",
        status_code=200,
        operation_id=question.operation_id,
        summary=question.summary,
        description=question.says,
        tags=["questions"],
        opt={DIRECT: direct},
    )
    async def ask() -> ASGIApp:
        return direct

    return ask
