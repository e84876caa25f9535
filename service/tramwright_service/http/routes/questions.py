"""``POST /v1/<question>`` for every row of :mod:`...catalogue.endpoints`: one payload in, one answer out; stores
nothing."""

from __future__ import annotations

from functools import partial
from typing import Any

from litestar import Request, post
from litestar.handlers import HTTPRouteHandler

from tramwright_solvers.model.deadline import Deadline

from ...catalogue.endpoints import QUESTIONS, Question
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import Ask
from ...execution.threads import Kinds, SolverThreads
from ...settings import Settings
from ...wire.accept import accepted, choose
from ...wire.decode import Decoder
from ...wire.encode import encode
from ..body import StrictRequest, content_type
from .corrections import Encoded


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

    def answer(data: Any, media_type: str, within: Deadline) -> bytes:
        return encode(question.solve(data, registry, within), media_type, question.text)

    @post(
        f"/v1/{question.name}",
        status_code=200,
        operation_id=question.operation_id,
        summary=question.summary,
        description=question.says,
        tags=["questions"],
        request_class=StrictRequest,
        request_max_body_size=settings.max_body,
    )
    async def ask(request: Request[Any, Any, Any]) -> Encoded:
        # the framework types the headers of a scope as any iterable; the protocol says list
        media_type = choose(accepted(request.scope["headers"]))
        sent = await request.body()
        workers.expect(sent)
        sent_as = content_type(request.scope)
        data = decoder.decode(sent, sent_as)
        if registry.guests and (guests := await plug_ins.of(data.solve.with_, data.machine)):
            with metrics.under_way("plug-ins"), metrics.solving("plug-ins", data):
                ask_them = Ask(question.name, sent, sent_as, media_type)
                answered = await plug_ins.ask(guests, ask_them, data.solve.with_, request.receive)
                return Encoded(answered, media_type)
        cost = question.check(data, most)
        with metrics.under_way(question.name), metrics.solving(question.name, data):
            body = await workers.run(partial(answer, data, media_type), cost, request.receive)
        return Encoded(body, media_type)

    return ask
