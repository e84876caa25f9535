"""``/v1/machines/{machine}/surveys/{number}/thumbnail``: the bed as a stored survey found it, small."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Annotated, Any

import msgspec
from litestar import Request, get
from litestar.handlers import HTTPRouteHandler
from litestar.params import Parameter
from litestar.response.base import ASGIResponse
from msgspec import Struct

from tramwright_solvers.model.machine import Machine
from tramwright_solvers.model.units import MM_PER_INCH
from tramwright_solvers.results.correction import Correction

from ...execution.gallery import Asked, Gallery
from ...maps.colours import THEMES, Theme
from ...wire.accept import accepted, choose
from ...wire.media_types import JSON, MSGPACK, SVG
from ...wire.problems import BAD_REQUEST, RequestError
from ..access import READ
from ..documents import Answers
from ..pictures import Sent, theme_of
from ..stored import Encoded, Id, Numbered, kept, named

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ...farm.farm import Farm

LEAST, MOST = 1e-4, 1e4
"""Scales that can be asked for, mm."""
KEPT = (b"cache-control", b"private, max-age=3600")
"""A survey never changes; what is drawn of it may, when the service is a newer one."""


class Offset(Struct, frozen=True):
    """What is said of the zero."""

    offset: str = "free"


class Drawn(Struct, frozen=True):
    """What of a request for a correction is drawn."""

    machine: Machine
    solve: Offset


def create(farm: Farm | None, corrections: Answers, gallery: Gallery) -> HTTPRouteHandler:
    """Return the route for one store, or none."""

    @get(
        "/v1/machines/{machine:str}/surveys/{number:int}/thumbnail",
        operation_id="getThumbnail",
        summary="The bed as a stored survey found it, as a small picture on a scale of your own",
        tags=["farm"],
        opt=READ,
    )
    async def get_thumbnail(
        request: Request[Any, Any, Any],
        machine: Id,
        number: Numbered,
        scale: Annotated[
            str,
            Parameter(
                description="Half the range of the colours, in mm whatever the machine's `units`: ten bands from minus "
                "this to plus this, and what lies beyond has the outermost colours.",
                schema_extra={"type": "number", "minimum": LEAST, "maximum": MOST, "default": 0.1},
            ),
        ] = "0.1",
        theme: Annotated[str, Parameter(description="How it looks.", schema_extra={"enum": list(THEMES)})] = THEMES[0],
    ) -> ASGIResponse:
        """Draw the gap as found, so that many machines can be held beside each other on one scale of colours.

        Front at the bottom; dots are the stations, plus and minus the highest and the lowest.
        """
        own, media_type = kept(farm), choose(accepted(request.scope["headers"]), (SVG,))
        half = scale_of(scale)
        from ...farm.solving import correction_of

        body, sent_as = correction_of(await own.surveys.past(named(machine), number)), JSON.encode()
        looks = theme_of(request.scope, SVG)

        async def draw() -> Callable[[], bytes]:
            told = await corrections.answer(Sent(body, sent_as, MSGPACK, request.receive))
            answer, asked = msgspec.msgpack.decode(told, type=Correction), msgspec.json.decode(body, type=Drawn)
            return partial(drawn, asked, answer, half, looks)

        wanted = Asked(f"thumbnail {half!r}", body, sent_as, media_type, looks)
        return Encoded(await gallery.picture(wanted, draw, request.receive), media_type, headers=[KEPT])

    return get_thumbnail


def scale_of(sent: str) -> float:
    """Return half the range of the colours in mm.

    Raises:
        RequestError: it is no length that it can be.
    """
    try:
        scale = float(sent)
    except ValueError:
        scale = 0.0
    if not LEAST <= scale <= MOST:
        raise RequestError(BAD_REQUEST, f"`scale` is a length in mm from {LEAST:g} to {MOST:g}; change it.")
    return scale


def drawn(asked: Drawn, answer: Correction, scale: float, theme: Theme) -> bytes:
    """Return the picture of a correction's answer, loading what draws only now."""
    from ...maps.thumbnail import of_correction

    return of_correction(asked, answer, scale if answer.units == "mm" else scale / MM_PER_INCH, theme)
