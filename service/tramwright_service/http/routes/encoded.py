"""Answers as bytes, and the pictures among them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from urllib.parse import parse_qs

from litestar import Request
from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send

from ...execution.gallery import Asked
from ...maps.colours import THEMES
from ...maps.drawing import Drawing
from ...wire.media_types import PNG, SVG
from ...wire.problems import BAD_REQUEST, RequestError
from ..body import content_type

THEME = "theme"
"""The parameter of a request that says how a picture looks."""


class Encoded(ASGIResponse):
    """An answer already encoded as bytes, sent as two ASGI messages."""

    __slots__ = ("media_type", "more")

    def __init__(self, body: bytes, media_type: str, more: Sequence[tuple[bytes, bytes]] = ()) -> None:
        self.body = body
        self.more = more
        self.media_type = f"{media_type}; charset=utf-8" if media_type.startswith("text/") else media_type

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send the answer."""
        headers = [
            (b"content-type", self.media_type.encode()),
            (b"content-length", str(len(self.body)).encode()),
            (b"vary", b"accept"),
            *self.more,
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": self.body, "more_body": False})


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
    return Asked(
        question, await request.body(), sent_as, media_type, themes[-1] if media_type in (SVG, PNG) else THEMES[0]
    )


def map_of(drawing: Drawing, picture: Asked) -> bytes:
    """Return a drawing as the file that is asked for."""
    from ...maps.figure import picture as drawn  # matplotlib is loaded by the first picture, and never without one

    return drawn(drawing, picture.media_type, picture.theme)
