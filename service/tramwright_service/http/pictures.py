"""The pictures among the answers of a route: which it offers, how they look, and who draws them."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Sequence
from functools import partial
from typing import Any, NamedTuple
from urllib.parse import parse_qs

from litestar.types import Receive

from ..execution.gallery import Asked, Gallery
from ..maps.colours import THEMES, Theme
from ..maps.drawing import Drawing
from ..wire.accept import OFFERED
from ..wire.media_types import HTML, PNG, SVG
from ..wire.problems import BAD_REQUEST, RequestError

THEME = "theme"
"""The parameter of a request that says how a picture looks."""

Headers = Sequence[tuple[bytes, bytes]]


class Sent(NamedTuple):
    """What a client sent, in which form it wants its answer, and how to hear that it has gone."""

    body: bytes
    sent_as: bytes
    media_type: str
    receive: Receive


class Pictures(NamedTuple):
    """What a route draws.

    ``draw`` answers the request behind a picture and returns what makes the picture of that.
    """

    question: str
    types: tuple[str, ...]
    gallery: Gallery
    draw: Callable[[Asked, Receive], Awaitable[Callable[[], bytes]]]

    @property
    def offered(self) -> tuple[str, ...]:
        """All that the route offers, pictures last."""
        return (*OFFERED, *self.types)

    async def picture(self, scope: Any, sent: Sent) -> bytes:
        """Return the picture that is asked for, drawn or kept."""
        body, sent_as, media_type, receive = sent
        asked = Asked(self.question, body, sent_as, media_type, theme_of(scope, media_type))
        return await self.gallery.picture(asked, partial(self.draw, asked, receive), receive)

    def headers(self, media_type: str) -> Headers:
        """Return what a picture is sent with: a sheet is kept to what it holds itself."""
        if media_type != HTML:
            return ()
        from ..pages import sheet

        return ((b"content-security-policy", sheet.policy().encode()),)


def theme_of(scope: Any, media_type: str) -> Theme:
    """Return how a picture is to look; what is for paper is always light.

    Raises:
        RequestError: there is no such theme.
    """
    query = parse_qs(scope["query_string"].decode("latin-1"), keep_blank_values=True)
    themes: list[Any] = query.get(THEME, [THEMES[0]])
    if themes[-1] not in THEMES:
        offered = ", ".join(f"`{one}`" for one in THEMES)
        raise RequestError(BAD_REQUEST, f"`{THEME}` is one of {offered}; `{themes[-1][:100]}` is none of them.")
    theme: Theme = themes[-1]
    return theme if media_type in (SVG, PNG) else THEMES[0]


def map_of(drawing: Drawing, asked: Asked) -> bytes:
    """Return a drawing as the file that is asked for."""
    from ..maps.figure import picture  # matplotlib is loaded by the first picture, and never without one

    return picture(drawing, asked.media_type, asked.theme)
