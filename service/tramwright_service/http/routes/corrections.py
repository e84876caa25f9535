"""``POST /v1/corrections``: one survey in, one correction out; stores nothing."""

from __future__ import annotations

from functools import partial
from typing import Any

from litestar import post
from litestar.handlers import HTTPRouteHandler
from litestar.types import ASGIApp
from msgspec import UNSET

from tramwright_solvers.correction.api import correct
from tramwright_solvers.correction.batching import SurveyRequest
from tramwright_solvers.correction.cache import GeometryCache
from tramwright_solvers.correction.cost import affordable
from tramwright_solvers.mechanisms.registry import Registry
from tramwright_solvers.model.deadline import Deadline
from tramwright_solvers.views.correction import as_text

from ...execution.metrics import Metrics
from ...execution.microbatch import Microbatch
from ...execution.plug_ins.hosts import PlugIns
from ...execution.plug_ins.messages import CORRECTIONS, Ask
from ...execution.threads import Kinds
from ...settings import Settings
from ...wire.decode import Decoder
from ...wire.encode import encode
from ...wire.quick_reader import QuickReader
from ...wire.requests import CorrectionRequest, correction_request
from ..documents import DIRECT, Sent, answering


def create(
    plug_ins: PlugIns, settings: Settings, workers: Kinds, metrics: Metrics, cache: GeometryCache
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

    async def answer(sent: Sent) -> bytes:
        asked = read(sent.body, sent.sent_as)
        named = asked.solve.with_
        if registry.guests and (guests := await plug_ins.of(named, asked.machine)):
            with metrics.under_way("plug-ins"), metrics.solving("plug-ins", asked):
                ask = Ask(CORRECTIONS, sent.body, sent.sent_as, sent.media_type)
                return await plug_ins.ask(guests, ask, named, sent.receive)
        cost = affordable(*asked, most)
        if cost.quick:
            with metrics.solving("quick", asked):
                return await together.ask(asked, sent.media_type, cost.seconds)
        with metrics.under_way("long"), metrics.solving("long", asked):
            task = partial(_answer, asked, registry, cache, sent.media_type)
            return await workers.corrections.run(task, cost, sent.receive)

    direct = answering(answer, workers.corrections, settings.max_body)

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


def _answer(asked: SurveyRequest, registry: Registry, cache: GeometryCache, media_type: str, within: Deadline) -> bytes:
    return encode(correct(*asked, registry, cache, within), media_type, as_text)
