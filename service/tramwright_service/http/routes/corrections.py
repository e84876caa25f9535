"""``POST /v1/corrections``: one survey in, one correction out; stores nothing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any
from urllib.parse import parse_qs

import msgspec
from litestar import Request, post
from litestar.handlers import HTTPRouteHandler
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send
from msgspec import UNSET

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import affordable
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.results.correction import Correction
from tramwright_solvers.views.correction import as_text

from ...execution.gallery import Asked, Gallery
from ...execution.metrics import Metrics
from ...execution.microbatch import Microbatch
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import CORRECTIONS, Ask
from ...execution.threads import Kinds
from ...maps.colours import THEMES
from ...maps.drawing import Drawing
from ...maps.subjects import of_correction
from ...settings import Settings
from ...wire.accept import DRAWN_TOO, accepted, choose
from ...wire.decode import Decoder
from ...wire.encode import encode
from ...wire.media_types import MSGPACK, PDF, PICTURES
from ...wire.problems import BAD_REQUEST, RequestError
from ...wire.quick_reader import QuickReader
from ...wire.requests import CorrectionRequest, correction_request
from ..body import StrictRequest, content_type

THEME = "theme"
"""The parameter of a request that says how a picture looks."""


def create(
    plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics, cache: GeometryCache, gallery: Gallery
) -> HTTPRouteHandler:
    """Return the route for the solvers of one registry and for the plug-ins beside it."""
    registry = plug_ins.registry
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    quick = QuickReader(registry)
    together, most = Microbatch(registry, cache, as_text), settings.most

    def read(body: bytes, sent_as: bytes) -> SurveyRequest:
        if decoder.is_json(sent_as) and (done := quick.read(body)) and done[0] is UNSET:
            return done[1]
        data = decoder.decode(body, sent_as)
        return SurveyRequest(data.machine, data.survey, data.solve)

    @post(
        "/v1/corrections",
        status_code=200,
        operation_id="correct",
        summary="Turn one survey into the moves that make bed and tool plane parallel",
        tags=["corrections"],
        request_class=StrictRequest,
        request_max_body_size=settings.max_body,
    )
    async def correct_one(request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer one survey with moves, what they leave, an order of work and a verdict; nothing is stored.

        The answer comes as JSON, MessagePack or plain text, or drawn as SVG, PNG or PDF, as Accept asks.
        """
        # the framework types the headers of a scope as any iterable; the protocol says list
        media_type = choose(accepted(request.scope["headers"]), DRAWN_TOO)
        if media_type in PICTURES:
            return await draw(request, media_type)
        sent = await request.body()
        workers.corrections.expect(sent)
        sent_as = content_type(request.scope)
        return Encoded(await answer(read(sent, sent_as), sent, sent_as, media_type, request.receive), media_type)

    async def draw(request: Request[Any, Any, Any], media_type: str) -> Encoded:
        picture = await picture_asked(request, CORRECTIONS, media_type)

        async def drawn() -> Callable[[], Drawing]:
            workers.corrections.expect(picture.body)
            asked = read(picture.body, picture.sent_as)
            answered = await answer(asked, picture.body, picture.sent_as, MSGPACK, request.receive)
            return partial(of_correction, asked, msgspec.msgpack.decode(answered, type=Correction))

        return Encoded(await gallery.picture(picture, drawn, request.receive), media_type)

    async def answer(asked: SurveyRequest, sent: bytes, sent_as: bytes, media_type: str, receive: Receive) -> bytes:
        named = asked.solve.with_
        if registry.guests and (guests := await plug_ins.of(named, asked.machine)):
            with metrics.under_way("plug-ins"), metrics.solving("plug-ins", asked):
                ask = Ask(CORRECTIONS, sent, sent_as, media_type)
                return await plug_ins.ask(guests, ask, named, receive)
        cost = affordable(*asked, most)
        if cost.quick:
            with metrics.solving("quick", asked):
                return await together.ask(asked, media_type, cost.seconds)
        with metrics.under_way("long"), metrics.solving("long", asked):
            task = partial(_answer, asked, registry, cache, media_type)
            return await workers.corrections.run(task, cost, receive)

    return correct_one


async def picture_asked(request: Request[Any, Any, Any], question: str, media_type: str) -> Asked:
    """Read which picture is asked for; on paper it is always light.

    Raises:
        RequestError: there is no such theme, or the body cannot be read.
    """
    themes: list[Any] = parse_qs(request.scope["query_string"].decode("latin-1")).get(THEME, [THEMES[0]])
    if themes[-1] not in THEMES:
        offered = ", ".join(f"`{one}`" for one in THEMES)
        raise RequestError(BAD_REQUEST, f"`{THEME}` is one of {offered}; `{themes[-1][:100]}` is none of them.")
    sent_as = content_type(request.scope)
    return Asked(question, await request.body(), sent_as, media_type, themes[-1] if media_type != PDF else THEMES[0])


class Encoded(ASGIResponse):
    """An answer already encoded as bytes, sent as two ASGI messages."""

    __slots__ = ("media_type",)

    def __init__(self, body: bytes, media_type: str) -> None:
        self.body = body
        self.media_type = f"{media_type}; charset=utf-8" if media_type.startswith("text/") else media_type

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send the answer."""
        headers = [
            (b"content-type", self.media_type.encode()),
            (b"content-length", str(len(self.body)).encode()),
            (b"vary", b"accept"),
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": self.body, "more_body": False})


def _answer(asked: SurveyRequest, registry: Registry, cache: GeometryCache, media_type: str, within: Deadline) -> bytes:
    return encode(correct(*asked, registry, cache, within), media_type, as_text)
