"""``/v1/machines/{machine}/history``: what a machine has come to from survey to survey."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from litestar import Request, get
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter
from litestar.response.base import ASGIResponse

from ...wire.accept import OFFERED, accepted, choose
from ...wire.media_types import TEXT
from ...wire.plain import plain_lines
from ...wire.problems import BAD_REQUEST, RequestError
from ..access import READ
from ..stored import Cursor, Encoded, Id, Size, kept, listed, named

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

Since = Annotated[
    str | None, Parameter(description="Only surveys taken then or later: RFC 3339, as 2026-05-04T09:30:00Z.")
]
Until = Annotated[str | None, Parameter(description="Only surveys taken earlier than that: RFC 3339.")]


def create(farm: Farm | None) -> list[HTTPRouteHandler]:
    """Return the route for one store, or none."""

    @get(
        "/v1/machines/{machine:str}/history",
        operation_id="getHistory",
        summary="How a machine changes from survey to survey, and when it will pass its limit",
        tags=["farm"],
        opt=READ,
    )
    async def get_history(
        request: Request[Any, Any, Any],
        machine: Id,
        since: Since = None,
        until: Until = None,
        limit: Size = 100,
        cursor: Cursor = "",
    ) -> ASGIResponse:
        """Answer a page of its surveys, the oldest first, with every term, total and move; and what its latest surveys
        have come to: what drifts, what jumped, when the limit will be passed, and when to survey it next.

        What it has come to is of its latest fifty surveys, whichever are asked for.
        """
        own, media_type = kept(farm), choose(accepted(request.scope["headers"]), OFFERED)
        from ...farm.history import Span
        from ...farm.history_text import as_text
        from ...farm.pages import Page

        span = Span(moment(since, "since"), moment(until, "until"))
        page = await own.histories.page(named(machine), span, Page(limit, cursor))
        if media_type == TEXT:
            return Encoded(plain_lines(as_text(page)).encode(), media_type)
        return listed(page, media_type, request)

    return [get_history]


def moment(value: str | None, what: str) -> int | None:
    """Return a time of the query.

    Raises:
        RequestError: it is none.
    """
    if value is None:
        return None
    from ...farm import times

    if (found := times.read(value)) is None:
        detail = f"`{what}`: give date and time with their offset, as 2026-05-04T09:30:00Z (a + is written %2B)."
        raise RequestError(BAD_REQUEST, detail)
    return found
