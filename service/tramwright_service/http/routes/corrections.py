"""``POST /v1/corrections``: one survey in, one correction out; stores nothing."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import msgspec
from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp, Receive
from msgspec import UNSET

from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.results.correction import Correction

from ...execution.corrections import Corrections
from ...execution.gallery import Asked, Gallery
from ...execution.plug_ins.messages import CORRECTIONS, Ask
from ...maps.subjects import of_correction
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.media_types import HTML, MSGPACK, PICTURES, PNG, SVG
from ...wire.quick_reader import QuickReader
from ...wire.requests import CorrectionRequest, correction_request
from ..access import SUBMIT
from ..documents import DIRECT, Answers, answering
from ..pictures import Pictures, Sent, map_of


def answers(corrections: Corrections, gallery: Gallery) -> Answers:
    """Return what a request for a correction is answered with."""
    registry = corrections.registry
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    quick = QuickReader(registry)

    def read(body: bytes, sent_as: bytes) -> SurveyRequest:
        if decoder.is_json(sent_as) and (done := quick.read(body)) and done[0] is UNSET:
            return done[1]
        data = decoder.decode(body, sent_as)
        return SurveyRequest(data.machine, data.survey, data.solve, data.done)

    async def answer(sent: Sent) -> bytes:
        asked = read(sent.body, sent.sent_as)
        ask = Ask(CORRECTIONS, sent.body, sent.sent_as, sent.media_type)
        return await corrections.answer(asked, ask, sent.receive)

    async def draw(picture: Asked, receive: Receive) -> Callable[[], bytes]:
        corrections.threads.expect(picture.body)
        told = await answer(Sent(picture.body, picture.sent_as, MSGPACK, receive))
        asked = read(picture.body, picture.sent_as)
        return partial(drawn_as, asked, msgspec.msgpack.decode(told, type=Correction), picture)

    return Answers(answer, corrections.threads, Pictures(CORRECTIONS, (HTML, *PICTURES), gallery, draw))


def create(answers: Answers, settings: Settings) -> HTTPRouteHandler:
    """Return the route."""
    direct = answering(answers, settings.max_body)

    @post(
        "/v1/corrections",
        status_code=200,
        operation_id="correct",
        summary="Turn one survey into the moves that make bed and tool plane parallel",
        tags=["corrections"],
        opt={DIRECT: direct, **SUBMIT},
    )
    async def correct_one() -> ASGIApp:
        """Answer one survey with moves, what they leave, an order of work and a verdict; nothing is stored.

        The answer comes as Accept asks: as JSON, MessagePack or plain text, as a map in SVG or PNG, or as a sheet to
        print in HTML or, with the map on a page of its own, PDF.
        """
        return direct

    return correct_one


def drawn_as(asked: SurveyRequest, answer: Correction, picture: Asked) -> bytes:
    """Return a correction as a map, or as a sheet for the machine."""
    if picture.media_type in (SVG, PNG):
        return map_of(of_correction(asked, answer), picture)
    from ...pages import sheet, sheet_on_paper  # loads what draws

    make = sheet.as_html if picture.media_type == HTML else sheet_on_paper.as_pdf
    return make(asked, answer, picture.body)
