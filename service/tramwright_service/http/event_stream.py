"""Server-sent events over one exchange (WHATWG HTML, 9.2), for as long as client and service live.

The client takes events at its own pace: while it takes none, nothing is read for it. It is told where to go on from,
also by the lines that only show that the stream is alive: a block without data sets the last event id of a client and
is no event (9.2.6).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from typing import TYPE_CHECKING

from litestar.response.base import ASGIResponse
from litestar.types import Receive, Scope, Send

from ..batch.http_stream import Places
from ..execution.metrics import Metrics
from ..wire.media_types import EVENTS
from ..wire.problems import RequestError
from .connections import ENDLESS
from .exchange import HEAD

if TYPE_CHECKING:  # the store is loaded only where there is one
    from ..farm.events import Event, Filter
    from ..farm.feed import Feed

RETRY = 3000
"""Milliseconds after which a client comes back."""
AGAIN = 1.0
"""Seconds after which a store that could not be read is read again."""
PIECE = 2**16
"""Bytes after which what is sent has to be taken before more of it is written out."""


class EventStream(ASGIResponse):
    """Sends what comes after a number, and a sign of life where nothing does for ``beat`` seconds."""

    def __init__(
        self, feed: Feed, position: int, wanted: Filter, beat: float, places: Places, metrics: Metrics
    ) -> None:
        self._feed = feed
        self._position = position
        self._wanted = wanted
        self._beat = beat
        self._places = places
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until the client has gone, or the service ends."""
        with self._places.taken(), self._metrics.under_way("events"), self._feed.followed():
            headers = [
                (b"content-type", EVENTS.encode()),
                (b"cache-control", b"no-store"),
                (b"x-accel-buffering", b"no"),
            ]
            await send({"type": "http.response.start", "status": 200, "headers": headers})
            told: object = scope  # the framework knows nothing of what exchange.py puts there
            if not (isinstance(told, dict) and told.get(HEAD)):
                scope["state"][ENDLESS] = self._feed.end
                gone = asyncio.ensure_future(_gone(receive))
                try:
                    await self._send(gone, send)
                finally:
                    gone.cancel()
            await send({"type": "http.response.body", "body": b"", "more_body": False})

    async def _send(self, gone: asyncio.Future[None], send: Send) -> None:
        clock = asyncio.get_running_loop().time
        position, sent = self._position, -self._beat
        start = b"retry: %d\n" % RETRY

        async def tell(body: bytes) -> None:
            nonlocal sent
            await send({"type": "http.response.body", "body": body, "more_body": True})
            sent = clock()

        while not self._feed.ended and not gone.done():
            if clock() - sent >= self._beat:
                await tell(b"%b:\nid: %d\n\n" % (start, position))
                start = b""
            try:
                page = await self._feed.after(position, self._wanted)
            except RequestError:  # an answer that has begun cannot say so; the client loses nothing by waiting
                await asyncio.wait({gone}, timeout=min(AGAIN, self._beat))
                continue
            for body in _pieces(page.events):
                await tell(body)
            position = page.position
            if not page.events:
                await self._feed.more(position, gone, sent + self._beat - clock())


async def _gone(receive: Receive) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass


def _pieces(events: list[Event]) -> Iterator[bytes]:
    """Yield events as they are sent, as many together as make a piece."""
    piece = bytearray()
    for event in events:
        # the id comes last: a reader that takes it for the event's before the block is whole must not have it too early
        piece += b"event: %b\ndata: %b\nid: %d\n\n" % (event.type.encode(), event.body, event.number)
        if len(piece) > PIECE:
            yield bytes(piece)
            piece.clear()
    if piece:
        yield bytes(piece)
