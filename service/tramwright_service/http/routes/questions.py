"""``POST /v1/<question>`` for every row of :mod:`...catalogue.endpoints`: one payload in, one answer out; stores
nothing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
from litestar import Request, post
from litestar.handlers import HTTPRouteHandler
from litestar.types import Receive

from tramwright_solvers.model.deadline import Deadline

from ...catalogue.endpoints import QUESTIONS, Question
from ...execution.gallery import Gallery
from ...execution.metrics import Metrics
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import Ask
from ...execution.threads import Kinds, SolverThreads
from ...maps.drawing import Drawing
from ...settings import Settings
from ...wire.accept import DRAWN_TOO, OFFERED, accepted, choose
from ...wire.decode import Decoder
from ...wire.encode import encode
from ...wire.media_types import MSGPACK, PICTURES
from ..body import StrictRequest, content_type
from .encoded import Encoded, map_of, picture_asked


def create(
    plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics, gallery: Gallery
) -> list[HTTPRouteHandler]:
    """Return the routes for the solvers of one registry and for the plug-ins beside it."""
    return [
        route(question, plug_ins, settings, getattr(workers, question.kind), metrics, gallery) for question in QUESTIONS
    ]


def route(
    question: Question,
    plug_ins: PlugIns,
    settings: Settings,
    workers: SolverThreads,
    metrics: Metrics,
    gallery: Gallery,
) -> HTTPRouteHandler:
    """Return the route of one question."""
    registry = plug_ins.registry
    decoder: Decoder[Any] = Decoder(question.request(registry), registry)

    most, draws = settings.most, question.draws
    offered = OFFERED if draws is None else DRAWN_TOO

    def solved(data: Any, media_type: str, within: Deadline) -> bytes:
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
        media_type = choose(accepted(request.scope["headers"]), offered)
        if draws is not None and media_type in PICTURES:
            return await draw(request, media_type, draws)
        sent = await request.body()
        workers.expect(sent)
        sent_as = content_type(request.scope)
        return Encoded(
            await answer(decoder.decode(sent, sent_as), sent, sent_as, media_type, request.receive), media_type
        )

    async def draw(request: Request[Any, Any, Any], media_type: str, draws: Callable[[Any, Any], Drawing]) -> Encoded:
        picture = await picture_asked(request, question.name, media_type)

        async def drawn() -> Callable[[], bytes]:
            workers.expect(picture.body)
            data = decoder.decode(picture.body, picture.sent_as)
            answered = await answer(data, picture.body, picture.sent_as, MSGPACK, request.receive)
            drawing = draws(data, msgspec.msgpack.decode(answered, type=question.answer))
            return partial(map_of, drawing, picture)

        return Encoded(await gallery.picture(picture, drawn, request.receive), media_type)

    async def answer(data: Any, sent: bytes, sent_as: bytes, media_type: str, receive: Receive) -> bytes:
        if registry.guests and (guests := await plug_ins.of(data.solve.with_, data.machine)):
            with metrics.under_way("plug-ins"), metrics.solving("plug-ins", data):
                ask_them = Ask(question.name, sent, sent_as, media_type)
                return await plug_ins.ask(guests, ask_them, data.solve.with_, receive)
        cost = question.check(data, most)
        with metrics.under_way(question.name), metrics.solving(question.name, data):
            return await workers.run(partial(solved, data, media_type), cost, receive)

    return ask
