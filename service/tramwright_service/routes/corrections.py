"""``POST /v1/corrections``: one survey in, one correction out; stores nothing."""

from __future__ import annotations

from typing import Any

from litestar import Request, post
from litestar.handlers import HTTPRouteHandler
from litestar.params import JSONBody
from litestar.response.base import ASGIResponse

from tramwright_solvers.correction import correct, is_quick
from tramwright_solvers.registry import Registry

from ..bodies import StrictRequest, strict_body
from ..decoding import Decoder
from ..encoding import encode
from ..negotiation import accepted, choose
from ..payloads import CorrectionRequest, correction_request
from ..settings import Settings
from ..workers import Workers

LARGE = 2000
"""Readings beyond which even a plain least squares leaves the event loop: tens of milliseconds from there on."""


def create(registry: Registry, settings: Settings, workers: Workers) -> HTTPRouteHandler:
    """Return the route for the solvers of one registry."""
    decoder: Decoder[CorrectionRequest[Any]] = Decoder(correction_request(registry), registry)

    @post(
        "/v1/corrections",
        status_code=200,
        operation_id="correct",
        summary="Turn one survey into the moves that make bed and tool plane parallel",
        tags=["corrections"],
        dto=strict_body(decoder, "CorrectionRequest"),
        return_dto=None,
        request_class=StrictRequest,
        request_max_body_size=settings.max_body,
    )
    async def correct_one(data: JSONBody[CorrectionRequest[Any]], request: Request[Any, Any, Any]) -> ASGIResponse:
        """Answer one survey with moves, what they leave, an order of work and a verdict; nothing is stored.

        The answer comes as JSON, MessagePack or plain text, as Accept asks.
        """
        media_type = choose(accepted(request.scope["headers"]))  # type: ignore[arg-type]
        if is_quick(data.machine, data.solve) and len(data.survey.readings) <= LARGE:
            body = encode(correct(data.machine, data.survey, data.solve), media_type)
        else:
            body = await workers.run(_answer, data, media_type)
        return ASGIResponse(body=body, media_type=media_type, headers={"vary": "accept"})

    return correct_one


def _answer(data: CorrectionRequest[Any], media_type: str) -> bytes:
    return encode(correct(data.machine, data.survey, data.solve), media_type)
