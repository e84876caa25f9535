"""One document in, one document out: strict, by Content-Type and Accept, and no larger than allowed.

The framework's own decoding takes ``"1.5"`` and ``"NaN"`` for numbers, reads any Content-Type as JSON and fails with
500 on deep nesting or bad UTF-8; so a route reads the body and hands it to our decoder (:mod:`..wire.decode`), and
:mod:`.openapi` documents it from the Struct itself. Nothing else of the framework is needed between the server and such
a route, and its router takes a quarter of what the service adds to a correction: :mod:`.exchange` goes past it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

from litestar.types import ASGIApp, Receive, Scope, Send

from ..execution.threads import SolverThreads
from ..wire.accept import OFFERED, accepted, choose
from ..wire.decode import empty, unsupported
from ..wire.problems import CUT_OFF, TOO_LARGE, UNSUPPORTED, RequestError
from .pictures import Headers, Pictures, Sent, theme_of

NONE: Headers = ()
DIRECT = "tramwright.direct"
"""Where a route handler holds the application that answers for it."""
LENGTHY = 2**15
"""Bytes from which a body takes a turn of its own: reading so much takes a good part of a millisecond."""
TURNS = 6
"""Turns of the event loop from one lengthy body to the next: a short one needs so many from arrival to answer."""


class Turns:
    """Lets lengthy bodies pass one by one: while one is read nobody else is served, and they tend to come together."""

    def __init__(self) -> None:
        # the event loop in which one passes: what one loop left when it was closed holds nobody up in another
        self._taken: asyncio.AbstractEventLoop | None = None

    async def take(self) -> None:
        """Wait until this body may be read; it has to be read at once then."""
        loop = asyncio.get_running_loop()
        while self._taken is loop:
            await asyncio.sleep(0)
        self._taken = loop
        self._leave(loop, TURNS)

    def _leave(self, loop: asyncio.AbstractEventLoop, turns: int) -> None:
        if turns:
            loop.call_soon(self._leave, loop, turns - 1)
        elif self._taken is loop:
            self._taken = None


_turns = Turns()


class Answers(NamedTuple):
    """What one kind of document is answered with: in words and numbers, and as pictures where there are any."""

    answer: Callable[[Sent], Awaitable[bytes]]
    workers: SolverThreads
    pictures: Pictures | None = None

    def form(self, scope: Any) -> str:
        """Return the form in which a client wants its answer.

        Raises:
            RequestError: none of those offered is accepted, or there is no such theme.
        """
        # the framework types the headers of a scope as any iterable; the protocol says list
        wanted = choose(accepted(scope["headers"]), OFFERED if self.pictures is None else self.pictures.offered)
        if self.pictures is not None and scope["query_string"]:
            theme_of(scope, wanted)  # a mistyped one is told to whoever asks for no picture too
        return wanted

    async def told(self, scope: Any, sent: Sent) -> tuple[bytes, Headers]:
        """Return the answer to a document, and the headers that go with it.

        Raises:
            SolverError, RequestError: there is none.
        """
        if (pictures := self.pictures) is not None and sent.media_type in pictures.types:
            return await pictures.picture(scope, sent), pictures.headers(sent.media_type)
        self.workers.expect(sent.body)
        return await self.answer(sent), NONE


def answering(answers: Answers, most: int) -> ASGIApp:
    """Return the application that sends a client the answer to its document, which may have ``most`` bytes."""

    async def answered(scope: Scope, receive: Receive, send: Send) -> None:
        wanted = answers.form(scope)
        body = await whole(scope, receive, most)
        told, more = await answers.told(scope, Sent(body, content_type(scope), wanted, receive))
        sent_as = f"{wanted}; charset=utf-8" if wanted.startswith("text/") else wanted
        headers = [
            (b"content-type", sent_as.encode()),
            (b"content-length", b"%d" % len(told)),
            (b"vary", b"accept"),
            *more,
        ]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": told, "more_body": False})

    return answered


def content_type(scope: Any) -> bytes:
    """Return the Content-Type header as it was sent, empty where there is none.

    Raises:
        RequestError: the body is encoded. A small body may decode to a very large one, and none here needs it.
    """
    sent_as = b""
    for name, value in scope["headers"]:
        if name == b"content-type":
            sent_as = sent_as or bytes(value)
        elif name == b"content-encoding" and value.strip().lower() not in (b"", b"identity"):
            raise RequestError(
                UNSUPPORTED,
                "A compressed body is not read here; send it plain.",
                headers={"Accept-Encoding": "identity"},
            )
    return sent_as


async def whole(scope: Any, receive: Receive, most: int) -> bytes:
    """Return the whole body.

    Raises:
        RequestError: it is empty; or it is announced, or turns out, larger than the limit; or it ends early.
    """
    announced = next((value for name, value in scope["headers"] if name == b"content-length"), b"")
    if announced.isdigit() and int(announced) > most:
        raise _too_large(most)
    body, more = bytearray(), True
    while more:
        message: Any = await receive()
        if message["type"] == "http.disconnect":
            raise RequestError(CUT_OFF, CUT_OFF.remedy)
        body += message.get("body", b"")
        if len(body) > most:
            raise _too_large(most)
        more = message.get("more_body", False)
    if body:
        if len(body) >= LENGTHY:
            await _turns.take()
        return bytes(body)
    sent_as = content_type(scope)
    raise empty() if sent_as else unsupported(sent_as)


def _too_large(most: int) -> RequestError:
    return RequestError(TOO_LARGE, f"The body is larger than {most} bytes, the most this service takes.")
