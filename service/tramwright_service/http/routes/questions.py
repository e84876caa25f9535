"""``POST /v1/<question>`` for every row of :mod:`...catalogue.endpoints`: one payload in, one answer out; stores
nothing."""

from __future__ import annotations

from typing import Any

from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp

from ...catalogue.endpoints import QUESTIONS
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import Ask
from ...execution.questions import Answerer
from ...execution.threads import Kinds
from ...settings import Settings
from ...wire.decode import Decoder
from ..documents import DIRECT, Sent, answering


def create(plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics) -> list[HTTPRouteHandler]:
    """Return the routes for the solvers of one registry and for the plug-ins beside it."""
    return [route(Answerer(question, plug_ins, settings, workers, metrics), settings) for question in QUESTIONS]


def route(answerer: Answerer, settings: Settings) -> HTTPRouteHandler:
    """Return the route of one question."""
    question = answerer.question
    decoder: Decoder[Any] = Decoder(question.request(answerer.registry), answerer.registry)

    async def answer(sent: Sent) -> bytes:
        data = decoder.decode(sent.body, sent.sent_as)
        ask = Ask(question.name, sent.body, sent.sent_as, sent.media_type)
        return await answerer.answer(data, ask, sent.receive)

    direct = answering(answer, answerer.threads, settings.max_body)

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
