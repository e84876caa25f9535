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

from ...catalogue.endpoints import Question
from ...execution.gallery import Asked, Gallery
from ...execution.plug_ins.messages import Ask
from ...execution.questions import Answerer
from ...maps.drawing import Drawing
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.media_types import MSGPACK, PICTURES
from ..access import SUBMIT
from ..documents import DIRECT, Answers, answering
from ..pictures import Pictures, Sent, map_of


def answers(answerer: Answerer, gallery: Gallery) -> Answers:
    """Return what one question is answered with."""
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
    return Answers(answer, workers, pictures)


def create(question: Question, answers: Answers, settings: Settings) -> HTTPRouteHandler:
    """Return the route of one question."""
    direct = answering(answers, settings.max_body)

    @post(
        f"/v1/{question.name}",
        status_code=200,
        operation_id=question.operation_id,
        summary=question.summary,
        description=question.says,
        tags=["questions"],
        opt={DIRECT: direct, **SUBMIT},
    )
    async def ask() -> ASGIApp:
        return direct

    return ask
