"""``POST /v1/corrections``: one survey in, one correction out; stores nothing."""

from __future__ import annotations

from typing import Any

from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp
from msgspec import UNSET

from tramwright_solvers.correction.batching import SurveyRequest

from ...execution.corrections import Corrections
from ...execution.plug_ins.messages import CORRECTIONS, Ask
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.quick_reader import QuickReader
from ...wire.requests import CorrectionRequest, correction_request
from ..documents import DIRECT, Sent, answering


def create(corrections: Corrections, settings: Settings) -> HTTPRouteHandler:
    """Return the route."""
    registry = corrections.registry
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)
    quick = QuickReader(registry)

    def read(body: bytes, sent_as: bytes) -> SurveyRequest:
        if decoder.is_json(sent_as) and (done := quick.read(body)) and done[0] is UNSET:
            return done[1]
        data = decoder.decode(body, sent_as)
        return SurveyRequest(data.machine, data.survey, data.solve)

    async def answer(sent: Sent) -> bytes:
        asked = read(sent.body, sent.sent_as)
        ask = Ask(CORRECTIONS, sent.body, sent.sent_as, sent.media_type)
        return await corrections.answer(asked, ask, sent.receive)

    direct = answering(answer, corrections.threads, settings.max_body)

    @post(
        "/v1/corrections",
        status_code=200,
        operation_id="correct",
        summary="Turn one survey into the moves that make bed and tool plane parallel",
        tags=["corrections"],
        opt={DIRECT: direct},
    )
    async def correct_one() -> ASGIApp:
        """Answer one survey with moves, what they leave, an order of work and a verdict; nothing is stored.

        The answer comes as JSON, MessagePack or plain text, as Accept asks.
        """
        return direct

    return correct_one
