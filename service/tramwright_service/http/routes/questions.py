"""``POST /v1/<question>`` for every row of :mod:`...catalogue.endpoints`: one payload in, one answer out; stores
nothing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp, Receive

from ...catalogue.endpoints import QUESTIONS
from ...execution.gallery import Asked, Gallery
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import Ask
from ...execution.questions import Answerer
from ...execution.threads import Kinds
from ...maps.drawing import Drawing
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.media_types import MSGPACK, PICTURES
from ..documents import DIRECT, Sent, answering
from ..pictures import Pictures, map_of


def create(
    plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics, gallery: Gallery
) -> list[HTTPRouteHandler]:
    """Return the routes for the solvers of one registry and for the plug-ins beside it."""
    answerers = [Answerer(question, plug_ins, settings, workers, metrics) for question in QUESTIONS]
    return [route(answerer, settings, gallery) for answerer in answerers]


def route(answerer: Answerer, settings: Settings, gallery: Gallery) -> HTTPRouteHandler:
    """Return the route of one question."""
    question, workers = answerer.question, answerer.threads
    decoder: Decoder[Any] = Decoder(question.request(answerer.registry), answerer.registry)

    async def answer(sent: Sent) -> bytes:
        data = decoder.decode(sent.body, sent.sent_as)
        ask = Ask(question.name, sent.body, sent.sent_as, sent.media_type)
        return await answerer.answer(data, ask, sent.receive)

    async def draw(draws: Callable[[Any, Any], Drawing], picture: Asked, receive: Receive) -> Callable[[], bytes]:
        workers.expect(picture.body)
        told = await answer(Sent(picture.body, picture.sent_as, MSGPACK, receive))
        data = decoder.decode(picture.body, picture.sent_as)
        return partial(map_of, draws(data, msgspec.msgpack.decode(told, type=question.answer)), picture)

    draws = question.draws
    pictures = Pictures(question.name, PICTURES, gallery, partial(draw, draws)) if draws else None
    direct = answering(answer, workers, settings.max_body, pictures)

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
