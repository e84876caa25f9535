"""``GET /v1/events``: what happens in the farm, as it happens."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
from litestar import Request, get
from litestar.handlers import HTTPRouteHandler
from litestar.params import HeaderParameter, Parameter, QueryParameter

from ...batch.http_stream import Places
from ...execution.metrics import Metrics
from ...settings import Settings
from ...wire.accept import accepted, choose
from ...wire.events import TYPES, EventType
from ...wire.media_types import EVENTS
from ...wire.problems import BAD_REQUEST, RequestError
from ...wire.stored import StoredId
from ..access import READ
from ..event_stream import EventStream
from ..stored import given, kept

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

NUMBER = re.compile(r"[0-9]{1,18}", re.ASCII)
LONGEST = 15
"""Seconds between two signs of life at most; proxies take a minute of silence, as a rule."""


def create(settings: Settings, metrics: Metrics, farm: Farm | None) -> HTTPRouteHandler:
    """Return the route for one store, or none."""
    places = Places(settings.streams, "streams of events")

    @get(
        "/v1/events",
        operation_id="getEvents",
        summary="What happens in the farm, as server-sent events",
        tags=["events"],
        opt=READ,
    )
    async def get_events(
        request: Request[Any, Any, Any],
        last_event_id: Annotated[
            str,
            HeaderParameter(
                name="Last-Event-ID",
                max_length=64,
                schema_extra={"pattern": f"^(?:{NUMBER.pattern})?$"},
                description="`id` of the last event that was taken: those after it are sent first. Without it, only "
                "what happens from now on.",
            ),
        ] = "",
        event_type: Annotated[
            list[str] | None,
            QueryParameter(
                name="type",
                description="Only events of this type; may be given more than once.",
                schema_extra={"items": {"type": "string", "enum": list(TYPES)}},
            ),
        ] = None,
        machine: Annotated[
            list[str] | None,
            Parameter(
                description="Only what happens to this machine; may be given more than once.",
                schema_extra={"items": msgspec.json.schema(StoredId)},
            ),
        ] = None,
    ) -> EventStream:
        """Send events until the client goes away; the service ends the stream when it ends itself.

        `id` of an event is its number in the store, `event` its type, and `data` a CloudEvent 1.0 on one line. Every
        event comes once, in the order in which changes were made, also to a client that comes back with
        `Last-Event-ID`, to this process or to another on the same store. Where events are no longer kept that it has
        not had, the first is `tramwright.events.missed`. A block without `data` says that the stream is alive.
        """
        own = kept(farm)
        from ...farm.events import Filter

        choose(accepted(request.scope["headers"]), (EVENTS,))
        wanted = Filter(
            frozenset(given(one, "type", EventType) for one in event_type or ()),
            frozenset(given(one, "machine", StoredId) for one in machine or ()),
        )
        latest = await own.feed.start()
        if last_event_id and not NUMBER.fullmatch(last_event_id):
            detail = "`Last-Event-ID` is the `id` of an event, a whole number; send the last one that was taken."
            raise RequestError(BAD_REQUEST, detail)
        position = int(last_event_id) if last_event_id else latest
        beat = min(LONGEST, settings.idle_seconds / 2)
        return EventStream(own.feed, position, wanted, beat, places, metrics)

    return get_events
